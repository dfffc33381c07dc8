"""When is each part due, green or hard, and may it be said while its pot may still be up?

The label's demold time suits a section of about 6 mm in a 23 C mold; the rule of physics/section_rule carries it to
this mold's thinnest and thickest sections, and the lot's own kick scales it.  The window around it is wide, and a part
is called due only at its late end.  Nothing is called due while its pot reads above near zero, while its load has not
been seen to vent, or while the gauge that would tell is silent: then the call waits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Mold
from benchd.core.model import (
    DemoldForecast,
    DemoldReady,
    Event,
    Finding,
    Kicked,
    LoadClosed,
    LoadOpened,
    Mark,
    PotVented,
    PourEnded,
    PourRevised,
    PourStarted,
    Reading,
    Tick,
)
from benchd.core.retell import Retell, RetellRule
from benchd.core.watcher import Place, Reads
from benchd.physics.cup_heat import LABEL_TEMP_C, label_time_factor
from benchd.physics.section_rule import hard_s

SCOPE = "bench"
ORDER = 45
READS = Reads(
    roles=("pot_pressure", "room_temperature"),
    findings=(PourStarted, PourRevised, PourEnded, Kicked, LoadClosed, LoadOpened, PotVented),
    marks=("demolded",),
    ticks=True,
)
EMITS = (DemoldForecast, DemoldReady)

MOST_POURS = 16  # open at once on one bench; older ones are forgotten
Times = tuple[float, float, float]
Stage = Literal["green", "going-hard", "hard"]


class Settings(BaseModel):
    """CP: common practice, no source; model: a simulation study; calc: from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    early_factor: float = 0.65  # model: margin of e^-0.44 around a label-only time
    late_factor: float = 1.55  # model: e^0.44 to e^0.49, so that at most one call in twenty is early
    green_share: float = 0.8  # CP: gelled with margin, 1.3 gel times, where hard at 6 mm is 1.65 of them (calc)
    going_hard_share: float = 0.2  # CP: the green stage lasts from four fifths of the way to hard
    near_zero_kpa: float = 6.9  # CP: 1 psi, still 380 N on a 265 mm lid (calc)
    stale_s: float = 60.0  # CP: a gauge silent this long is blind
    least_lot_factor: float = 0.4  # CP: fresh lots beat the label, but not by more
    most_lot_factor: float = 3.0  # CP: three pot lives without a kick are no cure
    least_move_s: float = 15.0  # CP: what a waiting caster notices
    least_gap_s: float = 10.0  # CP: as a forecast of minutes needs


@dataclass(slots=True)
class _Part:
    """One mold of one pour: what was last told, what has been called, when."""

    mold: Mold
    told: Retell
    stage: Stage | None = None
    stage_t: float = 0.0
    is_out: bool = False


@dataclass(slots=True)
class _Cast:
    started: PourStarted
    kick: Kicked | None = None
    load: str | None = None
    parts: dict[str, _Part] = field(default_factory=dict)


