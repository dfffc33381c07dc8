"""The line under a cloud of lateness: what part of each arrival is the board's clock, and what part the way here.

1. A line takes some time on its way and never less than none.  So over a board's time x the lateness, arrival - x, lies
   on or above the one straight line that is the board's clock: its offset, and a slope where its resonator is off.
2. That line is the highest one that lies under all points of the last minutes: among the edges of their lower convex
   hull the one over their mean x leaves the least lateness over (a linear programme in two unknowns).
3. A late point lies above and moves nothing.  An earlier one than ever lowers the line at once.  A slow board's drift
   is followed as old points leave the window, and by the slope, less what the points' own scatter could make of one.
4. One lowest point is kept for each BLOCK_S, WINDOW_S back, so memory is bounded, and the hull is made again when a
   block begins: a constant cost a line on average.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from dataclasses import dataclass, field
from statistics import median

from benchd.stored import stored

Point = tuple[float, float]
"""(x: the board's own time, lateness: arrival minus x), both s."""

BLOCK_S = 10.0  # common practice, no source: forty lines of a usual board, of which one comes without delay
WINDOW_S = 300.0  # common practice, no source: minutes, so that a stall of seconds is never all of it
SLOPE_FROM_S = 60.0  # over less a few ms of lateness would look like a slope; common practice, no source
SLOPE_MOST = 0.006  # ceramic resonators are good to 0.5 % (common practice, no source); a computer's crystal to 0.01 %


@stored("envelope")
@dataclass(slots=True)
class Envelope:
    """The line under all points of the last WINDOW_S.  slope_most: how far the two clocks' rates may differ."""

    slope_most: float = SLOPE_MOST
    slope: float = 0.0
    base: Point | None = None
    """A point on the line."""
    lows: deque[Point] = field(default_factory=deque)
    """The lowest point of each block, oldest first."""

    def add(self, x: float, late_s: float) -> None:
        """Take the lateness of one line; x does not fall."""
        if not self.lows or math.floor(self.lows[-1][0] / BLOCK_S) != math.floor(x / BLOCK_S):
            self.lows.append((x, late_s))
            while self.lows[0][0] < x - WINDOW_S:
                self.lows.popleft()
            self._fit()
        elif late_s - self.slope * x < self.lows[-1][1] - self.slope * self.lows[-1][0]:
            self.lows[-1] = (x, late_s)
        if late_s < self.under(x):
            self.base = (x, late_s)

    def under(self, x: float) -> float:
        """The lateness of a line that came at once, at x [s]; inf before the first point."""
        return math.inf if self.base is None else self.base[1] + self.slope * (x - self.base[0])

    def clear(self) -> None:
        self.lows.clear()
        self.base, self.slope = None, 0.0

    def _fit(self) -> None:
        span_s = self.lows[-1][0] - self.lows[0][0]
        steep = sure_slope(list(self.lows), span_s) if span_s >= SLOPE_FROM_S else 0.0
        self.slope = min(max(steep, -self.slope_most), self.slope_most)
        self.base = min(self.lows, key=lambda low: low[1] - self.slope * low[0])


def lower_hull(points: list[Point]) -> list[Point]:
    """The lower convex hull of points in order of x (monotone chain: Andrew, Inf. Process. Lett. 9, 1979)."""
    hull: list[Point] = []
    for x, y in points:
        while len(hull) >= 2 and _turns_down(hull[-2], hull[-1], (x, y)):
            hull.pop()
        hull.append((x, y))
    return hull


def _turns_down(a: Point, b: Point, c: Point) -> bool:
    """Whether b lies on or above the chord from a to c."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])


def sure_slope(points: list[Point], span_s: float) -> float:
    """As much of the middle slope as is more than the lows' own scatter over half their span makes by itself."""
    slope = middle_slope(points)
    above = [y - slope * x for x, y in points]
    noise = (median(above) - min(above)) / (0.5 * span_s)
    return math.copysign(max(0.0, abs(slope) - noise), slope)


def middle_slope(points: list[Point]) -> float:
    """The slope of the hull's edge over the points' mean x."""
    middle = sum(x for x, _ in points) / len(points)
    hull = lower_hull(points)
    for (x0, y0), (x1, y1) in itertools.pairwise(hull):
        if x1 >= middle and x1 > x0:
            return (y1 - y0) / (x1 - x0)
    return 0.0
