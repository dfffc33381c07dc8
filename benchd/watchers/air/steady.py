"""Smooths slow readings, and decides when they have settled and when a condition has lasted long enough."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import median

from benchd.stored import stored

ENOUGH_S = 20.0  # of readings before the first verdict
ENOUGH_COOLING_S = 120.0  # common practice, no source: three samples a minute apart
FALLS_K = 0.3  # in five minutes; common practice, no source: a room changes by less, a tank 1 K too warm by more


@stored("latch")
@dataclass(slots=True)
class Latch:
    """A condition: on above the limit, off once below limit - margin for long enough."""

    limit: float
    on: bool = False
    low_since: float | None = None

    def see(self, t: float, value: float, margin: float, for_s: float) -> None:
        """Add a value at t [unix s]; below limit - margin for for_s [s] ends the condition."""
        if value > self.limit:
            self.on, self.low_since = True, None
        elif value >= self.limit - margin:
            self.low_since = None
        else:
            self.low_since = t if self.low_since is None else self.low_since
            self.on = self.on and t - self.low_since < for_s


@stored("recent")
@dataclass(slots=True)
class Recent:
    """The last minute of one channel, one sample a second; the last three samples of a slow probe."""

    keep_s: float
    samples: list[tuple[float, float]] = field(default_factory=list)

    def see(self, t: float, value: float) -> None:
        """Add a value at t [unix s]; at most one a second is kept."""
        kept = self.samples
        if kept and t - kept[-1][0] < 1.0:
            return
        kept.append((t, value))
        while len(kept) > 3 and t - kept[0][0] > self.keep_s:
            del kept[0]

    def settled(self, t: float, fresh_s: float) -> bool:
        """Whether there are enough samples, the last one at most fresh_s [s] old."""
        kept = self.samples
        return len(kept) >= 3 and t - kept[-1][0] <= fresh_s and kept[-1][0] - kept[0][0] >= ENOUGH_S

    def middle(self) -> float:
        """The median of the samples."""
        return median(value for _, value in self.samples)

    def lowest(self) -> float:
        """The lowest sample."""
        return min(value for _, value in self.samples)


@stored("tank-cooling")
@dataclass(slots=True)
class Cooling:
    """A tank's temperature, one sample a minute over the last five."""

    samples: list[tuple[float, float]] = field(default_factory=list)

    def see(self, t: float, temp_c: float) -> bool:
        """Add a temperature [C] at t [unix s]; whether it has fallen over these minutes by more than the room does."""
        if not self.samples or t - self.samples[-1][0] >= 60.0:
            self.samples = [*self.samples[-4:], (t, temp_c)]
        return self.samples[0][1] - temp_c >= FALLS_K

    def ahead_c(self, room_c: float, in_s: float) -> float | None:
        """How warm it will be in in_s [s], cooling on towards its room [C] as it did; None if that is not known yet.

        Newton's law of cooling: room + excess exp(-in_s / tau), tau from the samples kept.
        """
        if not self.samples:
            return None
        (t0, first_c), (t1, last_c) = self.samples[0], self.samples[-1]
        before_k, now_k = first_c - room_c, last_c - room_c
        if t1 - t0 < ENOUGH_COOLING_S or not 0.0 < now_k < before_k:
            return None
        return room_c + now_k * math.pow(now_k / before_k, in_s / (t1 - t0))
