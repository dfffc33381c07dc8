"""Reduces a cup's curve to a few points: bins of seconds, short where the curve is steep.

A bin ends when it is as long as a seventieth of the pot life (2 s at least) or has climbed 3 K; its value is the mean
of its seconds, its noise theirs over the root of their number.  When there are too many, neighbours in the flat part
are merged.  A reacting cup does not cool by kelvins within seconds, but a probe that slips out of it does, so readings
are left out until they are back where they were (or the fall has lasted: then the cup did cool).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.stored import stored

MOST_BINS = 110
CLIMB_K = 3.0
FALL_K = 1.2  # calc: a bare junction is down by a tenth of the cup's excess in a second or two
FALL_SHARE = 0.06  # and a hot cup cools by some percent of its excess in tens of seconds


@stored("curve-bins")
@dataclass(slots=True)
class CurveBins:
    """The bins of one curve: feed `add` seconds in order; `points` gives times, values and counts.

    least_s: the shortest bin [s]; patience_s: how long a fall may last before it is believed [s].
    """

    least_s: float
    patience_s: float = 30.0
    _done: list[tuple[float, float, int]] = field(default_factory=list)
    _open: list[tuple[float, float]] = field(default_factory=list)
    _top: tuple[float, float] | None = None
    _first_c: float = 0.0
    _out_since: float | None = None

    @classmethod
    def for_pot_life(cls, pot_life_s: float) -> CurveBins:
        """Bins to suit a resin of this pot life [s]."""
        return cls(max(2.0, pot_life_s / 70.0), max(30.0, pot_life_s / 8.0))

    @property
    def is_out(self) -> bool:
        """True while the probe seems to be out of the cup."""
        return self._out_since is not None

    def add(self, t: float, temp_c: float, noise_k: float = 0.0) -> None:
        """One second: its time [any zero, s], value [C] and noise [K]."""
        if self._has_slipped(t, temp_c, noise_k):
            return
        self._open.append((t, temp_c))
        first_t, first_c = self._open[0]
        if t - first_t >= self.least_s - 0.5 or abs(temp_c - first_c) > CLIMB_K:
            self._done.append(_mean(self._open))
            self._open = []
            if len(self._done) > MOST_BINS:
                self._merge()

    def _has_slipped(self, t: float, temp_c: float, noise_k: float) -> bool:
        if self._top is None:
            self._top, self._first_c = (t, temp_c), temp_c
        top_c = self._top[1]
        drop_k = FALL_K + 4.0 * noise_k + FALL_SHARE * max(0.0, top_c - self._first_c)
        if self._out_since is not None:
            if temp_c < top_c - 0.5 * drop_k and t - self._out_since < self.patience_s:
                return True
            self._out_since, self._top = None, (t, temp_c)
        elif temp_c < top_c - drop_k:
            self._out_since, self._open = t, []
            if self._done and t - self._done[-1][0] < 2.0 * self.least_s:
                self._done.pop()
            return True
        elif temp_c > top_c or t - self._top[0] > self.patience_s:
            # A slow cooling moves the top along; only a quick fall counts as one.
            self._top = (t, temp_c if temp_c > top_c else 0.5 * (temp_c + top_c))
        return False

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
