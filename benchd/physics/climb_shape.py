"""Tells a climb that speeds itself up from one that something else drives: by the times at which it passed each kelvin.

The theory:

1. A reaction's heating grows with its own warmth (Semenov, Z Phys 48 (1928) 571; Frank-Kamenetskii, Diffusion and Heat
   Transfer in Chemical Kinetics, 1969) and stops as what can react is used up.  So the reading climbs slowly first and
   fastest late, and after its top the cup cools.
2. A heater of steady power climbs evenly (a kettle) or ever more slowly towards where it loses what it is given (an
   oven, a heated block): T = T0 + K (1 - exp(-t / tau)).  Through a second, equal lag it is steepest at 0.26 of the
   rise and, until its slope is back at 0.8 of that, the fifths of rule 4 differ by 0.15 at most (calc).  Afterwards a
   thermostat holds it warm.
3. The reading itself is asked, not what is left when its losses to the room are added: an oven's losses, given back,
   make a climb of any kind accelerate.
4. The climb is cut by height, not by time: the middle four fifths of the rise into four, each with its mean slope.
   Each is a difference over a fifth of the rise, 5 K or more, so noise, coarse codes, lags and holes of the record
   weigh little.  The steepest fifth is the first within a twentieth of the greatest.
5. A probe put into a warm cup climbs fast and then settles: where a steep beginning in the lower half is followed by a
   flatter place, the climb begins there.  What an oven's swing adds to its climb is then mostly too low to count
   (LEAST_RISE_K).
6. Four answers.  `grows`: the steepest fifth is the third or fourth, and those before it rise to it by degrees from
   plainly less.  `driven`: it is the first or second, or the first is all but as steep.  `unclear`: in between, a small
   cup that loses most of its heat or a kettle through a long lag.  `low`: too low to say.
7. Where the climb alone doesn't tell, what follows it does: a cup cools, within the time it took to climb; what is held
   warm does not, and what a thermostat switches falls off at once (its last fifth is flat).  Of a marked cup, which is
   expected to react, an even climb is believed before that if it bends off gently below its top: a cup that reacted as
   the probe settled.  A kettle's ends in a corner.
8. What once grew faster than lags make a heater begin is a reaction, however its end flattens: n lags in a row
   climb as t^n at first, and the lowest fifth is then 4^-((n-1)/n) of the highest: 0.5 for two, 0.33 for five (calc).
9. A pour nobody marked is opened by a climb that grows; of an unclear one by a lowest fifth that is plainly slower
   (OPENS_SHARE).
10. A hole of the record that hides a fifth of the rise hides the shape: the cup is left to the finders.  So does a
   probe put in late: of a marked mix, what it had climbed before it was seen counts as such a hole.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Literal

from benchd.physics.slopes import FINE_S, MOST_RISE_K
from benchd.stored import stored

Growth = Literal["low", "grows", "unclear", "driven"]

MEDIAN_OF = 5  # seconds: two bad ones in a row don't pass a kelvin early
ASKED_FROM_K = 20  # calc: fifths of 4 K, sixteen steps of a quarter degree
LEAST_RISE_K = 25  # calc: fifths of 5 K, five times a junction's drift
LEAST_SETTLED_K = 30  # as PastKick: a thermostat's swing by 6 K either way, and the 18 K that an oven still climbs
SURE_SHARE = 0.33  # calc: rule 8
HOLE_S = 6.0  # the slowest probe reads every 5 s
HIDDEN_SHARE = 0.2  # calc: one of the fifths of rule 4
FIRST_SHARE = 0.78  # model: 19 of 20 reactions seen whole stay below 0.6; an even climb has 1, two lags 0.85
OPENS_SHARE = (
    0.60  # model: at 24 K 48 cups of four families have 0.15 to 0.47; two lags 0.5, coarse heaters 0.6 to 0.85
)
BEFORE_SHARE = 0.80  # model: two before the steepest, reactions stay below 0.75; an even climb has 1
BY_DEGREES = 1.05  # calc: a step of 2.5 K in an even climb leaves the fifths before it equal
DRIVEN_SHARE = 0.85  # calc: rule 2
NEAR_STEEPEST = 0.95
SETTLED = 1.3  # the drop of a slope that ends a probe's settling; noise makes less (PastKick's RISE_AGAIN is 1.15)
CUTS = (0.1, 0.3, 0.5, 0.7, 0.9)
FALL_K = 2.0  # common practice, no source: a room's breath and a median of five seconds' noise are less
FALL_SHARE = 0.05  # of the rise
EVEN_SHARE = 0.65  # calc: an oven's last fifth has 0.4, two lags' 0.6 (climbed to the end)
BEND = (0.85, 0.97)  # the part of the rise below the top that bends off,
BEND_SHARE = 0.7  # of the second steepest fifth; calc: a kettle at 0.8 K/s through a lag of 7 s has 0.76


@dataclass(frozen=True, slots=True)
class Fifths:
    """Mean slopes of the four middle fifths over their greatest, of a climb of rise_k [K] from from_k above the lowest
    reading on; index of the steepest."""

    from_k: int
    rise_k: int
    shares: tuple[float, float, float, float]
    steepest: int

    @property
    def is_high(self) -> bool:
        """True if the climb is high enough to be told from noise, and from a thermostat's swing."""
        return self.rise_k >= (LEAST_RISE_K if self.from_k == 0 else LEAST_SETTLED_K)

    @property
    def is_sure(self) -> bool:
        """True if it grew faster than the beginning of a heater's climb through any lags (rule 8)."""
        rises = all(b > a for a, b in pairwise(self.shares))
        return self.rise_k >= LEAST_RISE_K and rises and self.shares[0] <= SURE_SHARE

    @property
    def is_one_climb(self) -> bool:
        """True if the shares rise to the steepest and don't break off after it, as a thermostat's do."""
        before, after = self.shares[: self.steepest + 1], self.shares[self.steepest :]
        return all(b >= NEAR_STEEPEST * a for a, b in pairwise(before)) and min(after) >= EVEN_SHARE


