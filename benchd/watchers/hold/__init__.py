"""Watches how long a pot must hold its pressure, and when it has.

Until every mold of the load is past gel: the late edge of its gel as the demold watcher forecasts it, which is its
doubt, or, without a forecast, a rule for its thinnest section (physics/section_rule) and a margin.  And until the late
edge of the kick.  What the label asks for, its least hold from the kick, or from pressure if that came later, not
counting time below the floor, is published beside it and binds only where nothing is known of the molds.  Molds gel
below the floor, too: what nothing needs any more is over there as well, and its least pressure is told with it.

Pressure that falls to half of the floor, or a pot that is opened, before a mold is likely to have gelled: the hold is
lost for that mold.  It is published once for a load, with the molds concerned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Literal

from benchd.core.bench import Bench, Resin
from benchd.core.findings import (
    DemoldForecast,
    Event,
    Finding,
    GaugeDropped,
    HoldComplete,
    HoldForecast,
    HoldLost,
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
from benchd.watchers.hold.tune import Settings

SCOPE = "pot"
ORDER = 35
READS = Reads(
    roles=("pot_pressure", "room_temperature"),
    findings=(
        PourStarted, PourRevised, PourEnded, LoadClosed, LoadOpened, KickForecast, Kicked, PotAtPressure, PotBelowFloor,
        DemoldForecast, GaugeDropped,
    ),
    ticks=True,
)  # fmt: skip
EMITS = (HoldForecast, HoldComplete, HoldLost)

MOST_POURS = 8  # a pot holds two or three cups' worth; older ones are forgotten
Basis = Literal["label", "curve", "learned", "shop"]


@stored("hold-cast")
@dataclass(slots=True)
class _Cast:
    """One pour as the hold sees it: when it kicks or did [unix s], and the basis of that time."""

    started: PourStarted
    kick_at: float | None = None
    kick_late: float | None = None
    has_kicked: bool = False
    basis: Basis = "label"
    gels: dict[str, tuple[float, float, Basis]] = field(default_factory=dict)
    """Mold -> late edge and likely time of its gel [unix s] and their basis."""

    def learn(self, found: KickForecast | Kicked) -> None:
        if self.has_kicked and isinstance(found, KickForecast):
            return
        self.kick_at, self.kick_late = found.at, max(found.at, found.late)
        self.has_kicked = isinstance(found, Kicked)
        self.basis = found.basis if found.basis in ("label", "shop") else "curve"


@dataclass(frozen=True, slots=True)
class _End:
    """When one pour no longer needs the pot, its last gel's likely time, and what its label asks for [unix s]."""

    at: float
    gel_at: float
    label_at: float
    basis: Basis


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
    low_since: float | None = None
    low_kpa: float = 0.0
    is_lost: bool = False
    is_blind: bool = False

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(value=float() | int() as value) if isfinite(value):
                self._reading(event, value)
            case Tick():
                return self._tick(event.t)
            case LoadOpened() if event.subject.pot == self.place.subject.pot:
                lost = self._lost(event.t, 0.0) if self.at_pressure_t is not None else []
                self._forget()
                return lost
            case Finding() if event.subject.pot in (None, self.place.subject.pot):
                self._finding(event)
        return ()

    # ------------------------------------------------------------------------------------------------ what is known

    def _reading(self, reading: Reading, value: float) -> None:
        if reading.role == "room_temperature":
            self.room_c = value if -40.0 < value < 60.0 else self.room_c
        elif reading.of == self.place.subject.pot and self.load is not None:
            self.lows.add(reading.t, value)
            low = value < self.tune.lost_share * self._floor_kpa and not self.is_blind
            self.low_since = (reading.t if self.low_since is None else self.low_since) if low else None
            self.low_kpa = value

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
            case DemoldForecast(gel_at=(_, likely, late)) if pour in self.casts:
                self.casts[pour].gels[event.mold] = (late, likely, event.basis)
            case LoadClosed():
                self._forget()
                self.load = event
            case GaugeDropped():
                self.is_blind, self.low_since = event.active, None
            case PotAtPressure():
                self.at_pressure_t = event.since if self.at_pressure_t is None else self.at_pressure_t
            case PotBelowFloor():
                self.is_below = event.active

    @property
    def _floor_kpa(self) -> float:
        pot = self.place.pot
        return pot.floor_kpa if pot is not None else 0.0

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
        self.is_lost, self.low_since = False, None

    # ------------------------------------------------------------------------------------------------------- the sum

    def _tick(self, t: float) -> list[Finding]:
        if self.load is None or self.is_complete:
            return []
        if self.is_below and self.at_pressure_t is not None:
            self.below_s += 1.0
        low = self.at_pressure_t is not None and self.low_since is not None
        lost = self._lost(t, self.low_kpa) if low and t - (self.low_since or t) >= self.tune.lost_s else []
        ends = [end for pour in self.load.pours if (end := self._end(t, pour)) is not None]
        if not ends:
            return lost
        last = max(ends, key=lambda end: end.at)
        if self.at_pressure_t is not None and t >= last.at:
            self.is_complete = True
            since, least = self.at_pressure_t, self._least_kpa(t)
            return [*lost, HoldComplete(t=t, subject=self.place.subject, since=since, min_kpa=least)]
        return lost + self._forecast(t, ends)

    def _forecast(self, t: float, ends: Sequence[_End]) -> list[Finding]:
        last, label_at = max(ends, key=lambda end: end.at), max(end.label_at for end in ends)
        at, gel_at = max(last.at, t), max(end.gel_at for end in ends)
        if not self.told.is_due(t, at, label_at):
            return []
        subject = self.place.subject
        return [HoldForecast(t=t, subject=subject, at=at, basis=last.basis, gel_at=gel_at, label_at=label_at)]

    def _lost(self, t: float, kpa: float) -> list[Finding]:
        """The molds of this load that had not gelled when the pressure went; once."""
        load = self.load
        if load is None or self.is_lost or self.is_complete or self.is_blind:
            return []
        gels = [g for p in load.pours if p in self.casts for g in self._gels(self.casts[p]).items()]
        molds = tuple(mold for mold, (_, likely, _) in gels if likely > t)
        if not molds:
            return []
        self.is_lost = True
        return [HoldLost(t=t, subject=self.place.subject, molds=molds, kpa=kpa)]

    def _end(self, t: float, pour: str) -> _End | None:
        """When this pour no longer needs the pot; None if its resin is unknown."""
        cast = self.casts.get(pour)
        label = self.place.bench.label_for(cast.started.lot) if cast else None
        if cast is None or label is None:
            return None
        kick_at, kick_late = self._kick(cast, label)
        gels = list(self._gels(cast).values()) or [self._gel_by_rule(cast, label, ())]
        gel_t, _, basis = max(gels)
        label_at = self._held_at(t, kick_at, label)
        ends = [(gel_t, basis), (kick_late, cast.basis)]
        ends += [] if cast.started.molds else [(label_at, cast.basis)]
        at, basis = max(ends)
        return _End(at, max(likely for _, likely, _ in gels), label_at, basis)

    def _kick(self, cast: _Cast, label: Resin) -> tuple[float, float]:
        """(likely, late) time of the kick [unix s], found, forecast or by the label."""
        mix_t, in_room_s = cast.started.mix_t, self._in_room_s(label)
        at = cast.kick_at if cast.kick_at is not None else mix_t + in_room_s
        return at, cast.kick_late if cast.kick_late is not None else mix_t + self.tune.unseen_kick_factor * in_room_s

    def _in_room_s(self, label: Resin) -> float:
        return label.pot_life_s * label_time_factor(self.room_c if self.room_c is not None else LABEL_TEMP_C)

    def _gels(self, cast: _Cast) -> dict[str, tuple[float, float, Basis]]:
        """Mold -> (late, likely) time of its gel [unix s] and the basis; forecast, else by the rule for its section."""
        label = self.place.bench.label_for(cast.started.lot)
        if label is None:
            return {}
        molds = [m.lower() for m in cast.started.molds]
        return {m: cast.gels[m] if m in cast.gels else self._gel_by_rule(cast, label, (m,)) for m in molds}

    def _gel_by_rule(self, cast: _Cast, label: Resin, molds: Sequence[str]) -> tuple[float, float, Basis]:
        started = cast.started
        factor = (self._kick(cast, label)[0] - started.mix_t) / self._in_room_s(label)
        pot_life_s = label.pot_life_s * min(max(factor, self.tune.least_lot_factor), self.tune.most_lot_factor)
        room_c = self.room_c if self.room_c is not None else LABEL_TEMP_C
        mold_c = started.mold_c if started.mold_c is not None else room_c
        thin_s = gel_s(pot_life_s, thinnest_mm(self.place.bench, molds, self.tune.unknown_thin_mm), mold_c)
        return started.mix_t + thin_s * (1.0 + self.tune.gel_margin_share), started.mix_t + thin_s, cast.basis

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
