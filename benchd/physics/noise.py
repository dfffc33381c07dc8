"""Measures the noise of a run of samples on the samples themselves, however the quantity moves.

A sample's bend is its distance from the line through its two neighbours.  For independent noise of sd s bends have the
sd sqrt(1.5) s, and half of a Gaussian's values lie within 0.6745 sd: the median bend is 0.6745 sqrt(1.5) s.  A quantity
on its way bends far less than it moves, a spike spoils three bends of many, and the steps of a coarse converter count
as the noise that they are.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import sqrt

from benchd.stored import stored

Sample = tuple[float, float]
"""Time [unix s], value."""

BEND_TO_SD = 0.6745 * sqrt(1.5)  # calc: see above; 0.6745 is the standard normal's upper quartile
ENOUGH = 9  # bends before the first answer
HOLE = 3.0  # of the sample before's own distance: a sample later than that bends nothing
MOST_BEND = 1e6  # beyond any channel's range; a wild value stays a number that can be stored
FINE = 256.0  # a bend is counted in 1/256 of its unit, far below any channel's noise: short in a checkpoint


@stored("noise")
@dataclass(slots=True)
class Noise:
    """Feed `see` each three neighbours; `sd` answers from the last `most` bends.  Memory is bounded by them."""

    most: int = 31
    _bends: deque[int] = field(default_factory=deque)

    def see(self, before: Sample, middle: Sample, after: Sample) -> None:
        """Take the bend of the middle one of three neighbours; out of order or with a hole they have none.

        >>> noise = Noise()
        >>> for i in range(9):
        ...     noise.see((i, 0.0), (i + 1.0, 0.5), (i + 2.0, 0.0))
        >>> round(noise.sd, 3)
        0.605
        """
        (t0, v0), (t1, v1), (t2, v2) = before, middle, after
        if not (t0 < t1 < t2 and t2 - t1 < HOLE * (t1 - t0)):
            return
        share = (t1 - t0) / (t2 - t0)
        bend = abs(v1 - (1.0 - share) * v0 - share * v2)
        self._bends.append(round(min(bend, MOST_BEND) * FINE))
        if len(self._bends) > self.most:
            self._bends.popleft()

    def forget(self) -> None:
        """Start again: what was measured no longer holds."""
        self._bends.clear()

    @property
    def is_known(self) -> bool:
        """True once there are enough bends."""
        return len(self._bends) >= ENOUGH

    @property
    def sd(self) -> float:
        """sd of one sample [its unit]; 0 until it is known."""
        return sorted(self._bends)[len(self._bends) // 2] / FINE / BEND_TO_SD if self.is_known else 0.0
