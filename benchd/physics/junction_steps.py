"""Takes steps of a cold junction out of a cup's record: a jump within one second that no resin and no probe can make.

A thermocouple's reading is its cold junction's temperature plus what the wires give, so that a junction misread by some
kelvins (its chip warmed by a relay, a reset, a loose screw) moves every later reading by as much, from one sample to
the next.  What heats or cools a probe comes through the probe's own lag: two thirds of it after a second, and the rest
shows as slope in the seconds that follow.  Hence the rules:

1. The line through the last seconds (the median of the slopes of all pairs: one odd second does not tilt it) says what
   the next one will read, give or take the noise, the converter's codes and how a climb bends.  A second further off is
   held back, with the three that follow.
2. It was a step if the slope before and after it is the same, within noise, bend and a part of the step, and what lies
   between the two levels is more than the gate; if the last second before it lay on the line still, and the first
   after it has the whole of it.  It is then taken out of these seconds and of all that follow.  If not,
   they are passed on as they were.
3. The level before a step counts, since a pour begins at the room's temperature.

Steps larger than the record's gate are no business of this file: a probe that far off may be in another cup.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import combinations
from statistics import median

from benchd.physics.probe_record import HOLE_S, Second
from benchd.stored import stored

LEAST_STEP_K = 0.5  # common practice: two codes of the usual converter of a quarter degree
CODES = 2.5  # steps of the converter's own are resolution; the mean of two of them halves it
NOISES = 6.0  # calc: the step found is off by 1.3 to 1.5 sd of a second's noise
BENT_S = 0.5  # calc: an exponential climb of slope s, doubling in 10 to 20 s, is 0.16 to 0.33 s off its line
STEP_SHARE = 0.1  # calc: through a lag of 1 s a third comes after the first second, through 2 s more
WHOLE_NOISES = 1.5
SLOPE_NOISES = 1.0  # calc: two sd of a slope over four seconds
SLOPE_BENT = 0.3  # calc: of the same climbs, in the four seconds between the two slopes' middles
CONFIRM = 4  # decided 3 s after the first: as long as a burst may last (intake/conditioning.py)
SHARP_K = 0.2
SHARP_NOISES = 3.0
LINE_LEAST = 4
LINE_MOST = 6
LINE_S = 9.0


@stored("junction-steps")
@dataclass(slots=True)
class JunctionSteps:
    """Feed `see` accepted seconds; offset_k: what all steps of this record add up to [K]."""

    offset_k: float = 0.0
    _code_k: float | None = None
    """The smallest difference seen between two seconds [K]: the converter's step, or less."""
    _last_c: float | None = None
    _line: deque[Second] = field(default_factory=lambda: deque(maxlen=LINE_MOST))
    _held: list[Second] = field(default_factory=list)

    def restart(self) -> None:
        """Another record begins, with no step yet."""
        self.offset_k, self._last_c, self._held = 0.0, None, []
        self._line.clear()

    def see(self, second: Second, noise_k: float) -> list[Second]:
        """The seconds that are decided, steps taken out; noise_k: sd of one second's value [K]."""
        if second.starts_anew:
            self.restart()
        self._see_code(second.temp_c)
        second = replace(second, temp_c=second.temp_c - self.offset_k)
        if not self._held and not self._is_off(second, noise_k):
            self._line.append(second)
            return [second]
        self._held.append(second)
        if len(self._held) < CONFIRM:
            return []
        held, self._held = self._held, []
        step_k = self._step_k(held, noise_k)
        self.offset_k += step_k
        passed = [replace(x, temp_c=x.temp_c - step_k) for x in held]
        self._line.extend(passed)
        return passed

    def _see_code(self, temp_c: float) -> None:
        if self._last_c is not None and temp_c != self._last_c:
            step_k = abs(temp_c - self._last_c)
            self._code_k = step_k if self._code_k is None else min(self._code_k, step_k)
        self._last_c = temp_c

    def _gate_k(self, slope: float, noise_k: float) -> float:
        return max(LEAST_STEP_K + NOISES * noise_k + BENT_S * abs(slope), CODES * (self._code_k or 0.0))

    def _is_off(self, second: Second, noise_k: float) -> bool:
        """True if the second lies off the line so far; false where there is none, as after a pause."""
        part = [x for x in self._line if self._line[-1].t - x.t <= LINE_S]
        if len(part) < LINE_LEAST or self._code_k is None or second.t - part[-1].t > HOLE_S:
            return False
        slope = _slope(part)
        return abs(second.temp_c - _level(part, slope, second.t)) > self._gate_k(slope, noise_k)

    def _step_k(self, held: list[Second], noise_k: float) -> float:
        """The step between the line and the held seconds [K]; 0 if it is none."""
        before = [x for x in self._line if self._line[-1].t - x.t <= LINE_S]
        if held[-1].t - before[-1].t > CONFIRM * HOLE_S:
            return 0.0
        slope, after = _slope(before), _slope(held)
        bend = SLOPE_NOISES * noise_k + SLOPE_BENT * abs(slope)
        at_t = 0.5 * (before[-1].t + held[0].t)
        by_before, by_both = (
            _level(held, rate, at_t) - _level(before[-CONFIRM:], rate, at_t) for rate in (slope, 0.5 * (slope + after))
        )
        late_k = abs(held[0].temp_c - _level(held[1:], slope, held[0].t))
        is_same = abs(after - slope) <= STEP_SHARE * abs(by_both) + bend
        is_whole = late_k <= STEP_SHARE * abs(by_both) + bend + WHOLE_NOISES * noise_k
        off_k = abs(before[-1].temp_c - _level(before[:-1], slope, before[-1].t))
        is_sharp = off_k <= max(SHARP_K + SHARP_NOISES * noise_k, self._code_k or 0.0)
        is_far = min(abs(by_before), abs(by_both)) > self._gate_k(slope, noise_k) and by_before * by_both > 0.0
        return by_both if is_same and is_whole and is_sharp and is_far else 0.0


def _slope(part: Iterable[Second]) -> float:
    """The median of the slopes of all pairs [K/s]."""
    return median((b.temp_c - a.temp_c) / (b.t - a.t) for a, b in combinations(part, 2))


def _level(part: Iterable[Second], slope: float, t: float) -> float:
    """Where the middle line of this slope through them is at t [C]."""
    return median(x.temp_c + slope * (t - x.t) for x in part)
