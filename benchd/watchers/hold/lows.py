"""Keeps the lowest pressures of a pot: medians of five seconds over the last two hours."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median

from benchd.stored import stored

BIN_S = 5.0
MOST_IN_BIN = 128  # a faster gauge fills a bin sooner


@stored("lows")
@dataclass(slots=True)
class Lows:
    """Full bins (begin, median kPa), newest last, and the samples of the one being filled."""

    bins: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=1440))
    part: list[tuple[float, float]] = field(default_factory=list)

    def add(self, t: float, kpa: float) -> None:
        """Add one sample [kPa] at t [unix s]."""
        if self.part and (t - self.part[0][0] >= BIN_S or len(self.part) >= MOST_IN_BIN):
            self.bins.append((self.part[0][0], median(kpa for _, kpa in self.part)))
            self.part = []
        self.part.append((t, kpa))

    def clear(self) -> None:
        """Forget all samples."""
        self.bins.clear()
        self.part = []

    def least_kpa(self, since_t: float) -> float | None:
        """The lowest median of the full bins begun since then; None when there is none."""
        return min((kpa for t, kpa in self.bins if t >= since_t), default=None)
