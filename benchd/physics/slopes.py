"""Least-squares slopes of a noisy record over several windows, and what each window remembers.

A line over W seconds of one-second values with noise sigma has a slope of sd sigma / sqrt(sum (t - mean t)^2), about
sigma * sqrt(12 / W^3): 0.1 C over 5 s gives 0.03 K/s, 0.5 C over 33 s gives 0.009 K/s.

Where the times are in doubt by D, the true slope lies between rate * W / (W + D) and rate * W / (W - D).  A line gives
the slowest, which is what a climb is judged by; whoever judges that a climb is over asks for the `fastest`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import sqrt
from operator import mul

from benchd.stored import stored

Point = tuple[float, float, float]
"""Time [unix s], compensated rise [K], probe reading [C]."""

DOUBT_SHARE = 0.1  # of a window: in more doubt a longer one is believed; common practice, no source
DOUBT_LEAST_S = 0.01  # less is below a board's own sampling; common practice, no source
MOST_DOUBTS = 200
MOST_RISE_K = 250
MOST_NEAR_PEAK = 400
FINE = 65536.0  # a slope at a kelvin is kept to 1/65536 K/s, hundreds of times finer than its sd: short in a checkpoint
FINE_S = 64.0  # its time to 1/64 s


@stored("time-doubts")
@dataclass(slots=True)
class TimeDoubts:
    """How well the times of a record's last keep_s [s] are known: feed `see`, ask `over`."""

    keep_s: float
    _doubts: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=MOST_DOUBTS))
    """(t [unix s], s), of those times alone that are in doubt."""

    def see(self, t: float, doubt_s: float) -> None:
        """A sample at t [unix s], known to within doubt_s."""
        if doubt_s >= DOUBT_LEAST_S:
            self._doubts.append((t, doubt_s))
        while self._doubts and self._doubts[0][0] < t - self.keep_s:
            self._doubts.popleft()

    def over(self, t: float, window_s: float) -> float:
        """How much longer or shorter the window_s before t may have been: the doubts of its two least known times."""
        return sum(sorted(s for at, s in self._doubts if at >= t - window_s)[-2:]) if self._doubts else 0.0


def fastest(rate: float, window_s: float, doubt_s: float) -> float:
    """The fastest true slope [K/s] behind a line's (slowest) rate over window_s [s], times in doubt by doubt_s [s]."""
    return rate * (window_s + doubt_s) / max(window_s - doubt_s, 1e-3 * window_s)


@stored("slope")
@dataclass(frozen=True, slots=True)
class Slope:
    """One window's line: centre [unix s], slope [K/s] and its sd, mean rise [K] and mean reading [C] there."""

    t: float
    rate: float
    sd: float
    rise: float
    temp: float


@stored("scale")
@dataclass(slots=True)
class Scale:
    """What one window length remembers: the latest slope, the steepest, and time and slope at each kelvin of rise."""

    window_s: float
    now: Slope | None = None
    peak: Slope | None = None
    near_peak: list[tuple[float, float]] = field(default_factory=list)
    """Time [unix s] and slope [K/s] of all above 90 % of the steepest."""
    at_rise: dict[int, tuple[float, float]] = field(default_factory=dict)

    def take(self, slope: Slope, base_k: float, least_rise_k: float) -> None:
        """Remember a slope; it can become the steepest only once the rise over base_k has reached least_rise_k [K]."""
        self.now = slope
        rise = slope.rise - base_k
        if rise >= 0.0:
            kept = (round(slope.t * FINE_S) / FINE_S, round(slope.rate * FINE) / FINE)
            self.at_rise.setdefault(min(int(rise), MOST_RISE_K), kept)
        if rise < least_rise_k:
            return
        if self.peak is None or slope.rate > self.peak.rate:
            self.peak = slope
            self.near_peak = [(t, rate) for t, rate in self.near_peak if rate > 0.9 * slope.rate]
        if slope.rate > 0.9 * self.peak.rate and len(self.near_peak) < MOST_NEAR_PEAK:
            self.near_peak.append((slope.t, slope.rate))

    def when_at(self, rise_k: float) -> tuple[float, float] | None:
        """Time [unix s] and slope [K/s] when rise_k [K] was first reached, or the nearest kelvin seen below that."""
        for kelvin in range(min(int(rise_k), MOST_RISE_K), -1, -1):
            if kelvin in self.at_rise:
                return self.at_rise[kelvin]
        return None

    def peak_t(self) -> float | None:
        """When the slope was greatest [unix s]: the vertex of a parabola through all slopes above 90 % of the peak."""
        return None if self.peak is None else _vertex(self.near_peak, self.peak)


def line(points: Sequence[Point], window_s: float, noise_k: float, doubt_s: float = 0.0) -> Slope | None:
    """Least-squares line through the points of the last window_s [s]; None if they are too few or span too little.

    doubt_s: of the window's length [s]; the slope is the slowest that it allows.
    """
    end = points[-1][0]
    recent: list[Point] = []
    for point in reversed(points):
        if end - point[0] > window_s - 0.5:
            break
        recent.append(point)
    n = len(recent)
    if n < 4 or end - recent[-1][0] < 0.7 * (window_s - 1.0):
        return None
    times, rises, temps = zip(*recent, strict=True)
    ages = [t - end for t in times]
    mean_t, mean_rise = sum(ages) / n, sum(rises) / n
    var = sum(map(mul, ages, ages)) - n * mean_t * mean_t  # from ages below two minutes: no digits are lost
    cov = sum(map(mul, ages, rises)) - n * mean_t * mean_rise
    span_s = end - times[-1]
    rate = cov / var * span_s / (span_s + doubt_s)
    return Slope(end + mean_t, rate, noise_k / sqrt(var), mean_rise, sum(temps) / n)


def _vertex(near: Sequence[tuple[float, float]], peak: Slope) -> float:
    """Time of the maximum of the parabola through `near`, kept inside them; the peak's own if it has none."""
    n = len(near)
    if n < 5:
        return peak.t
    mid = sum(t for t, _ in near) / n
    x = [t - mid for t, _ in near]
    y = [rate - peak.rate for _, rate in near]
    s2, s3, s4 = (sum(v**k for v in x) for k in (2, 3, 4))
    sy = sum(y)
    sxy = sum(a * b for a, b in zip(x, y, strict=True))
    sx2y = sum(a * a * b for a, b in zip(x, y, strict=True))
    # Normal equations of y = a + b x + c x^2 with sum x = 0, by Cramer's rule.
    det = n * (s2 * s4 - s3 * s3) - s2**3
    if det <= 0.0:
        return peak.t
    b = ((n * s4 - s2 * s2) * sxy - s3 * (n * sx2y - s2 * sy)) / det
    c = (n * s2 * sx2y - n * s3 * sxy - s2 * s2 * sy) / det
    if c >= 0.0:
        return peak.t
    return min(max(mid - b / (2.0 * c), near[0][0]), near[-1][0])
