"""Watches how long the lot in use would stay workable if mixed now.

It depends on room and lot (core/learned/working_time); it is published again when it has changed noticeably, but not
between a mix and its kick, when the cup's own forecast counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from pydantic import BaseModel, ConfigDict

from benchd.core.findings import Event, Finding, Kicked, PourEnded, PourStarted, WorkingTimeLeft
from benchd.core.intake.calibrate import PLAUSIBLE
from benchd.core.learned.working_time import working_time
from benchd.core.model import Reading, Tick
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored

SCOPE = "bench"
ORDER = 45
READS = Reads(roles=("room_temperature",), findings=(PourStarted, PourEnded, Kicked), ticks=True, learned=True)
EMITS = (WorkingTimeLeft,)


@stored("working-settings")
class Settings(BaseModel):
    """CP: common practice, no source; calc: from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    each_s: float = 30.0  # CP: a room warms by tenths of a kelvin in a minute
    least_move_k: float = 0.3  # calc: 2 % of the time, by the label's rule
    least_move_share: float = 0.02  # CP: 3 s in a pot life of 165 s
    fresh_s: float = 600.0  # CP: a room probe this old says nothing of now


@stored("working-watcher")
@dataclass(slots=True)
class WorkingWatcher:
    """The watcher of a bench's working time."""

    tune: Settings
    place: Place
    recent: list[tuple[float, float]] = field(default_factory=list)
    working: list[str] = field(default_factory=list)
    judged_t: float | None = None
    judged_c: float | None = None
    told_s: float | None = None

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(value=float() | int() as value) if math.isfinite(value):
                low, high = PLAUSIBLE["room_temperature"]
                if low <= value <= high:
                    self.recent = [*self.recent[-4:], (event.t, float(value))]
            case PourStarted():
                self.working = [*self._others(event), event.subject.pour or ""]
            case Kicked() | PourEnded():
                self.working = self._others(event)
            case Tick() if not self.working and self._is_due(event.t):
                return self._judge(event.t)
        return ()

    def _others(self, about: Finding) -> list[str]:
        return [pour for pour in self.working if pour != (about.subject.pour or "")]

    def _is_due(self, t: float) -> bool:
        return self.judged_t is None or t - self.judged_t >= self.tune.each_s

    def _room_c(self, t: float) -> float | None:
        fresh = [c for at, c in self.recent if t - at <= self.tune.fresh_s]
        return median(fresh) if fresh else None

    def _has_probe(self) -> bool:
        return any(channel.role == "room_temperature" for channel in self.place.bench.channels)

    def _is_as_warm(self, room_c: float | None) -> bool:
        if room_c is None or self.judged_c is None:
            return room_c is self.judged_c
        return abs(room_c - self.judged_c) < self.tune.least_move_k

    def _is_as_long(self, working_s: float) -> bool:
        return self.told_s is not None and abs(working_s / self.told_s - 1.0) < self.tune.least_move_share

    def _judge(self, t: float) -> list[Finding]:
        room_c = self._room_c(t)
        self.judged_t = t
        if room_c is None and self._has_probe():
            return []  # a silent room probe: its silence is published, without a guess
        if self.told_s is not None and self._is_as_warm(room_c):
            return []
        self.judged_c = room_c
        lot = self.place.bench.lot_in_use()
        found = working_time(self.place.bench, lot.id if lot else None, room_c, t)
        if found is None or self._is_as_long(found.working_s):
            return []
        self.told_s = found.working_s
        return [
            WorkingTimeLeft(
                t=t, subject=self.place.subject, working_s=found.working_s, early_s=found.early_s,
                late_s=found.late_s, temp_c=found.temp_c, lot=found.lot, basis=found.basis,
                temp_basis=found.temp_basis,
            )
        ]  # fmt: skip


def make(settings: Settings, place: Place) -> WorkingWatcher:
    """The watcher of a bench's working time."""
    return WorkingWatcher(settings, place)
