"""Finds, by no resin's model, that a cup is past its kick: it climbed of itself and no longer does.

The rules, on the probe's own slope dT/dt (the cooling to the room not undone, so that a plateau counts as flat):

1. A probe put into a cup climbs too, and slows down as it settles.  The climb that counts begins at the valley: where
   the slope was least before it rose again.
2. The climb is steepest at the heating's inflection.  Gel follows: a steady resin gels up to a third of its time later,
   a snap one at once.
3. The cup is past its kick when the slope has stayed below PAST_SHARE of its steepest for CONFIRM_S, it has climbed by
   LEAST_RISE_K or more from the valley, and it took LEAST_CLIMB_S from the valley to the steepest.  A climb that ends
   sooner, or lower, was a probe settling or a hand: a new valley is sought.
4. A body warmed from outside is steepest early.  Through two or three equal lags in a row it has, at its steepest, 0.37
   or 0.43 of what it has when its slope is back at PAST_SHARE, and at half of the rise at its steepest it already has
   0.90 or 0.88 of that slope.  A reaction is later (AT_STEEPEST), or both rather late and plainly slower before
   (AT_STEEPEST_SLOW, HALF_SHARE).  A climb that began out of another climb, the probe having settled while the cup
   reacted, lacks its beginning and is given more room (AT_STEEPEST_SLOW).  Where the steepest part fell into a hole
   of the record, its slope before can't be asked, and the climb must be higher (UNSEEN_RISE_K); so too where a hole
   began while the cup still climbed about as fast as ever.  (Four lags of 40 s each, in noise, can pass.)
5. The gel is dated where the slope passed DATE_SHARE of its steepest, with the steepest and the moment of the verdict
   as its bounds.
6. A hole may hide how a climb began: the probe settles, nothing is seen for a while, and after it the cup climbs no
   faster than it did on the whole in the hole, so that no valley shows.  If it climbs as fast, the climb had not begun
   to slow, and it counts from the hole's begin, for a rise of UNSEEN_RISE_K.  Through lags a body would climb faster in
   the hole than after it, or be steepest early (rule 4): the middle of its steepest part has to lie at AT_STEEPEST.
7. A probe lifted out of a cup falls: a reading below the highest by more than FALL_K, and by more than a cup can have
   cooled since, says nothing of the resin.

Slopes are taken over the shortest of WINDOWS_S that the noise allows, as in cup_kick.  A hole in the record costs
width: what lies on both of its sides is compared, and both bounds move apart by it.  Where times are in doubt a climb
is judged by the slowest slope they allow, and its end by the fastest.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import hypot
from statistics import mean

from benchd.physics.cup_kick import HOLE_S
from benchd.physics.slopes import DOUBT_SHARE, FINE_S, MOST_RISE_K, Point, Slope, TimeDoubts, fastest, line
from benchd.stored import stored

FINE = 4096.0  # a slope at a kelvin is kept to 1/4096 K/s: short in a checkpoint
WINDOWS_S = (9.0, 17.0, 33.0, 65.0)
SLOPE_SD_SHARE = 0.08
RISE_AGAIN = 1.15  # of the valley's slope, and 3 sd and 0.02 K/s more: a climb of its own begins
LEAST_STEP_K_S = 0.02
PAST_SHARE = 0.55
DATE_SHARE = 0.75  # calc: autocatalytic step-growth with its rate's peak near half conversion gels at 0.6 to 0.7
CONFIRM_S = 4.0
UNSEEN_RISE_K = 50.0  # common practice, no source: no bath or hand beside a marked mix warms a probe by so much
LEAST_RISE_K = 30.0
LEAST_CLIMB_S = 12.0  # as the finder's lead-up: a probe moved takes 6 s
AT_STEEPEST = 0.5  # calc: rule 4; noise moves the steepest of a flat top by a few hundredths
AT_STEEPEST_SLOW = 0.4
AT_STEEPEST_UNSEEN = 0.35  # what the cup rose in the hole is in the sum, and not in the steepest that was seen
FLAT_SHARE = 0.9  # of the steepest slope: the middle of that part is where a climb without a beginning is steepest
HALF_SHARE = 0.7  # calc: rule 4, less what a window as long as the climb blurs
MOVING_SHARE = 0.3  # of the steepest slope: a valley this steep is no rest
FALL_K = 1.5
COOLING_K_S = 0.05  # calc: 100 K above the room with a cooling time of half an hour
SECOND_S = 1.0
CURED_RISE_K = 40.0  # more than that and nobody can say the cup did not cure


@stored("past-found")
@dataclass(frozen=True, slots=True)
class Past:
    """A cup past its kick: steepest, gel and bound of the gel [unix s]; climbed [K] since the valley.

    is_hidden: a hole hid how the climb began.
    """

    steepest: float
    at: float
    bound: float
    rise_k: float
    is_hidden: bool = False


@stored("past-kick")
@dataclass(slots=True)
class PastKick:
    """One pour's cup; feed `see` its seconds.  Memory is bounded, a second costs O(1).

    top_rise_k: the greatest rise above the first second [K].
    """

    found: Past | None = None
    _seconds: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=80))
    _doubts: TimeDoubts = field(default_factory=lambda: TimeDoubts(WINDOWS_S[-1]))
    _first_c: float | None = None
    _top: tuple[float, float] = (0.0, -273.15)
    _valley: Slope | None = None
    _peak: Slope | None = None
    _dated: tuple[float, float] | None = None
    """When the slope passed DATE_SHARE: the last second above it, the first below [unix s]."""
    _rates: dict[int, float] = field(default_factory=dict)
    """Slope [K/s] when each kelvin above the valley was first reached."""
    _hole_end_t: float | None = None
    _hole: Slope | None = None
    """The line across the last hole of the record; its temperature is that of the hole's begin [C]."""
    _is_hidden: bool = False
    _is_peak_unseen: bool = False
    _above_t: float = 0.0
    _below_t: float | None = None

    def restart(self) -> None:
        """Another pour begins."""
        self.found, self._first_c, self._top = None, None, (0.0, -273.15)
        self._forget()

    def _forget(self) -> None:
        self._seconds.clear()
        self._rates = {}
        self._valley = self._peak = self._dated = self._below_t = self._hole_end_t = self._hole = None
        self._is_hidden = False

    @property
    def top_rise_k(self) -> float:
        """The greatest rise above the first second [K]."""
        return 0.0 if self._first_c is None else self._top[1] - self._first_c

    @property
    def peak(self) -> Slope | None:
        """The steepest line of the present climb, if there is one."""
        return self._peak

    def see(self, t: float, temp_c: float, noise_k: float, is_moved: bool, doubt_s: float = 0.0) -> None:
        """Take one good second [unix s, C] and its noise [K]; is_moved: the record broke here; doubt_s: of t [s]."""
        self._doubts.see(t, doubt_s)
        if is_moved:
            self._forget()
        if self._first_c is None:
            self._first_c = temp_c
        top_t, top_c = self._top
        has_fallen = temp_c < top_c - FALL_K - 4.0 * noise_k - COOLING_K_S * (t - top_t)
        if temp_c >= top_c:
            self._top = (t, temp_c)
        if self._seconds and t - self._seconds[-1][0] > HOLE_S:
            self._hole_end_t, self._hole = t, _across(self._seconds[-1], (t, temp_c), noise_k)
        self._seconds.append((round(t * FINE_S) / FINE_S, temp_c))
        now, most_k_s = self._slope(t, noise_k)
        if self.found is not None or now is None:
            return
        if self._valley is not None:
            self._rates.setdefault(min(int(now.temp - self._valley.temp), MOST_RISE_K), round(now.rate * FINE) / FINE)
        if self._peak is None:
            self._await_climb(t, now)
        else:
            self._follow(t, now, most_k_s, self._peak, has_fallen)

    def _slope(self, t: float, noise_k: float) -> tuple[Slope | None, float]:
        """The line of the window to be believed, and the fastest slope that the doubt about time allows it [K/s]."""
        best, most_k_s = None, 0.0
        most = self._peak.rate if self._peak is not None else 0.0
        points: list[Point] = [(t, temp_c, temp_c) for t, temp_c in self._seconds]
        for window_s in WINDOWS_S:
            doubt_s = self._doubts.over(t, window_s)
            slope = line(points, window_s, noise_k, doubt_s)
            if slope is None:
                continue
            best, most_k_s = slope, fastest(slope.rate, window_s, doubt_s)
            if slope.sd <= SLOPE_SD_SHARE * max(abs(slope.rate), most) and doubt_s <= DOUBT_SHARE * window_s:
                break
        return best, most_k_s

    def _await_climb(self, t: float, now: Slope) -> None:
        if self._is_hidden and self._valley is not None:
            self._go_on_from_hole(t, now, self._valley)
        elif self._valley is None or now.rate < self._valley.rate:
            self._valley, self._rates = now, {}
        elif now.rate >= RISE_AGAIN * max(self._valley.rate, 0.0) + 3.0 * now.sd + LEAST_STEP_K_S:
            self._peak, self._dated, self._below_t = now, None, None

    def _go_on_from_hole(self, t: float, now: Slope, hole: Slope) -> None:
        """Once a line lies behind the hole: a climb that began in it, if it is no slower now than it was there."""
        if self._hole_end_t is None or _began_t(t, now) < self._hole_end_t:
            return
        if 0.0 < hole.rate <= now.rate + 2.0 * hypot(now.sd, hole.sd):
            self._peak, self._is_peak_unseen = now, False
        else:
            self._valley, self._is_hidden = now, False

    def _follow(self, t: float, now: Slope, most_k_s: float, peak: Slope, has_fallen: bool) -> None:
        if now.rate > peak.rate:
            self._peak, self._dated, self._below_t, self._above_t = now, None, None, t
            self._is_peak_unseen = self._hole_end_t is not None and _began_t(t, now) < self._hole_end_t
            return
        if most_k_s >= DATE_SHARE * peak.rate:
            self._dated, self._above_t = None, t
        elif self._dated is None:
            self._dated = (self._above_t or peak.t, t)
        if most_k_s >= PAST_SHARE * peak.rate:
            self._below_t = None
            return
        if self._below_t is None:
            self._below_t = t
        if t - self._below_t >= CONFIRM_S:
            self._judge(t, now, peak, has_fallen)

    def _judge(self, t: float, now: Slope, peak: Slope, has_fallen: bool) -> None:
        valley = self._valley or peak
        rise_k = max(now.temp, self._seconds[-1][1]) - valley.temp
        is_short = rise_k < LEAST_RISE_K or peak.t - valley.t < LEAST_CLIMB_S
        if has_fallen or is_short or not self._is_late(valley, peak, rise_k):
            self._valley, self._peak, self._dated, self._below_t, self._rates = now, None, None, None, {}
            self._is_hidden = False
            if not has_fallen and self._hole is not None and self._hole.t > peak.t:
                self._valley, self._is_hidden = self._hole, True
            return
        above_t, below_t = self._dated or (peak.t, t)
        self.found = Past(peak.t, max(peak.t, 0.5 * (above_t + below_t)), t, rise_k, self._is_hidden)

    def _is_late(self, valley: Slope, peak: Slope, rise_k: float) -> bool:
        """True if the climb was steepest later than that of a body warmed from outside."""
        share = (peak.temp - valley.temp) / rise_k
        is_high = rise_k >= UNSEEN_RISE_K and share >= AT_STEEPEST_UNSEEN
        if self._is_peak_unseen or (is_high and self._is_cut_off(peak)):
            return is_high
        if self._is_hidden:
            flat_k = [kelvin for kelvin, rate in self._rates.items() if rate >= FLAT_SHARE * peak.rate]
            return bool(flat_k) and rise_k >= UNSEEN_RISE_K and mean(flat_k) >= AT_STEEPEST * rise_k
        half_k = 0.5 * (peak.temp - valley.temp)
        before = [kelvin for kelvin in self._rates if 0.3 * (peak.temp - valley.temp) <= kelvin <= half_k]
        is_slow = bool(before) and self._rates[max(before)] <= HALF_SHARE * peak.rate
        is_moving = valley.rate >= MOVING_SHARE * peak.rate
        return share >= (AT_STEEPEST_SLOW if is_slow or is_moving else AT_STEEPEST)

    def _is_cut_off(self, peak: Slope) -> bool:
        """Whether the last hole began before the climb had slowed, so that it may hide what was steepest."""
        if self._hole is None or self._hole_end_t is None or self._dated is None or self._hole.t < peak.t:
            return False
        begun_t = 2.0 * self._hole.t - self._hole_end_t
        return self._dated[0] >= begun_t - SECOND_S


def _began_t(t: float, line_to_t: Slope) -> float:
    """When the seconds of a line that ends at t begin [unix s]."""
    return line_to_t.t - (t - line_to_t.t)


def _across(before: tuple[float, float], after: tuple[float, float], noise_k: float) -> Slope:
    """The line across a hole; its temperature is that before it."""
    hole_s = after[0] - before[0]
    rate, sd = (after[1] - before[1]) / hole_s, hypot(noise_k, noise_k) / hole_s
    return Slope(0.5 * (before[0] + after[0]), rate, sd, 0.0, before[1])
