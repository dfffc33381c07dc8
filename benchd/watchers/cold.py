"""Watches how cold a mix begins: resin from a cold room, or a mold that should have been warmed and was not.

Cold resin kicks late, and the thin parts of a cold mold stay bendy: the hold and the test have to allow for it.  The
resin is as warm as the room it is kept in; a mold is as warm as its own probe says, else as was typed with the mix.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict

from benchd.core.findings import Event, Finding, MixedCold, PourRevised, PourStarted
from benchd.core.model import Reading
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored

SCOPE = "bench"
ORDER = 26
READS = Reads(roles=("room_temperature", "mold_temperature"), findings=(PourStarted,))
EMITS = (MixedCold,)


@stored("cold-settings")
class Settings(BaseModel):
    """CP: common practice, no source; calc: computed."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    resin_c: float = 19.0  # CP: warm cold material to 23 C first; 4 K less makes a kick a third later [calc]
    mold_short_k: float = 8.0  # calc: 8 K less makes thin sections gel three quarters later
    fresh_s: float = 900.0  # CP: a probe silent for longer says nothing of now


@stored("cold-watcher")
@dataclass(slots=True)
class ColdWatcher:
    """The watcher of how warm the bench's mixes begin; its newest readings (t, C) by what they are of."""

    place: Place
    tune: Settings
    room: tuple[float, float] | None = None
    molds: dict[str, tuple[float, float]] = field(default_factory=dict)

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(role="room_temperature", value=float(value)) if math.isfinite(value):
                self.room = (event.t, value)
            case Reading(role="mold_temperature", value=float(value)) if math.isfinite(value):
                if self.place.bench.mold(event.of) is not None:
                    self.molds[event.of] = (event.t, value)
            case PourStarted() if not isinstance(event, PourRevised) and not event.inferred:
                return self._mix(event)
        return ()

    def _mix(self, pour: PourStarted) -> list[Finding]:
        for id in pour.molds:
            mold = self.place.bench.mold(id)
            if mold is None or mold.warm_c is None:
                continue
            seen = self.molds.get(id)
            is_fresh = seen is not None and pour.t - seen[0] <= self.tune.fresh_s
            temp_c = seen[1] if seen is not None and is_fresh else pour.mold_c
            if temp_c is not None and mold.warm_c - temp_c >= self.tune.mold_short_k:
                return [MixedCold(t=pour.t, subject=pour.subject.filled(mold=id), what="mold", temp_c=temp_c)]
        if self.room is None or pour.t - self.room[0] > self.tune.fresh_s or self.room[1] >= self.tune.resin_c:
            return []
        return [MixedCold(t=pour.t, subject=pour.subject, what="resin", temp_c=self.room[1])]


def make(settings: Settings, place: Place) -> ColdWatcher:
    """The bench's one watcher of cold mixes."""
    return ColdWatcher(place, settings)
