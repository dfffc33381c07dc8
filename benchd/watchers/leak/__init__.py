"""Watches a shut pot for a leak: whether it loses air, how fast, and whether that matters for its load.

The calculations are in physics: pot_observer.py follows the gas from the first filling sample, leak_bank.py separates
the leak from other effects, leak_verdict.py decides what may be said about it, floor_ahead.py whether the floor is
reached too early.  What is published, and when, is in watchers/leak/judge.py and its four parts: isolated.py, floor.py,
told.py, fed.py.  This file holds the thresholds, and passes on the pot's gauge, gas probe and marks.

A pot is never called tight while its inlet is not known to be shut: a fed pot looks tight however much it leaks.  There
only the regulator's saw-tooth shows the leak (physics/saw_tooth.py); while nothing falls the verdict is "no leak seen",
with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.core.bench import Pot
from benchd.core.findings import (
    Event,
    Finding,
    GaugeDropped,
    HoldComplete,
    HoldForecast,
    Kicked,
    KickForecast,
    LoadOpened,
    PotAtPressure,
    PotBelowFloor,
    PotFed,
    PotFilling,
    PotFloorAhead,
    PotHold,
    PotIsolated,
    PotLeaking,
    PotLettingGo,
    PotVented,
    PotVenting,
)
from benchd.core.model import Mark, Reading
from benchd.core.seat.watcher import Place, Reads
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.leak_learning import prior_of
from benchd.physics.pot_observer import BRIDGED_S, PotObserver
from benchd.stored import stored
from benchd.watchers.leak.fed import FedPot
from benchd.watchers.leak.floor import FloorWatch
from benchd.watchers.leak.isolated import ShutPot
from benchd.watchers.leak.judge import LeakJudge
from benchd.watchers.leak.told import LeakTold
from benchd.watchers.leak.tune import Settings

SCOPE = "pot"
ORDER = 40
READS = Reads(
    roles=("pot_pressure", "pot_gas_temperature", "room_temperature"),
    findings=(
        PotIsolated, PotFilling, PotAtPressure, PotVenting, PotVented, PotLettingGo, GaugeDropped, Kicked, KickForecast,
        HoldForecast, HoldComplete, LoadOpened, PotBelowFloor,
    ),
    marks=("topup", "dumped"), learned=True,
)  # fmt: skip
EMITS = (PotHold, PotLeaking, PotFloorAhead, PotFed)

TAKEN_S = 0.9  # samples of a faster gauge add only work
GAS_AGE_S = 5.0  # CP: an older gas temperature is not used


@stored("leak-watcher")
@dataclass(slots=True)
class LeakWatcher:
    """The watcher of one pot: passes its gauge, gas probe and marks to its judge."""

    place: Place
    pot: Pot
    judge: LeakJudge
    gas: tuple[float, float] | None = None
    last_t: float | None = None

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(value=float(value)) if math.isfinite(value):
                return self._reading(event, value)
            case Mark() if event.pot in (None, self.pot.id):
                return self.judge.refed(event.t)
            case PotFilling():
                return self.judge.filling(event.t, event.kpa)
            case PotIsolated():
                self.judge.isolated(event.since, event.t, marked=event.by == "mark")
            case PotVenting() | PotLettingGo() | GaugeDropped():
                return self.judge.disturbed(event.t, on=event.active)
            case PotVented() | LoadOpened():
                return self.judge.over(event.t)
            case Finding():
                self._note(event)
        return ()

    def _note(self, event: Finding) -> None:
        match event:
            case PotAtPressure():
                self.judge.shut.up(event.since)
            case Kicked(at=at) | KickForecast(at=at):
                self.judge.shut.observer.kick_t = at
            case HoldForecast(at=at):
                self.judge.hold_at = at
            case HoldComplete():
                self.judge.hold_done = True
            case PotBelowFloor(active=active):
                self.judge.below = active

    # -------------------------------------------------------------------------------------------------------- readings

    def _reading(self, event: Reading, value: float) -> list[Finding]:
        match event.role:
            case "room_temperature":
                if self.gas is None:
                    self.judge.warm_c = value
                if self.judge.shut.up_t is None and -40.0 < value < 60.0:
                    self.judge.shut.observer.room(value + 273.15)
            case "pot_gas_temperature":
                self.gas = (event.t, value)
                self.judge.warm_c = value
            case "pot_pressure":
                return self._pressure(event.t, value, event.t_doubt_s)
        return []

    def _pressure(self, t: float, kpa: float, doubt_s: float) -> list[Finding]:
        before, before_t, out = self.judge.trace.kpa, self.judge.trace.t, list[Finding]()
        if self.judge.trace.add(t, kpa, doubt_s) and before is not None and kpa > before + 0.5 * PSI:
            out += self.judge.refed(t)  # air was let in while nobody watched, and warmed the gas
            if t - before_t > BRIDGED_S:
                self.judge.shut.observer.unseen(t)
        now = self.judge.trace.kpa
        if now is None or not -5.0 < now < 5.0 * self.pot.marked_kpa:
            return out
        if self.last_t is None and now > 3.0 * PSI:
            self.judge.shut.observer.unseen(t)
        if self.last_t is not None and t - self.last_t < TAKEN_S:
            return out
        self.last_t = t
        full = self.judge.shut.observer.add(t, (now + self.place.bench.p_atm_kpa) * 1e3, self._gas_k(t))
        self.judge.slow.add(t, now)
        if self.judge.shut.up_t is None or self.judge.shut.paused:
            return out
        return out + self.judge.add(t, now, bin_is_full=full)

    def _gas_k(self, t: float) -> float | None:
        if self.gas is None or t - self.gas[0] > GAS_AGE_S or not -40.0 < self.gas[1] < 150.0:
            return None
        return self.gas[1] + 273.15


def make(settings: Settings, place: Place) -> LeakWatcher:
    """The watcher of one pot's leak.  Raises ValueError when the place is not a pot."""
    if place.pot is None:
        raise ValueError("the leak watcher needs a pot")
    known = place.bench.learned.pot(place.pot.id)
    observer = PotObserver(
        (place.pot.target_kpa + place.bench.p_atm_kpa) * 1e3, bare=prior_of(known.bare, "bare"),
        probed=prior_of(known.probed, "probed"),
    )  # fmt: skip
    judge = LeakJudge(
        place=place, pot=place.pot, tune=settings, shut=ShutPot(observer, settings), floor=FloorWatch(place, settings),
        told=LeakTold(place), fed=FedPot(place.subject),
    )  # fmt: skip
    return LeakWatcher(place, place.pot, judge)