@dataclass(slots=True)
class DemoldWatcher:
    tune: Settings
    place: Place
    casts: dict[str, _Cast] = field(default_factory=dict)
    closed: dict[str, LoadClosed] = field(default_factory=dict)
    kpa: dict[str, tuple[float, float]] = field(default_factory=dict)
    room_c: float | None = None

    def see(self, event: Event) -> Sequence[Finding]:
        match event:
            case Reading(value=float() | int() as value) if isfinite(value):
                if event.role == "room_temperature":
                    self.room_c = value if -40.0 < value < 60.0 else self.room_c
                elif self.place.bench.pot(event.of) is not None:
                    self.kpa[event.of] = (event.t, value)
            case Tick():
                return self._tick(event.t)
            case Mark(verb="demolded", mold=str() as mold):
                self._out(event, mold.lower())
            case Finding():
                self._finding(event)
        return ()

    # ------------------------------------------------------------------------------------------------ what is known

    def _finding(self, event: Finding) -> None:
        pour, pot = event.subject.pour or "", event.subject.pot
        match event:
            case PourStarted():
                self._pour(event, pour)
            case PourEnded():
                self.casts.pop(pour, None)
            case Kicked() if pour in self.casts:
                self.casts[pour].kick = event
            case LoadClosed() if pot is not None:
                self.closed[pot] = event
            case LoadOpened() | PotVented() if pot is not None:
                self.closed.pop(pot, None)

    def _pour(self, started: PourStarted, pour: str) -> None:
        cast = self.casts.setdefault(pour, _Cast(started))
        cast.started = started
        rule = RetellRule(least_gap_s=self.tune.least_gap_s, least_move_s=self.tune.least_move_s)
        for name in started.molds:
            mold = self.place.bench.mold(name.lower())
            if mold is not None:
                cast.parts.setdefault(mold.id, _Part(mold, Retell(rule)))
        named = [name.lower() for name in started.molds]
        cast.parts = {id: part for id, part in cast.parts.items() if id in named}
        for oldest in list(self.casts)[: len(self.casts) - MOST_POURS]:
            del self.casts[oldest]

    def _out(self, mark: Mark, mold: str) -> None:
        """A part is out: of the pour the mark names, else of the oldest that still holds it."""
        for pour, cast in self.casts.items():
            part = cast.parts.get(mold)
            if part is not None and not part.is_out and mark.pour in (None, pour):
                part.is_out = True
                return

    def _may_be_up(self, t: float, pour: str, cast: _Cast) -> bool:
        """May this pour's pot still hold pressure?  Blind is never zero."""
        pot = cast.started.subject.pot
        load = next((x for x in self.closed.values() if pour in x.pours or x.subject.pot == pot), None)
        if load is not None:
            return True
        if pot is None:
            return any(self._reads_up(t, p.id) for p in self.place.bench.pots)
        return self._reads_up(t, pot)

    def _reads_up(self, t: float, pot: str) -> bool:
        has_gauge = any(c.role == "pot_pressure" and c.of == pot for c in self.place.bench.channels)
        if not has_gauge:
            return False
        seen = self.kpa.get(pot)
        return seen is None or t - seen[0] > self.tune.stale_s or seen[1] > self.tune.near_zero_kpa

    # ------------------------------------------------------------------------------------------------------ the times

    def _tick(self, t: float) -> list[Finding]:
        found: list[Finding] = []
        for pour, cast in self.casts.items():
            is_up = None
            for part in cast.parts.values():
                if part.is_out:
                    continue
                times = self._times(cast, part.mold)
                if times is None:
                    continue
                found += self._forecast(t, cast, part, times[0], times[1])
                is_up = self._may_be_up(t, pour, cast) if is_up is None else is_up
                found += [] if is_up else self._ready(t, cast, part, *times)
        return found

    def _times(self, cast: _Cast, mold: Mold) -> tuple[Times | None, Times, Literal["thin", "thick"]] | None:
        """(green window, hard window, which limit) of a part [unix s]; None if its resin is unknown."""
        tune, started = self.tune, cast.started
        label = self.place.bench.label_for(started.lot)
        if label is None:
            return None
        room_c = self.room_c if self.room_c is not None else LABEL_TEMP_C
        mold_c = started.mold_c if started.mold_c is not None else room_c
        factor = 1.0
        if cast.kick is not None:
            factor = (cast.kick.at - started.mix_t) / (label.pot_life_s * label_time_factor(room_c))
            factor = min(max(factor, tune.least_lot_factor), tune.most_lot_factor)
        likely_s, limit = hard_s(label.demold_s * factor, mold.thin_mm, mold.thick_mm, mold_c)
        hard = self._window(started.mix_t, likely_s)
        green = self._window(started.mix_t, tune.green_share * likely_s) if mold.pull == "green" else None
        return green, hard, limit

    def _window(self, mix_t: float, likely_s: float) -> Times:
        tune = self.tune
        return mix_t + tune.early_factor * likely_s, mix_t + likely_s, mix_t + tune.late_factor * likely_s

    def _forecast(self, t: float, cast: _Cast, part: _Part, green: Times | None, hard: Times) -> list[Finding]:
        if not part.told.is_due(t, hard[1], hard[0]):
            return []
        subject, mold = cast.started.subject.filled(mold=part.mold.id), part.mold.id
        return [DemoldForecast(t=t, subject=subject, mold=mold, green_at=green, hard_at=hard, basis="label")]

    def _ready(
        self, t: float, cast: _Cast, part: _Part, green: Times | None, hard: Times, limit: Literal["thin", "thick"]
    ) -> list[Finding]:
        stage = self._stage(t, cast, part, green, hard)
        if stage is None:
            return []
        part.stage, part.stage_t = stage, t
        subject = cast.started.subject.filled(mold=part.mold.id)
        return [DemoldReady(t=t, subject=subject, mold=part.mold.id, stage=stage, limit=limit)]

    def _stage(self, t: float, cast: _Cast, part: _Part, green: Times | None, hard: Times) -> Stage | None:
        """What is newly due.  A green part that was held back past its hard time is called hard at once."""
        if green is None:
            return "hard" if part.stage is None and t >= hard[2] else None
        if part.stage is None:
            return None if t < green[2] else "green" if t < hard[2] else "hard"
        if part.stage != "green":
            return None
        lasts_s = self.tune.going_hard_share * (part.stage_t - cast.started.mix_t)
        return "going-hard" if t >= max(hard[1], part.stage_t + lasts_s) else None


def make(settings: Settings, place: Place) -> DemoldWatcher:
    """The bench's one watcher of parts that come due."""
    return DemoldWatcher(settings, place)
