"""Judges one channel's samples before anything else sees them: on the trend, undecided, or off it.

The theory, as numbered rules:

1. A quantity has a trend: the line through its last good samples, whose centre and slope are means of halves, so that
   one odd sample moves them by a fraction of itself.
2. The gate says how far from the trend an honest sample may lie.  It is a fixed step (what a probe put in, a resin or a
   hand on a valve does between two samples), four times the noise measured on this channel, and the doubt about the
   trend itself, which grows with the time dt since the last good sample: slope * dt / 2 + bend * dt^2 / 2, where bend
   is how fast the quantity's slope may change.  After a hole of many seconds nearly anything is possible.
3. Noise is measured where the samples are, from how far each lies from the line through its two neighbours
   (physics/noise.py).
4. A sample off the trend is undecided: published at once as SUSPECT, and held.  If the next samples are back on the
   trend it was a spike or a burst and stays SUSPECT.  If such samples go on for longer than a burst lasts, and agree
   among themselves, the quantity did move: they are published again as GOOD, with their own times.
5. A young trend, of one or two samples since the start or since a hole, is no better known than what contradicts it:
   more samples that agree among themselves than it has of its own replace it.
6. A channel that never agrees with itself is that noisy.  It is taken as it is once it has been so for ten seconds, and
   the noise is measured anew.
7. A quick quantity's trend is read from its last four samples.  Its doubt grows through silence only: while samples
   come, a burst must not become plausible by lasting.  Samples agree when each lies near the line through its two
   neighbours, since such a quantity may bend within the seconds of a burst.
8. A pot that lets go can't wait for rule 4.  A quick quantity below its trend whose samples fall one after the other,
   each by more than the noise can make and near the line of its neighbours, for RUN_S and RUN_N samples, is falling: a
   burst scatters, or steps and stays.  Only for a fall, which is what can't wait: a rise may be a load that is none.

A burst is taken to last up to 3 s (a compressor's motor starting, a relay, a probe's loose plug; common practice, no
source), so that an undecided sample is decided within 3.5 s, a plain fall in about one, a sample on the trend at once.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise

from benchd.physics.noise import Noise, Sample
from benchd.stored import stored

BURST_S = 3.0
WILD_S = 10.0
RUN_S, RUN_N = 0.95, 4  # calc: of 3,000 random bursts none falls so long at 4 and 10 Hz, one at 2 Hz
TREND_S = 4.0  # the trend is read from so many seconds, or from the last four samples where they come slower
TREND_MOST = 24


@stored("channel-motion")
@dataclass(frozen=True, slots=True)
class Motion:
    """What a quantity can do: step [unit] between two samples, bend [unit/s2] of its slope.

    is_quick: its slope may turn within a second, as a gas's behind a valve does; see rule 7.
    """

    step: float
    bend: float
    is_quick: bool = False


@stored("conditioner")
@dataclass(slots=True)
class Conditioner:
    """One channel: feed `see` samples in order of time.  Memory is bounded; a sample costs O(TREND_MOST)."""

    motion: Motion
    _good: deque[Sample] = field(default_factory=lambda: deque(maxlen=TREND_MOST))
    _noise: Noise = field(default_factory=Noise)
    _held: list[Sample] = field(default_factory=list)
    _young: int = 0
    """Good samples since the trend began, counted up to three."""

    def see(self, t: float, value: float) -> tuple[bool, list[Sample]]:
        """(is this sample good now, earlier samples that have just proved good) for one sample [unix s, unit]."""
        if not self._good:
            self._accept(t, value)
            return True, []
        if t < self._good[-1][0] or (self._held and t < self._held[-1][0]):
            return False, []
        centre, slope = self._trend(t)
        off = abs(value - centre)
        if off <= self.motion.step or off <= self._gate(t, slope):  # no gate is narrower than the step
            if self._held:
                self._held = []
            self._accept(t, value)
            return True, []
        self._held.append((t, value))
        proved = self._proved()
        if not proved:
            return False, []
        self._begin(proved)
        is_good = proved[-1] == (t, value)
        return is_good, proved[:-1] if is_good else proved

    @property
    def noise(self) -> float:
        """sd of one sample about the line through its neighbours [unit]; 0 until enough are known."""
        return self._noise.sd

    def _gate(self, t: float, slope: float) -> float:
        motion, dt = self.motion, t - self._good[-1][0]
        unseen_s = t - self._held[-1][0] if motion.is_quick and self._held else dt
        turn = abs(slope) * dt * (1.0 if motion.is_quick else 0.5)
        return motion.step + 4.0 * self.noise + turn + 0.5 * motion.bend * unseen_s * unseen_s

    def _trend(self, t: float) -> tuple[float, float]:
        """The trend's value at t and its slope."""
        recent = good = list(self._good)
        last_t = good[-1][0]
        if last_t - good[0][0] > TREND_S:
            recent = [s for s in good if last_t - s[0] <= TREND_S]
        if len(recent) < 4 or self.motion.is_quick:
            recent = good[-min(4, self._young) :]
        half = len(recent) // 2
        if half == 0:
            return good[-1][1], 0.0
        (early_t, early), (late_t, late) = _mean(recent[:half]), _mean(recent[half:])
        slope = (late - early) / (late_t - early_t) if late_t > early_t else 0.0
        return late + slope * (t - late_t), slope

    def _accept(self, t: float, value: float) -> None:
        good = self._good
        if self._young >= 2:
            before, last = good[-2], good[-1]
            if t - last[0] > max(BURST_S, 2.5 * (last[0] - before[0])):
                self._young = 0
            else:
                self._noise.see(before, last, (t, value))
        good.append((t, value))
        while len(good) > 4 and t - good[0][0] > TREND_S:
            good.popleft()
        if self._young < 3:
            self._young += 1

    def _begin(self, proved: list[Sample]) -> None:
        """A new trend from samples that have proved themselves."""
        self._good.clear()
        self._young, self._held = 0, []
        for t, value in proved:
            self._accept(t, value)

    def _proved(self) -> list[Sample]:
        """The held samples that the quantity must have moved to; none while that is undecided."""
        held = self._held
        lasted_s = held[-1][0] - held[0][0]
        is_outvoted = self._young < 3 and len(held) > self._young
        if self.motion.is_quick and self._falls():
            return list(held)
        if lasted_s <= BURST_S and not is_outvoted:
            return []
        last = [s for s in held if held[-1][0] - s[0] <= BURST_S] if lasted_s > BURST_S else held
        last = last if len(last) >= 2 else held[-2:]
        if len(self._agreeing(last, last)) >= max(2, (2 * len(last) + 2) // 3):
            return self._agreeing(held, last)
        if lasted_s > WILD_S:
            self._noise.forget()
            return held[-TREND_MOST:]
        self._held = held[-256:]
        return []

    def _falls(self) -> bool:
        """True if the held samples fall one by one from below the trend, too long and too smoothly for a burst."""
        held, last = self._held, self._good[-1][1]
        if len(held) < RUN_N or held[-1][0] - held[0][0] < RUN_S:
            return False
        least = 4.0 * self.noise + 0.1 * self.motion.step
        values = [last, *(v for _, v in held)]
        falls = all(a - b > least for a, b in pairwise(values))
        return falls and len(self._neighbourly(held)) == len(held)

    def _agreeing(self, samples: list[Sample], last: list[Sample]) -> list[Sample]:
        """Those of the samples that lie within the gate of the line through the middle of the last ones."""
        if self.motion.is_quick and len(samples) > 2:
            return self._neighbourly(samples)
        slopes = sorted((b[1] - a[1]) / (b[0] - a[0]) for a, b in _far_pairs(last) if b[0] > a[0])
        slope = slopes[len(slopes) // 2] if slopes else 0.0
        begin_t = last[0][0]
        origins = sorted(v - slope * (t - begin_t) for t, v in last)
        origin = origins[len(origins) // 2]
        gate = self.motion.step + 4.0 * self.noise
        return [(t, v) for t, v in samples if abs(v - origin - slope * (t - begin_t)) <= gate]

    def _neighbourly(self, samples: list[Sample]) -> list[Sample]:
        """Those of three samples or more that lie within the gate of the line through their two neighbours."""
        gate, out = self.motion.step + 4.0 * self.noise, []
        for i, (t, v) in enumerate(samples):
            first = min(max(i - 1, 0), len(samples) - 3)
            (t0, v0), (t1, v1) = (s for s in samples[first : first + 3] if s is not samples[i])
            reach_s = max(abs(t - t0), abs(t - t1))
            line = v0 + (v1 - v0) * (t - t0) / (t1 - t0) if t1 != t0 else v0
            if abs(v - line) <= gate + 0.5 * self.motion.bend * reach_s * reach_s:
                out.append((t, v))
        return out


def _far_pairs(samples: list[Sample]) -> list[tuple[Sample, Sample]]:
    """Pairs half the record apart: each gives one estimate of the slope."""
    half = max(1, len(samples) // 2)
    return list(zip(samples, samples[half:], strict=False))


def _mean(samples: list[Sample]) -> Sample:
    times, values = zip(*samples, strict=True)
    n = len(times)
    return sum(times) / n, sum(values) / n
