"""A pot gauge's recent samples: protected against spikes, with their slopes and five-second means.

A single wild sample (a valve coil, a compressor starting) must not cause an alert, so every sample passes a median of
three: a true step shows on its second sample.  A silence longer than `gap_s`, or than two and a half of the gauge's own
periods where that is more, breaks the trace: no conclusion is drawn across it.  Where the times of samples are in
doubt, a slope is the slowest that the doubt allows.

The gauge's noise is measured on the samples themselves (physics/noise.py), so that thresholds can be stated in
units of it.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from benchd.physics.noise import Noise, Sample
from benchd.stored import stored

FINEST_S = 0.08  # samples faster than about 12 a second add only work
DOUBT_LEAST_S = 0.01  # less is below a board's own sampling; common practice, no source
MEDIANS_SLOPE = 0.92  # calc: sd of a slope through medians of three over that through the samples, white noise


@stored("pressure-trace")
@dataclass(slots=True)
class PressureTrace:
    """Median-filtered samples (t, kPa) of the last keep_s; `kpa` is None until three samples have come.

    `is_fresh`: the last sample was kept; one that follows a kept one by under FINEST_S only updates `kpa`.
    """

    keep_s: float = 20.0
    gap_s: float = 5.0
    kpa: float | None = None
    t: float = 0.0
    since: float = 0.0
    is_fresh: bool = False
    _raw: deque[Sample] = field(default_factory=lambda: deque(maxlen=4))
    _kept: deque[Sample] = field(default_factory=lambda: deque(maxlen=1000))
    _seen: bool = False
    _periods_s: deque[float] = field(default_factory=lambda: deque(maxlen=5))
    _noise: Noise = field(default_factory=Noise)
    _doubts: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=200))  # (t, s) where there is any

    def add(self, t: float, kpa: float, doubt_s: float = 0.0) -> bool:
        """Add one sample, its time known to within doubt_s; True after a silence, so that the trace starts again."""
        silent_s = t - self.t
        broken = self._seen and silent_s > self.gap_s and silent_s > 2.5 * self.period_s
        if self._seen and t > self.t:
            self._periods_s.append(t - self.t)
        if broken or not self._seen:
            self._raw.clear()
            self._kept.clear()
            self._doubts.clear()
            self.kpa, self.since, self._seen = None, t, True
        self.t = t
        if doubt_s >= DOUBT_LEAST_S:
            self._doubts.append((t, doubt_s))
        while self._doubts and self._doubts[0][0] < t - self.keep_s:
            self._doubts.popleft()
        self._raw.append((t, kpa))
        if len(self._raw) >= 3:
            before, middle, after = self._raw[-3], self._raw[-2], self._raw[-1]
            self._noise.see(before, middle, after)
            self.kpa = sorted((before[1], middle[1], after[1]))[1]
            self.is_fresh = not self._kept or t - self._kept[-1][0] >= FINEST_S
            if self.is_fresh:
                self._kept.append((t, self.kpa))
        while self._kept and self._kept[0][0] < t - self.keep_s:
            self._kept.popleft()
        return broken

    @property
    def period_s(self) -> float:
        """The usual time between two samples [s]: the median of the last five; 0 while unknown."""
        return sorted(self._periods_s)[len(self._periods_s) // 2] if self._periods_s else 0.0

    @property
    def noise_kpa(self) -> float:
        """sd of one sample about the line through its neighbours [kPa]; 0 until enough are known."""
        return self._noise.sd

    def reached_t(self, kpa: float) -> float:
        """When the gauge, at or above kpa now, came up to it [unix s]; between two samples by a straight line.

        Not before the last three samples, and not across a silence.
        """
        at_t, before = self.t, None
        for t, p in reversed(self._raw):
            if p < kpa:
                before = (t, p)
                break
            at_t, at = t, p
        if before is None or before[0] >= at_t:
            return at_t
        return at_t - (at_t - before[0]) * (at - kpa) / (at - before[1])

    def last(self, window_s: float) -> list[tuple[float, float]]:
        """Filtered samples of the last window_s, oldest first."""
        edge = self.t - window_s - 1e-6
        part: list[tuple[float, float]] = []
        for sample in reversed(self._kept):
            if sample[0] < edge:
                break
            part.append(sample)
        part.reverse()
        return part

    def doubt_s(self, window_s: float) -> float:
        """How much longer the last window_s may have been: the doubts of its two least known times."""
        edge = self.t - window_s - 1e-6
        return sum(sorted(s for t, s in self._doubts if t >= edge)[-2:]) if self._doubts else 0.0

    def slope_kpa_s(self, window_s: float) -> float | None:
        """Least-squares slope over the last window_s [kPa/s]; None with under three samples or half the window.

        (sum tp - sum t sum p / n) / (sum tt - (sum t)^2 / n), with t and p counted from the window's first sample;
        window_s [s]: at most keep_s; a slow gauge's is widened to three samples.  Where times are in doubt, the slowest
        slope that the doubt allows.
        """
        window_s = max(window_s, 2.0 * self.period_s)
        part = self.last(window_s)
        if len(part) < 3 or part[-1][0] - part[0][0] < 0.5 * window_s:
            return None
        t0, p0, count = part[0][0], part[0][1], len(part)
        sum_t = sum_p = sum_tp = sum_tt = 0.0
        for t, p in part:
            dt, dp = t - t0, p - p0
            sum_t += dt
            sum_p += dp
            sum_tp += dt * dp
            sum_tt += dt * dt
        spread = sum_tt - sum_t * sum_t / count
        if spread <= 0.0:
            return None
        span_s = part[-1][0] - t0
        return (sum_tp - sum_t * sum_p / count) / spread * (span_s / (span_s + self.doubt_s(window_s)))

    def slope_sd_kpa_s(self, window_s: float) -> float:
        """How far the gauge's noise alone may put off slope_kpa_s(window_s), one sd [kPa/s]; 0 while unknown.

        noise sqrt(12 / n) / window for n evenly spaced samples, times MEDIANS_SLOPE.
        """
        part = self.last(max(window_s, 2.0 * self.period_s))
        if len(part) < 3:
            return 0.0
        return MEDIANS_SLOPE * self.noise_kpa * math.sqrt(12.0 / len(part)) / (part[-1][0] - part[0][0])


@stored("slow-trace")
@dataclass(slots=True)
class SlowTrace:
    """Means over bin_s of filtered samples, newest last, at most `most` of them."""

    bin_s: float = 5.0
    most: int = 36
    bins: deque[tuple[float, float]] = field(default_factory=deque)
    _start: float | None = None
    _sum: float = 0.0
    _count: int = 0

    def clear(self) -> None:
        """Forget all bins."""
        self.bins.clear()
        self._start = None

    def add(self, t: float, kpa: float) -> bool:
        """Add one filtered sample; True when it completed a bin (whose middle and mean are then the last)."""
        done = False
        if self._start is not None and t - self._start >= self.bin_s:
            self.bins.append((self._start + self.bin_s / 2.0, self._sum / self._count))
            while len(self.bins) > self.most:
                self.bins.popleft()
            self._start, done = None, True
        if self._start is None:
            self._start, self._sum, self._count = t, 0.0, 0
        self._sum += kpa
        self._count += 1
        return done
