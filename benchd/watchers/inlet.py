"""Watches whether a pot's inlet is shut, and if not, whether its regulator creeps.

The `shut` mark says it best.  Without one, a settled pressure that now falls steadily by more than any regulator's
droop is no longer fed: the inlet is shut (or the supply lost); a fed pot that shows nothing is never called isolated.
One that soon rises again by itself was fed by a regulator that hunts: the next fall has to be larger to count.
Creep is a fed pot's slow climb past its target: three one-minute means, each higher than the last.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Pot
from benchd.core.findings import (
    Event,
    Finding,
    GaugeDropped,
    PotAtPressure,
    PotCreeping,
    PotFilling,
    PotIsolated,
    PotLettingGo,
    PotVented,
    PotVenting,
)
from benchd.core.model import Mark, Reading
from benchd.core.seat.pressure_trace import PressureTrace, SlowTrace
from benchd.core.seat.watcher import Place, Reads
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.stored import stored

SCOPE = "pot"
ORDER = 15
READS = Reads(
    roles=("pot_pressure",),
    findings=(PotFilling, PotAtPressure, PotVenting, PotVented, PotLettingGo, GaugeDropped),
    marks=("shut", "topup", "dumped"),
)
EMITS = (PotIsolated, PotCreeping)


@stored("inlet-settings")
class Settings(BaseModel):
    """Thresholds.  CP: common practice, no source; calc: computed from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    up_kpa: float = 3.0 * PSI  # CP: a `shut` mark at an empty pot says nothing
    seen_fall_kpa: float = 1.5 * PSI  # CP: more than a regulator's own droop and deadband
    hunts_s: float = 120.0  # CP: a rise so soon after such a fall is the regulator's
    hunts_factor: float = 2.0  # CP: how much more each time, twice at most
    seen_s: float = 15.0  # CP: a steady fall, not a step of the compressor
    settle_s: float = 90.0  # calc: 3x a pot's cooling time of 30 s; creep waits for it
    creep_kpa_min: float = 0.1 * PSI  # CP: 0.2 psi/min is a creeping regulator; half of it over three minutes shows
    creep_over_kpa: float = 0.3 * PSI  # CP: creep passes the target; an exotherm's bump below it does not matter
    creep_minutes: int = 3  # CP: the bump of an exotherm rises for one or two


@stored("inlet-watcher")
@dataclass(slots=True)
class InletWatcher:
    """The watcher of one pot's inlet."""

    place: Place
    pot: Pot
    tune: Settings
    trace: PressureTrace = field(default_factory=PressureTrace)
    slow: SlowTrace = field(default_factory=SlowTrace)
    at_pressure: bool = False
    falling: bool = False
    isolated: bool = False
    creeping: bool = False
    rise_t: float = -math.inf
    level_kpa: float = -math.inf
    level_t: float = 0.0
    seen_t: float | None = None
    hunted: int = 0

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(role="pot_pressure", value=float(kpa)) if math.isfinite(kpa):
                return self._reading(event.t, kpa)
            case Mark() if event.pot in (None, self.pot.id):
                return self._mark(event)
            case PotVenting() | PotLettingGo() | GaugeDropped():
                self.falling = event.active
                self._restart()
            case PotFilling():
                self._rises(event.t)
            case PotAtPressure():
                self.at_pressure = True
            case PotVented():
                self.at_pressure = self.falling = self.isolated = False
                self.seen_t, self.hunted = None, 0
                return self._creep(event.t, False, event.kpa, 0.0)
        return ()

    def _rises(self, t: float) -> None:
        if self.seen_t is not None and t - self.seen_t < self.tune.hunts_s:
            self.hunted = min(self.hunted + 1, 2)
        self.seen_t, self.rise_t, self.isolated = None, t, False
        self._restart()

    def _restart(self) -> None:
        self.slow.clear()
        self.level_kpa = -math.inf

    def _mark(self, mark: Mark) -> list[Finding]:
        up = self.trace.kpa is not None and self.trace.kpa >= self.tune.up_kpa
        self.seen_t = None
        if mark.verb == "shut" and up:
            self.isolated = True
            since = PotIsolated(t=mark.t, subject=self.place.subject, since=mark.t, by="mark")
            return [*self._creep(mark.t, False, self.trace.kpa or 0.0, 0.0), since]
        if mark.verb != "shut":
            self.isolated = False
            self._restart()
        return []

    def _reading(self, t: float, kpa: float) -> list[Finding]:
        if self.trace.add(t, kpa):
            self._restart()
        if self.trace.kpa is None or not self.at_pressure or self.falling or not self.slow.add(t, self.trace.kpa):
            return []
        bins = list(self.slow.bins)
        return self._departed(t, bins) + self._climb(t, bins)

    def _departed(self, t: float, bins: list[tuple[float, float]]) -> list[Finding]:
        mid_t, kpa = bins[-1]
        if kpa >= self.level_kpa - 0.2 * PSI:  # within the noise of its highest value it has not begun to fall
            self.level_kpa, self.level_t = max(kpa, self.level_kpa), mid_t
        falls = len(bins) >= 3 and bins[-3][1] > bins[-2][1] > kpa
        seen_kpa = self.tune.seen_fall_kpa * self.tune.hunts_factor**self.hunted
        far = self.level_kpa - kpa >= seen_kpa and mid_t - self.level_t >= self.tune.seen_s
        if self.isolated or not falls or not far:
            return []
        self.isolated, self.seen_t = True, t
        return [PotIsolated(t=t, subject=self.place.subject, since=self.level_t, by="seen")]

    def _climb(self, t: float, bins: list[tuple[float, float]]) -> list[Finding]:
        kpa, size = bins[-1][1], round(60.0 / self.slow.bin_s)
        minutes = [
            bins[max(0, k) : k + size] for k in range(len(bins) - self.tune.creep_minutes * size, len(bins), size)
        ]
        means = [sum(p for _, p in part) / size for part in minutes if len(part) == size]
        if len(means) < self.tune.creep_minutes or self.isolated or t - self.rise_t < self.tune.settle_s:
            return self._creep(t, False, kpa, 0.0)
        pace = (means[-1] - means[0]) / (len(means) - 1)
        need = self.tune.creep_kpa_min * (0.5 if self.creeping else 1.0)
        in_step = all(b - a >= 0.5 * need for a, b in itertools.pairwise(means))
        past = kpa >= self.pot.target_kpa + self.tune.creep_over_kpa
        return self._creep(t, pace >= need and in_step and past, kpa, pace)

    def _creep(self, t: float, on: bool, kpa: float, pace_kpa_min: float) -> list[Finding]:
        if on == self.creeping:
            return []
        self.creeping = on
        limit_kpa, subject = self.pot.limit_kpa, self.place.subject
        return [PotCreeping(t=t, subject=subject, kpa=kpa, limit_kpa=limit_kpa, kpa_per_min=pace_kpa_min, active=on)]


def make(settings: Settings, place: Place) -> InletWatcher:
    """The watcher of one pot's inlet.  Raises ValueError when the place is not a pot."""
    if place.pot is None:
        raise ValueError("the inlet watcher needs a pot")
    return InletWatcher(place=place, pot=place.pot, tune=settings)
