"""Watches how long a pot must hold its pressure, and when it has.

Until every mold of the load is past gel with margin: the late edge of its gel as the demold watcher forecasts it, or,
without a forecast, a rule for its thinnest section (physics/section_rule).  And until the resin's least hold has run
from the kick, or from pressure if that came later.  Time spent below the floor does not count towards the least hold.
Complete is only said while the pot is at its floor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Bench, Resin
from benchd.core.findings import (
    DemoldForecast,
    Event,
    Finding,
    HoldComplete,
    HoldForecast,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    PotAtPressure,
    PotBelowFloor,
    PourEnded,
    PourRevised,
    PourStarted,
)
from benchd.core.model import Reading, Tick
from benchd.core.seat.retell import Retell, RetellRule
from benchd.core.seat.watcher import Place, Reads
from benchd.physics.cup_heat import LABEL_TEMP_C, label_time_factor
from benchd.physics.section_rule import gel_s
from benchd.stored import stored
from benchd.watchers.hold.lows import Lows

SCOPE = "pot"
ORDER = 35
READS = Reads(
    roles=("pot_pressure", "room_temperature"),
    findings=(
        PourStarted, PourRevised, PourEnded, LoadClosed, LoadOpened, KickForecast, Kicked, PotAtPressure, PotBelowFloor,
        DemoldForecast,
    ),
    ticks=True,
)  # fmt: skip
EMITS = (HoldForecast, HoldComplete)

MOST_POURS = 8  # a pot holds two or three cups' worth; older ones are forgotten
Basis = Literal["label", "curve", "learned"]


@stored("hold-settings")
class Settings(BaseModel):
    """CP: common practice, no source; model: a simulation study."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    gel_margin_share: float = 0.25  # by the rule alone; model: section times 28 % off in the median; CP: "with margin"
    unknown_thin_mm: float = 3.0  # CP: sections up to 3 mm count as thin
    least_lot_factor: float = 0.4  # CP: fresh lots beat the label, but not by more
    most_lot_factor: float = 3.0  # CP: three pot lives without a kick are no cure
    unseen_kick_factor: float = 1.5  # model: the late edge of the label alone
    least_move_s: float = 15.0  # CP: a quarter of a minute is what a waiting caster notices
    least_gap_s: float = 10.0  # CP: as a forecast of minutes needs


@stored("hold-cast")
@dataclass(slots=True)
class _Cast:
    """One pour as the hold sees it: when it kicks or did [unix s], and the basis of that time."""

    started: PourStarted
    kick_at: float | None = None
    kick_late: float | None = None
    has_kicked: bool = False
    basis: Basis = "label"
    gels: dict[str, tuple[float, Basis]] = field(default_factory=dict)
    """Mold -> late edge of its gel [unix s] and the basis of that time."""

    def learn(self, found: KickForecast | Kicked) -> None:
        if self.has_kicked and isinstance(found, KickForecast):
            return
        self.kick_at, self.kick_late = found.at, max(found.at, found.late)
        self.has_kicked = isinstance(found, Kicked)
        self.basis = "label" if found.basis == "label" else "curve"


