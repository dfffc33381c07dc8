"""Which few points carry a cup's whole curve?  Seconds merged into bins that are short where the curve is steep.

A bin ends when it is as long as a seventieth of the pot life (2 s at least) or has climbed 3 K; its value is the mean
of its seconds, its noise theirs over the root of their number.  When there are too many, neighbours in the flat part go
together.
"""

from __future__ import annotations

from dataclasses import dataclass, field

MOST_BINS = 110
CLIMB_K = 3.0


@dataclass(slots=True)
class CurveBins:
    """Feed it seconds in order; `points` gives times, values and counts.  least_s: the shortest bin [s]."""

    least_s: float
    _done: list[tuple[float, float, int]] = field(default_factory=list)
    _open: list[tuple[float, float]] = field(default_factory=list)

    @classmethod
    def for_pot_life(cls, pot_life_s: float) -> CurveBins:
        return cls(max(2.0, pot_life_s / 70.0))

    def clear(self) -> None:
        self._done, self._open = [], []

    def add(self, t: float, temp_c: float) -> None:
        """One second: its time [any zero, s] and value [C]."""
        self._open.append((t, temp_c))
        first_t, first_c = self._open[0]
        if t - first_t >= self.least_s - 0.5 or abs(temp_c - first_c) > CLIMB_K:
            self._done.append(_mean(self._open))
            self._open = []
            if len(self._done) > MOST_BINS:
                self._merge()

    def _merge(self) -> None:
        """Join the two neighbours that differ least, and all other pairs nearly as flat."""
        pairs = list(zip(self._done[::2], self._done[1::2], strict=False))
        limit_k = sorted(abs(b[1] - a[1]) for a, b in pairs)[len(pairs) // 2]
        out: list[tuple[float, float, int]] = []
        for a, b in pairs:
            n = a[2] + b[2]
            if abs(b[1] - a[1]) <= limit_k:
                out.append(((a[0] * a[2] + b[0] * b[2]) / n, (a[1] * a[2] + b[1] * b[2]) / n, n))
            else:
                out += [a, b]
        self._done = out + self._done[2 * len(pairs) :]

    def points(self) -> tuple[list[float], list[float], list[int]]:
        """Times, values and how many seconds each holds; the open bin included."""
        all_bins = [*self._done, _mean(self._open)] if self._open else self._done
        return [b[0] for b in all_bins], [b[1] for b in all_bins], [b[2] for b in all_bins]


def _mean(part: list[tuple[float, float]]) -> tuple[float, float, int]:
    n = len(part)
    return sum(p[0] for p in part) / n, sum(p[1] for p in part) / n, n
