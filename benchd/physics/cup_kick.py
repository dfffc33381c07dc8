"""Finds a cup's kick from its temperature alone, with no model of the resin.

The kick is the burst of heat: the time at which the reaction heats the cup fastest.  Gel is not that peak: simulated
resins gel at the peak (snap ones) or up to a third later (steady ones), so each is reported: `at` is the peak,
`gel_by` where the heat put in has reached what gel takes.

A slope alone is fooled by whatever warms a probe.  Four things set a reaction apart, and a kick needs all of them:

  heat     the compensated rise (cup_heat) at the peak is more than a warm bath, a hand or hot air leave at their own
           steepest point;
  lead-up  the heating rate at half or a quarter of that rise was much lower: a body warmed from outside, through two
           or three lags in a row, has 88 % of its steepest rate at half the rise of its steepest point and 68 % at a
           quarter, or more; and it took its time, which a probe put into a warm cup does not;
  a peak   the rate has clearly fallen from its maximum, by more than the noise allows, and heat was still being added
           while it did (a probe lifted out takes heat back);
  no break the record is one piece (probe_record): a fall, or a step up out of quiet, starts a new one.

Slopes are taken over five windows (5 to 65 s) and the shortest one that the noise allows is believed, so a snap resin
at 4 K/s and a steady one at 0.2 K/s are read by the same rule.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import sqrt

from benchd.physics.cup_heat import HeatBalance
from benchd.physics.junction_steps import JunctionSteps
from benchd.physics.probe_record import ProbeRecord, Second
from benchd.physics.slopes import DOUBT_SHARE, Point, Scale, Slope, TimeDoubts, fastest, line
from benchd.stored import stored

WINDOWS_S = (5.0, 9.0, 17.0, 33.0, 65.0)
HOLE_S = 6.0  # a pause longer than that hides how the cup climbed; one reading in 5 s does not


@stored("kick-rule")
@dataclass(frozen=True, slots=True, kw_only=True)
class KickRule:
    """Thresholds; [model] means the building seeds of tests/cup_population.py."""

    least_rise_k: float = 20.0  # calc: a two-lag body is steepest after 16 K in a 60 K hotter bath, 21 K in an 80 K one
    most_half_rate: float = 0.82  # calc: two lags 0.90, three 0.885; [model] 95 % of witness cups below 0.76
    most_quarter_rate: float = 0.60  # calc: two lags 0.74, three 0.68; a broad measured reaction peak 0.51
    least_lead_up_s: float = 12.0  # [model] from a quarter of the rise on cups take 19 s or more, a moved probe 6 s
    rate_sd_share: float = 0.03  # calc: the greatest of some ten noisy slopes is then about 5 % too high
    fall_share: float = 0.12  # [model] 7 % for the peak itself and 5 % for that bias
    confirm_s: float = 5.0  # calc: a probe lifted into air falls 2 K in it even through a 40 s film of resin
    least_rate_k_s: float = 0.06  # [model] 19 of 20 residue cups peak above 0.09 K/s; a room warms slower
    reacting_rise_k: float = 15.0  # [model] 0.6 to 0.7 of the way to the kick
    reacting_half_rate: float = 0.65  # calc: two lags never go below 0.71, three hardly below 0.65
    gel_rise_k: float = (
        95.0  # [model] with gel_rate_share: 94 % of witness cups gel before gel_by, 92 % of residue cups
    )
    gel_rate_share: float = 0.6
    spike_gate_k: float = 4.0  # [model] together with 2 s of the present slope
    gap_s: float = 75.0  # common practice: holes to 60 s are bridged; silent for longer, a probe may have been moved


@stored("found")
@dataclass(frozen=True, slots=True)
class Found:
    """A kick: the heating rate's peak `at` and the time gel is due by [unix s].

    doubt_s: of `at` [s]; the probe's reading [C], the rise [K] and the rate [K/s] are those at the peak.
    """

    at: float
    gel_by: float
    doubt_s: float
    temp_c: float
    rise_k: float
    rate_k_s: float


@stored("kick-finder")
@dataclass(slots=True)
class KickFinder:
    """Finds the kick in one cup's samples.  Memory is bounded, a second costs O(1).

    Feed `see`; read `found`, `is_reacting`, `rise_k`.  tau_s: cooling time of this kind of cup [s]; lag_s: its probe's
    time constant [s].  `record` counts the records begun, `breaks` those begun by a break, `moves`
    those of them begun by a probe that is elsewhere; `onset_t` is when the
    present one was last as good as flat [unix s].
    """

    tau_s: float
    lag_s: float
    rule: KickRule = field(default_factory=KickRule)
    found: Found | None = None
    is_reacting: bool = False
    base_c: float | None = None
    onset_t: float | None = None
    record: int = 0
    breaks: int = 0
    moves: int = 0
    _record: ProbeRecord = field(init=False)
    _steps: JunctionSteps = field(default_factory=JunctionSteps)
    _points: deque[Point] = field(default_factory=lambda: deque(maxlen=80))
    _doubts: TimeDoubts = field(default_factory=lambda: TimeDoubts(WINDOWS_S[-1]))
    _balance: HeatBalance = field(init=False)
    _scales: tuple[Scale, ...] = ()
    _base_k: float | None = None
    _fall: tuple[float, float] | None = None
    _hole_k: float = 0.0
    """What of the rise came in holes of the record, unseen [K]."""

    def __post_init__(self) -> None:
        self._record = ProbeRecord(self.rule.spike_gate_k, self.rule.gap_s)
        self._clear()

    def restart(self) -> None:
        """Forget the record so far: another cup's worth of resin begins."""
        self._record.forget()
        self._steps.restart()
        self._clear()

    def _clear(self) -> None:
        self.found, self.is_reacting, self.base_c, self.onset_t = None, False, None, None
        self.record += 1
        self._points.clear()
        self._balance = HeatBalance(self.tau_s, self.lag_s)
        self._scales = tuple(Scale(w) for w in WINDOWS_S)
        self._base_k, self._fall, self._hole_k = None, None, 0.0

    def see(self, t: float, probe_c: float, room_c: float, doubt_s: float = 0.0) -> list[Second]:
        """Take one good sample and the room's temperature [unix s, C, C]; returns the seconds it completed.

        doubt_s: how well t is known [s].
        """
        self._doubts.see(t, doubt_s)
        fast = self._quickest()
        rate = fast.rate if fast else 0.0
        raw = self._record.see(t, probe_c, rate, self.is_reacting)
        seconds = [x for each in raw for x in self._steps.see(each, self.noise_k)]
        for second in seconds:
            self._take(second, room_c)
        return seconds

    @property
    def rise_k(self) -> float:
        """What the reaction has put into the cup since the record began [K], smoothed over 5 s."""
        now = self._quickest()
        return 0.0 if now is None or self._base_k is None else max(0.0, now.rise - self._base_k)

    @property
    def smooth_c(self) -> float | None:
        """The cup's temperature smoothed over 5 s, or over the shortest window that holds four seconds [C]; the steps
        of a cold junction taken out."""
        now = self._quickest()
        return None if now is None else now.temp

    @property
    def reading_c(self) -> float | None:
        """The same as the probe reads it [C]."""
        return None if self.smooth_c is None else self.smooth_c + self._steps.offset_k

    def _quickest(self) -> Slope | None:
        return next((scale.now for scale in self._scales if scale.now is not None), None)

    @property
    def noise_k(self) -> float:
        """sd of one second's value [K]."""
        return self._record.noise_k

    def _take(self, second: Second, room_c: float) -> None:
        if second.starts_anew and self._points:
            self.breaks += 1
            self.moves += 1
            self._clear()
        rise = self._balance.update(second.t, second.temp_c, room_c)
        if self._points and second.t - self._points[-1][0] > HOLE_S:
            self._hole_k += max(0.0, rise - self._points[-1][1])
        self._points.append((second.t, rise, second.temp_c))
        for scale in self._scales:
            scale.now = None
        for scale in self._scales:
            slope = line(self._points, scale.window_s, self.noise_k, self._doubt_s(scale))
            if slope is not None:
                self._measure(scale, slope)
        if self.rise_k < 1.0 + 3.0 * self.noise_k or self.onset_t is None:
            self.onset_t = second.t
        self._judge()

    def _measure(self, scale: Scale, slope: Slope) -> None:
        """The 9 s mean, or of a slow probe the next that there is, sets the base of the rise: its lowest so far."""
        is_base = scale is not self._scales[0] and all(s.now is None for s in self._scales[1:])
        if is_base and (self._base_k is None or slope.rise < self._base_k):
            self._base_k, self.base_c = slope.rise, slope.temp
            for other in self._scales:
                other.at_rise.clear()
        if self._base_k is not None:
            scale.take(slope, self._base_k, self.rule.least_rise_k)

    def _doubt_s(self, scale: Scale) -> float:
        """How much longer or shorter the scale's present window may have been [s]."""
        return self._doubts.over(self._points[-1][0], scale.window_s)

    def _believed(self) -> Scale | None:
        """The shortest window whose slope is known well enough, in time too; else the longest that has one."""
        best = None
        for scale in self._scales:
            if scale.now is None:
                continue
            best = scale
            top = scale.peak or scale.now
            is_timed = self._doubt_s(scale) <= DOUBT_SHARE * scale.window_s
            if is_timed and top.sd <= self.rule.rate_sd_share * top.rate:
                break
        return best

    def _judge(self) -> None:
        scale = self._believed()
        if self._base_k is None or self.found is not None or scale is None or scale.now is None:
            return
        self.is_reacting = self.is_reacting or self._is_climbing_faster(scale, scale.now)
        if scale.peak is None or not self._is_past(scale, scale.peak, scale.now):
            self._fall = None
            return
        self._confirm(scale, scale.peak)

    def _is_climbing_faster(self, scale: Scale, now: Slope) -> bool:
        rise, rule = now.rise - (self._base_k or 0.0), self.rule
        half, quarter = scale.when_at(0.5 * rise), scale.when_at(0.25 * rise)
        if rise < rule.reacting_rise_k or now.rate < max(rule.least_rate_k_s, 6.0 * now.sd):
            return False
        if half is None or quarter is None or now.t - quarter[0] < 0.5 * rule.least_lead_up_s:
            return False
        return half[1] + 2.0 * now.sd <= rule.reacting_half_rate * now.rate

    def _is_past(self, scale: Scale, peak: Slope, now: Slope) -> bool:
        rule = self.rule
        is_seen = peak.rate >= max(rule.least_rate_k_s, 6.0 * peak.sd)
        fall = max(rule.fall_share, 4.0 * peak.sd / peak.rate) if is_seen else 1.0
        most = fastest(now.rate, scale.window_s, self._doubt_s(scale))
        return is_seen and self._has_led_up(scale, peak) and most < (1.0 - fall) * peak.rate

    def _has_led_up(self, scale: Scale, peak: Slope) -> bool:
        rise, rule = peak.rise - (self._base_k or 0.0), self.rule
        half, quarter = scale.when_at(0.5 * rise), scale.when_at(0.25 * rise)
        if half is None or quarter is None or peak.t - quarter[0] < rule.least_lead_up_s:
            return False
        if rise - self._hole_k < rule.least_rise_k:
            return False
        is_slower = half[1] <= rule.most_half_rate * peak.rate
        return is_slower or quarter[1] <= rule.most_quarter_rate * peak.rate

    def _confirm(self, scale: Scale, peak: Slope) -> None:
        """Believe the peak once the rate has been lower for confirm_s while heat was still being added."""
        last = list(self._points)[-3:]
        t, recent_k = last[-1][0], sum(p[1] for p in last) / len(last)
        if self._fall is None:
            self._fall = (t, recent_k)
        if t - self._fall[0] < self.rule.confirm_s:
            return
        gain_k, doubt_k = recent_k - self._fall[1], 2.5 * self.noise_k * sqrt(2.0 / 3.0)
        if gain_k < -doubt_k:
            self.breaks += 1
            self._clear()
        elif gain_k > 0.15 * peak.rate * self.rule.confirm_s - doubt_k:
            self.found, self.is_reacting = self._settle(scale, peak), True
            for each in self._scales:
                each.near_peak = []  # only a peak still to be found is refined by its neighbours

    def _settle(self, scale: Scale, peak: Slope) -> Found:
        rise = peak.rise - (self._base_k or 0.0)
        at = (scale.peak_t() or peak.t) - self.lag_s
        to_gel_s = max(0.0, self.rule.gel_rise_k - rise) / (self.rule.gel_rate_share * peak.rate)
        return Found(at, at + to_gel_s, 1.0 + 0.25 * scale.window_s, peak.temp, rise, peak.rate)
