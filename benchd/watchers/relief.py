"""Watches a pot's relief valve: whether it lifts when it should.

Lifting: pressure came near the relief's mark and fell at once by more than noise, but not further than the valve can
take it.  Not lifting: pressure stays above the mark.  A valve that only simmers cannot be distinguished from a
regulator that stops there.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Pot
from benchd.core.findings import Event, Finding, PotOverRelief, ReliefLifted
from benchd.core.model import Reading
from benchd.core.seat.watcher import Place, Reads
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.stored import stored

SCOPE = "pot"
ORDER = 11
READS = Reads(roles=("pot_pressure",), findings=(PotOverRelief,))
EMITS = (ReliefLifted,)


@stored("relief-settings")
class Settings(BaseModel):
    """CP: common practice, no source; calc: computed."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    near_kpa: float = 3.0 * PSI  # CP: set pressures are true to 5 %
    fall_kpa: float = 1.2 * PSI  # CP: valves shut 4 to 15 % below their mark; half of the least, above the noise
    within_s: float = 4.0  # calc: 5 mm empties 13 l by 8 % in half a second
    reseat_share: float = 0.7  # CP: no relief valve shuts deeper
    again_s: float = 30.0  # CP: one line in the log for a valve that chatters


@stored("relief-watcher")
@dataclass(slots=True)
class ReliefWatcher:
    """The watcher of one pot's relief valve."""

    place: Place
    pot: Pot
    tune: Settings
    last: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=64))
    pending: tuple[float, float] | None = None  # when it fell [unix s], from which pressure [kPa]
    stuck: bool = False
    told_t: float = -math.inf

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(role="pot_pressure", value=float(kpa)) if kpa < 5.0 * self.pot.marked_kpa:
                return self._reading(event.t, kpa, event.t_doubt_s)
            case PotOverRelief():
                self.stuck = event.active
        return ()

    def _reading(self, t: float, kpa: float, doubt_s: float) -> list[Finding]:
        low = self.tune.reseat_share * self.pot.relief_kpa
        if kpa < low:
            self.pending = None
            self.last.clear()
            return []
        out = self._confirmed(t, kpa)
        while self.last and t - self.last[0][0] > self.tune.within_s:
            self.last.popleft()
        high = self._peak()
        self.last.append((t, kpa))
        quick = high is not None and high - kpa >= self.tune.fall_kpa and doubt_s < self.tune.within_s
        if quick and high is not None and self.pending is None and not self.stuck:
            self.pending = (t, high)
        return out

    def _peak(self) -> float | None:
        """The highest pressure of the last seconds that another sample confirms, if it is near the mark."""
        top = sorted(kpa for _, kpa in self.last)[-2:]
        near = self.pot.relief_kpa - self.tune.near_kpa
        return top[0] if len(top) == 2 and top[0] >= near else None

    def _confirmed(self, t: float, kpa: float) -> list[Finding]:
        """The finding, if the pressure is still lower one second later: then it was neither a spike nor a burst pot."""
        if self.pending is None or t - self.pending[0] < 0.2:
            return []
        (fell_t, high), self.pending = self.pending, None
        if t - fell_t > self.tune.within_s or kpa > high + 1.0 * PSI or t - self.told_t < self.tune.again_s:
            return []
        self.told_t = t
        return [ReliefLifted(t=t, subject=self.place.subject, kpa=high, limit_kpa=self.pot.relief_kpa)]


def make(settings: Settings, place: Place) -> ReliefWatcher:
    """The watcher of one pot's relief valve.  Raises ValueError when the place is not a pot."""
    if place.pot is None:
        raise ValueError("the relief watcher needs a pot")
    return ReliefWatcher(place=place, pot=place.pot, tune=settings)
