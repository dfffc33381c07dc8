"""Watches whether a vented pot's gauge still reads zero.

A gauge drifts by tenths of a psi over months, and every floor and limit with it.  An open pot shows that by a reading
that is steady and off zero.  A shut bleed with a little pressure left looks the same, so benchd corrects no zero by
itself: it reports the drift, and `benchd calibrate` sets the zero once the caster has opened the bleed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Pot
from benchd.core.findings import Event, Finding, GaugeDropped, PotAtPressure, PotFilling, PotVented, ZeroDrifted
from benchd.core.model import Reading
from benchd.core.seat.pressure_trace import PressureTrace, SlowTrace
from benchd.core.seat.watcher import Place, Reads
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.stored import stored

SCOPE = "pot"
ORDER = 16
READS = Reads(roles=("pot_pressure",), findings=(PotFilling, PotAtPressure, PotVented, GaugeDropped))
EMITS = (ZeroDrifted,)


@stored("zero-settings")
class Settings(BaseModel):
    """Thresholds; CP: common practice, no source."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    off_kpa: float = 0.5 * PSI  # CP: half a percent of a 100 psi transducer, a usual class
    most_kpa: float = 3.0 * PSI  # CP: more is pressure, not drift
    steady_kpa: float = 0.2 * PSI  # CP: four times the gauge's noise; a pot that breathes out falls by more
    for_s: float = 180.0  # CP: the gas of a vented pot has warmed up again by then


@stored("zero-watcher")
@dataclass(slots=True)
class ZeroWatcher:
    """The watcher of one pot's gauge while the pot should be empty."""

    place: Place
    pot: Pot
    tune: Settings
    trace: PressureTrace = field(default_factory=PressureTrace)
    slow: SlowTrace = field(default_factory=lambda: SlowTrace(most=36))
    pressed: bool = False
    told: bool = False

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(role="pot_pressure", value=float(kpa)) if math.isfinite(kpa):
                return self._reading(event.t, kpa)
            case PotFilling() | PotAtPressure():
                self.pressed = True
                self.slow.clear()
                return self._tell(event.t, False, event.kpa, 0.0)
            case GaugeDropped():
                self.slow.clear()
            case PotVented():
                self.pressed = False
                self.slow.clear()
        return ()

    def _reading(self, t: float, kpa: float) -> list[Finding]:
        if self.trace.add(t, kpa):
            self.slow.clear()
        if self.trace.kpa is None or self.pressed or not self.slow.add(t, self.trace.kpa):
            return []
        if not self.slow.bins or t - self.slow.bins[0][0] < self.tune.for_s - 10.0:
            return []
        means = [mean for _, mean in self.slow.bins]
        middle = median(means)
        if max(means) - min(means) > self.tune.steady_kpa:
            return []  # it moves: no conclusion
        off = self.tune.off_kpa * (0.6 if self.told else 1.0)
        return self._tell(t, off <= abs(middle) <= self.tune.most_kpa, middle, t - self.slow.bins[0][0])

    def _tell(self, t: float, on: bool, kpa: float, for_s: float) -> list[Finding]:
        if on == self.told:
            return []
        self.told = on
        return [ZeroDrifted(t=t, subject=self.place.subject, kpa=kpa, for_s=for_s, active=on)]


def make(settings: Settings, place: Place) -> ZeroWatcher:
    """The watcher of one pot's zero.  Raises ValueError when the place is not a pot."""
    if place.pot is None:
        raise ValueError("the zero watcher needs a pot")
    return ZeroWatcher(place=place, pot=place.pot, tune=settings)