@stored("hold-watcher")
@dataclass(slots=True)
class HoldWatcher:
    """The watcher of one pot's hold."""

    tune: Settings
    place: Place
    told: Retell
    casts: dict[str, _Cast] = field(default_factory=dict)
    load: LoadClosed | None = None
    at_pressure_t: float | None = None
    is_below: bool = False
    below_s: float = 0.0
    room_c: float | None = None
    is_complete: bool = False
    lows: Lows = field(default_factory=Lows)

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(value=float() | int() as value) if isfinite(value):
                self._reading(event, value)
            case Tick():
                return self._tick(event.t)
            case Finding() if event.subject.pot in (None, self.place.subject.pot):
                self._finding(event)
        return ()

    # ------------------------------------------------------------------------------------------------ what is known

    def _reading(self, reading: Reading, value: float) -> None:
        if reading.role == "room_temperature":
            self.room_c = value if -40.0 < value < 60.0 else self.room_c
        elif reading.of == self.place.subject.pot and self.load is not None:
            self.lows.add(reading.t, value)

    def _finding(self, event: Finding) -> None:
        pour = event.subject.pour or ""
        match event:
            case PourStarted():
                self._pour(event, pour)
            case PourEnded():
                self.casts.pop(pour, None)
            case KickForecast() | Kicked() if pour in self.casts:
                self._join(event, pour)
                self.casts[pour].learn(event)
            case DemoldForecast(gel_at=(_, _, late)) if pour in self.casts:
                self.casts[pour].gels[event.mold] = (late, event.basis)
            case LoadClosed():
                self._forget()
                self.load = event
            case LoadOpened():
                self._forget()
            case PotAtPressure():
                self.at_pressure_t = event.since if self.at_pressure_t is None else self.at_pressure_t
            case PotBelowFloor():
                self.is_below = event.active

    def _pour(self, started: PourStarted, pour: str) -> None:
        if pour in self.casts:
            self.casts[pour].started = started
        elif started.subject.pot is not None or len(self.place.bench.pots) == 1:
            self.casts[pour] = _Cast(started)
            for oldest in list(self.casts)[: len(self.casts) - MOST_POURS]:
                del self.casts[oldest]
        self._join(started, pour)

    def _join(self, finding: Finding, pour: str) -> None:
        """Add a pour marked after its pot had begun to fill, which names its load itself."""
        load = self.load
        if load is None or finding.subject.load is None or finding.subject.load != load.subject.load:
            return
        if pour not in load.pours:
            pours = (*load.pours, pour)
            self.load = LoadClosed(t=load.t, subject=load.subject, pours=pours, number=load.number)

    def _forget(self) -> None:
        self.load, self.told, self.at_pressure_t = None, Retell(self.told.rule), None
        self.lows.clear()
        self.is_below, self.below_s, self.is_complete = False, 0.0, False

    # ------------------------------------------------------------------------------------------------------- the sum

    def _tick(self, t: float) -> list[Finding]:
        if self.load is None or self.is_complete:
            return []
        if self.is_below and self.at_pressure_t is not None:
            self.below_s += 1.0
        ends = [end for pour in self.load.pours if (end := self._end(t, pour)) is not None]
        if not ends:
            return []
        at, basis = max(ends)
        if self.at_pressure_t is not None and t >= at and not self.is_below:
            self.is_complete = True
            since, least = self.at_pressure_t, self._least_kpa(t)
            return [HoldComplete(t=t, subject=self.place.subject, since=since, min_kpa=least)]
        return self._forecast(t, max(at, t), basis)

    def _forecast(self, t: float, at: float, basis: Basis) -> list[Finding]:
        if not self.told.is_due(t, at, at):
            return []
        return [HoldForecast(t=t, subject=self.place.subject, at=at, basis=basis)]

    def _end(self, t: float, pour: str) -> tuple[float, Basis] | None:
        """When this pour no longer needs the pot [unix s], and the basis; None if its resin is unknown."""
        cast = self.casts.get(pour)
        label = self.place.bench.label_for(cast.started.lot) if cast else None
        if cast is None or label is None:
            return None
        room_c = self.room_c if self.room_c is not None else LABEL_TEMP_C
        mix_t, in_room_s = cast.started.mix_t, label.pot_life_s * label_time_factor(room_c)
        kick_at = cast.kick_at if cast.kick_at is not None else mix_t + in_room_s
        kick_late = cast.kick_late if cast.kick_late is not None else mix_t + self.tune.unseen_kick_factor * in_room_s
        factor = (kick_at - mix_t) / in_room_s
        factor = min(max(factor, self.tune.least_lot_factor), self.tune.most_lot_factor)
        gel_t, basis = self._gelled_at(cast, label.pot_life_s * factor, room_c)
        held_t = max(kick_late, self._held_at(t, kick_at, label))
        return (gel_t, basis) if gel_t > held_t else (held_t, cast.basis)

    def _gelled_at(self, cast: _Cast, pot_life_s: float, room_c: float) -> tuple[float, Basis]:
        """When the pour's last mold is past gel with margin [unix s]; pot_life_s: this lot's, from its kick."""
        started = cast.started
        told = [cast.gels[m.lower()] for m in started.molds if m.lower() in cast.gels]
        if told and len(told) == len(started.molds):
            return max(told)
        untold = tuple(m for m in started.molds if m.lower() not in cast.gels)
        mold_c = started.mold_c if started.mold_c is not None else room_c
        thin_mm = thinnest_mm(self.place.bench, untold, self.tune.unknown_thin_mm)
        thin_s = gel_s(pot_life_s, thin_mm, mold_c) * (1.0 + self.tune.gel_margin_share)
        return max([*told, (started.mix_t + thin_s, cast.basis)])

    def _held_at(self, t: float, kick_at: float, label: Resin) -> float:
        """When the resin's least hold has run, not counting the time below the floor."""
        up_t = self.at_pressure_t if self.at_pressure_t is not None else t
        return max(kick_at, up_t) + label.least_hold_s + self.below_s

    def _least_kpa(self, t: float) -> float | None:
        """The lowest pressure since the first kick (5 s medians) [kPa]; None without gauge readings."""
        load = self.load
        casts = [self.casts[p] for p in load.pours if p in self.casts] if load else []
        kicks = [c.kick_at for c in casts if c.has_kicked and c.kick_at is not None]
        since = min(kicks) if kicks else self.at_pressure_t or t
        return self.lows.least_kpa(max(since, self.at_pressure_t or since))


def thinnest_mm(bench: Bench, molds: Sequence[str], unknown_mm: float) -> float:
    """The thinnest section of these molds [mm]; with no mold known, the shelf's thinnest, at most unknown_mm."""
    known = [m.thin_mm for m in bench.molds if m.id in molds]
    if known:
        return min(known)
    return min([unknown_mm, *(m.thin_mm for m in bench.molds)])


def make(settings: Settings, place: Place) -> HoldWatcher:
    """The watcher of one pot's hold."""
    rule = RetellRule(least_gap_s=settings.least_gap_s, least_move_s=settings.least_move_s)
    return HoldWatcher(settings, place, Retell(rule))
