"""Watches a fed pot after its fill: once its pressure is steady the inlet should be shut, and it says so once a load.

Filling heats the air; while it cools the regulator has to make up for it, and a pot shut too soon settles below its
floor.  Only a pot that is shut shows a leak.  Steady: two half minutes whose means differ by less than a regulator's
ripple, and no sample of them further from the mean than that.  Not steady is one whose last seconds have left the mean,
as when a leak has just begun, or one below its floor.  A `shut` mark, or an inlet seen to be shut, ends it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict

from benchd.core.findings import Event, Finding, LoadOpened, PotAtPressure, PotIsolated, PotSteady, PotVenting
from benchd.core.model import Mark, Reading
from benchd.core.seat.watcher import Place, Reads
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.stored import stored

SCOPE = "pot"
ORDER = 16
READS = Reads(
    roles=("pot_pressure",), findings=(PotAtPressure, PotIsolated, PotVenting, LoadOpened), marks=("shut", "topup")
)
EMITS = (PotSteady,)


@stored("steady-settings")
class Settings(BaseModel):
    """CP: common practice, no source."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    ripple_kpa: float = 0.3 * PSI  # CP: a regulator's own ripple
    wander_kpa: float = 1.5 * PSI  # CP: noise and ripple of single samples; a hunting regulator goes further
    half_s: float = 30.0  # CP: a minute in all
    last_s: float = 5.0  # calc: a leak of 6 psi/min has left the ripple by then
    least_s: float = 90.0  # CP: the air is kept on for two to three minutes; a pot of 30 s cooling time has settled


@stored("steady-watcher")
@dataclass(slots=True)
class SteadyWatcher:
    """The watcher of one pot's first minutes at pressure; `up_t`: since when [unix s], None while that is past."""

    place: Place
    tune: Settings
    up_t: float | None = None
    bins: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=600))

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        pot = self.place.subject.pot
        match event:
            case Reading(role="pot_pressure", value=float(kpa)) if math.isfinite(kpa) and self.up_t is not None:
                return self._reading(event.t, kpa, self.up_t)
            case PotAtPressure() if event.subject.pot == pot:
                self.up_t = event.since
                self.bins.clear()
            case Mark() if event.pot in (None, pot):
                self.up_t = None
            case PotIsolated() | PotVenting() | LoadOpened() if event.subject.pot == pot:
                self.up_t = None
        return ()

    def _reading(self, t: float, kpa: float, up_t: float) -> list[Finding]:
        if self.bins and t - self.bins[-1][0] < 0.5:
            return []
        self.bins.append((t, kpa))
        while t - self.bins[0][0] > 2.0 * self.tune.half_s:
            self.bins.popleft()
        if t - up_t < self.tune.least_s or t - self.bins[0][0] < 1.9 * self.tune.half_s:
            return []
        halves = [[p for at, p in self.bins if (t - at < self.tune.half_s) is late] for late in (False, True)]
        means = [math.fsum(half) / len(half) for half in halves if half]
        whole = math.fsum(p for _, p in self.bins) / len(self.bins)
        wanders = max(abs(p - whole) for _, p in self.bins) > self.tune.wander_kpa
        last = [p for at, p in self.bins if t - at < self.tune.last_s]
        leaves = abs(math.fsum(last) / len(last) - whole) > self.tune.ripple_kpa
        low = self.place.pot is not None and whole < self.place.pot.floor_kpa
        if len(means) < 2 or abs(means[1] - means[0]) > self.tune.ripple_kpa or wanders or leaves or low:
            return []
        self.up_t = None
        return [PotSteady(t=t, subject=self.place.subject, kpa=means[1], for_s=t - up_t)]


def make(settings: Settings, place: Place) -> SteadyWatcher:
    """The watcher of one pot's first minutes at pressure."""
    return SteadyWatcher(place, settings)