@stored("climb-shape")
@dataclass(slots=True)
class ClimbShape:
    """One cup's climb since its lowest reading.  Memory is bounded, a second costs O(1), `growth` some hundred."""

    _recent: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=MEDIAN_OF))
    _passed_t: list[float] = field(default_factory=list)
    """When the reading first was so many kelvins above its lowest [unix s]."""
    _low_c: float = 0.0
    _last: tuple[float, float] = (0.0, 0.0)
    _top: tuple[float, float] = (0.0, 0.0)
    _was_unclear: bool = False
    _was_sure: bool = False
    _hidden_k: float = 0.0

    def restart(self) -> None:
        """Another cup, or the probe is somewhere else."""
        self._recent.clear()
        self._passed_t, self._was_unclear, self._was_sure, self._hidden_k = [], False, False, 0.0

    def see(self, t: float, temp_c: float) -> None:
        """One good second [unix s, C]."""
        self._recent.append((t, temp_c))
        if len(self._recent) < MEDIAN_OF:
            return
        t, now_c = self._recent[MEDIAN_OF // 2][0], median(c for _, c in self._recent)
        if not self._passed_t or now_c < self._low_c:
            self._passed_t, self._low_c, self._top, self._hidden_k = [t], now_c, (t, now_c), 0.0
        elif t - self._last[0] > HOLE_S:
            self._hidden_k = max(self._hidden_k, now_c - self._last[1])
        passed = len(self._passed_t)
        while (due_c := self._low_c + len(self._passed_t)) <= now_c and len(self._passed_t) <= MOST_RISE_K:
            last_t, last_c = self._last
            share = (due_c - last_c) / (now_c - last_c) if now_c > last_c else 1.0
            self._passed_t.append(round((last_t + min(max(share, 0.0), 1.0) * (t - last_t)) * FINE_S) / FINE_S)
        if now_c > self._top[1]:
            self._top = (t, now_c)
        self._last = (t, now_c)
        if len(self._passed_t) > passed and not self._was_sure:
            seen = self.fifths
            self._was_sure = seen is not None and seen.is_sure

    @property
    def fifths(self) -> Fifths | None:
        """The climb so far, from where the probe had settled; None below ASKED_FROM_K."""
        rise_k = len(self._passed_t) - 1
        return None if rise_k < ASKED_FROM_K else self._cut(self._settled_k(rise_k), rise_k)

    def _cut(self, from_k: int, to_k: int) -> Fifths:
        cuts_t = [self._when(from_k + cut * (to_k - from_k)) for cut in CUTS]
        slopes = [1.0 / max(b - a, 1.0 / FINE_S) for a, b in pairwise(cuts_t)]
        first, second, third, fourth = (slope / max(slopes) for slope in slopes)
        shares = (first, second, third, fourth)
        steepest = next(i for i, x in enumerate(shares) if x >= NEAR_STEEPEST)
        return Fifths(from_k, to_k - from_k, shares, steepest)

    @property
    def growth(self) -> Growth:
        """Does it speed itself up (rule 6)?"""
        seen = self.fifths
        if seen is None:
            return "low"
        if seen.steepest < 2 or seen.shares[0] > DRIVEN_SHARE:
            return "driven"
        two_before, before = seen.shares[seen.steepest - 2 : seen.steepest]
        is_flat_before = seen.shares[0] <= FIRST_SHARE and two_before <= BEFORE_SHARE
        is_plain = is_flat_before and before >= BY_DEGREES * two_before
        return "grows" if is_plain and seen.is_high else "unclear"

    @property
    def may_be_pour(self) -> bool:
        """True while a climb nobody marked may be a reaction's: too low to say, growing, or slow at its beginning."""
        seen, growth = self.fifths, self.growth
        is_slow_first = seen is not None and seen.shares[0] <= OPENS_SHARE
        return self._was_sure or growth in ("low", "grows") or (growth == "unclear" and is_slow_first)

    def is_reaction(self, *, is_marked: bool, start_c: float | None = None) -> bool:
        """True if the climb, found to be past its steepest, is a reaction's; ask again while it is not (rule 7).

        start_c: what a marked mix began at [C], None where that is not known.
        """
        growth, seen, top_k = self.growth, self.fifths, len(self._passed_t) - 1
        unseen_k = 0.0 if start_c is None else max(0.0, self._low_c - start_c)
        is_hidden = max(self._hidden_k, unseen_k) >= HIDDEN_SHARE * (top_k + unseen_k) > 0.0
        if growth == "grows" or self._was_sure or is_hidden or (is_marked and top_k < LEAST_RISE_K):
            return True
        is_one_climb = seen is None or (seen.is_high and seen.is_one_climb)
        self._was_unclear = self._was_unclear or (growth != "driven" and is_one_climb)
        whole = self._cut(0, top_k) if is_marked else None
        is_even = whole is not None and min(whole.shares) >= EVEN_SHARE
        if is_even and whole is not None and whole.steepest >= 2 and self._bends_off(whole):
            return True
        return (self._was_unclear or is_even) and self._has_cooled

    def _bends_off(self, whole: Fifths) -> bool:
        """True if the climb bends off gently below its top."""
        begin_t, end_t = (self._when(share * whole.rise_k) for share in BEND)
        steepest_s = sorted(b - a for a, b in pairwise(self._when(cut * whole.rise_k) for cut in CUTS))[1]
        flatter = (BEND[1] - BEND[0]) / (CUTS[1] - CUTS[0]) * steepest_s / max(end_t - begin_t, 1.0 / FINE_S)
        return flatter <= BEND_SHARE

    @property
    def _has_cooled(self) -> bool:
        """True if it fell from its top, within the time it had taken to climb."""
        (t, now_c), (top_t, top_c) = self._last, self._top
        if not self._passed_t or t - top_t > top_t - self._when(CUTS[0] * (len(self._passed_t) - 1)):
            return False
        return top_c - now_c >= max(FALL_K, FALL_SHARE * (top_c - self._low_c))

    def _when(self, rise_k: float) -> float:
        """When it had climbed by rise_k [K], between whole kelvins by a straight line [unix s]."""
        below = min(int(rise_k), len(self._passed_t) - 1)
        above = min(below + 1, len(self._passed_t) - 1)
        return self._passed_t[below] + (rise_k - below) * (self._passed_t[above] - self._passed_t[below])

    def _settled_k(self, rise_k: int) -> int:
        """How far up the climb begins (rule 5): after the greatest drop of its slope in the lower half [K]."""
        over_k = max(3, rise_k // 10)
        took_s = [self._passed_t[k + over_k] - self._passed_t[k] for k in range(rise_k - over_k + 1)]
        best, from_k, least_s = SETTLED, 0, float("inf")
        for k in range(1, rise_k // 2 + 1):
            drop = max(took_s[k], 1.0 / FINE_S) / max(least_s, 1.0 / FINE_S)
            if drop > best:
                best, from_k = drop, k
            least_s = min(least_s, took_s[k])
        return from_k
