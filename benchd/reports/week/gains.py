"""Estimates what one more measurement would have gained in a week: kicks marked, a scale, a gas probe.

What a forecast or a judgement leaves open now, and what it would leave open with the measurement, both by the
functions that make it, over this bench's own pours and holds:

    witness kick   the window before the next mix, once learned from the last pours with their kicks marked, and
                   without the marks
    scale          how much of the spread of this lot's kicks the ratio, as weighed, explains (adjusted R^2)
    gas probe      how long after the inlet was shut the last tight holds were proved tight, had their gas been measured

The parts' two are in gains_ready.py.  Where a bench has too little to say, it is told how much is missing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median
from typing import Literal

from benchd.core.bench import Bench, Resin
from benchd.core.learned.cure_lessons import FOUND_SHARE, MARKED_S, MARKED_SHARE, Lesson, cup_at_mix, taught_table
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.leak_bank import Kind
from benchd.physics.leak_verdict import FLOOR_SD_PSI_MIN, LeakLimits
from benchd.reports.blame import ratio_error
from benchd.reports.records import PourRecord
from benchd.shelf.pot_habits import Fill, tight_after_s
from benchd.watchers.leak.tune import Settings as LeakSettings

LEAST_LESSONS = 3  # fewer kicks show no spread; common practice, no source
LEAST_WEIGHED = 6  # points for a slope and its scatter; common practice, no source
LEAST_HELP = 0.02  # of a window: less helps nobody
LEAST_OPEN = 0.1  # windows that are right leave one in ten outside
SMOOTHED = 15  # samples to each side: the synthetic gas follows the pressure, not its noise
LEAK = LeakSettings()


Area = Literal["kick", "part", "leak"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """One measurement: what it serves, what is open now and would be with it (in `unit`), for how many of how many.

    area: what it serves, as verdicts are counted; open_share: the share of the week's verdicts there that were wrong or
    that nobody can tell.  lacking: what is missing before it can be told; then `now` and `with_it` are None, as they
    are of what is in use.  note: what else would help.
    """

    measure: str
    serves: str
    unit: str
    now: float | None = None
    with_it: float | None = None
    helps: int = 0
    of: int = 0
    lacking: str = ""
    note: str = ""
    area: Area = "kick"
    open_share: float = 1.0

    @property
    def weight(self) -> float:
        """How much it would have helped this week: what would be narrower, where something was open."""
        return self.narrower * max(self.open_share, LEAST_OPEN)

    @property
    def narrower(self) -> float:
        """The share by which what is open would shrink, over all it could serve (0 to 1); 0 where it can't be told."""
        if not self.now or self.with_it is None or not self.of:
            return 0.0
        return max(0.0, 1.0 - self.with_it / self.now) * self.helps / self.of


# --------------------------------------------------------------------------------------------------------- the kick


def kick_gain(bench: Bench, resin: Resin, lessons: Sequence[Lesson], week: Sequence[PourRecord]) -> Gain:
    """A witness cup whose kick is marked by hand: the next pour's window, learned with and without the marks."""
    mine = [pour for pour in week if (label := bench.label_for(pour.lot)) is not None and label.id == resin.id]
    gain = Gain(measure="witness cup marked `kicked`", serves="kick window before the mix", unit="s", of=len(mine))
    if len(lessons) < LEAST_LESSONS:
        return replace(gain, lacking=_needs(LEAST_LESSONS, "pours with a known kick", len(lessons)))
    bare = replace(resin, cure=taught_table(bench, resin, [_told(lesson, False) for lesson in lessons]))
    sure = replace(resin, cure=taught_table(bench, resin, [_told(lesson, True) for lesson in lessons]))
    present, without, marked = (_next_window_s(bench, each, lessons[-1]) for each in (resin, bare, sure))
    if without < (1.0 - LEAST_HELP) * present:
        gain = replace(
            gain,
            note=f"`benchd learn {resin.id}` by itself narrows the kick window from {present:.0f} to {without:.0f} s",
        )
    unmarked = [pour for pour in mine if pour.kick_basis != "marked"]
    if mine and not unmarked:
        return replace(gain, lacking=f"in use: {marked:.0f} s wide; without the marks {without:.0f} s")
    if marked > (1.0 - LEAST_HELP) * without:
        return replace(gain, lacking=f"would narrow little: {without:.0f} s without the marks, {marked:.0f} with them")
    return replace(gain, now=without, with_it=marked, helps=len(unmarked))


def _needs(needed: int, what: str, have: int) -> str:
    return f"needs {needed} {what}; has {have or 'none'}"


def _told(lesson: Lesson, is_marked: bool) -> Lesson:
    """The same pour as if its kick had been marked, or had only been found in its curve."""
    sd = math.hypot(MARKED_SHARE, MARKED_S / lesson.kick[0]) if is_marked else FOUND_SHARE
    return replace(lesson, kick=(lesson.kick[0], sd), is_marked=is_marked)


def _next_window_s(bench: Bench, resin: Resin, last: Lesson) -> float:
    """How wide the kick's window would be at another mix like the last [s], by the resin's [cure] table."""
    early_s, _, late_s = cup_at_mix(bench, resin, last).expect(last.room_c, last.start_c).window_s(0.0)
    return late_s - early_s


# -------------------------------------------------------------------------------------------------------- the scale


def scale_gain(bench: Bench, kicks: Sequence[tuple[PourRecord, float]], week: Sequence[PourRecord]) -> Gain:
    """A scale: how much of the spread of a lot's kicks (pour, kick at 23 C [s]) the weighed ratio explains."""
    gain = Gain(measure="scale", serves="kick from pour to pour", unit="s", of=len(week))
    unweighed = sum(pour.batch_g is None for pour in week)
    if week and not unweighed:
        return replace(gain, lacking="in use: every pour of the week was weighed")
    points = [(error, kick_s) for pour, kick_s in kicks if (error := ratio_error(bench, pour)) is not None]
    if len(points) < LEAST_WEIGHED:
        return replace(gain, lacking=_needs(LEAST_WEIGHED, "weighed pours of one lot with a known kick", len(points)))
    spread, rest = spread_explained([x for x, _ in points], [y for _, y in points])
    return replace(gain, now=spread, with_it=rest, helps=unweighed)


def spread_explained(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """(sd of y, sd of y about its straight line in x), both unbiased; the second never above the first.

    sd_y^2 = S_yy/(n - 1), sd_rest^2 = (S_yy - S_xy^2/S_xx)/(n - 2): their ratio is 1 - adjusted R^2.

    >>> [round(v, 3) for v in spread_explained([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 5.0, 7.0])]
    [2.582, 0.0]
    """
    n, mean_x, mean_y = len(x), fmean(x), fmean(y)
    s_xx = math.fsum((a - mean_x) ** 2 for a in x)
    s_yy = math.fsum((b - mean_y) ** 2 for b in y)
    s_xy = math.fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True))
    spread = math.sqrt(s_yy / (n - 1))
    rest = s_yy - s_xy**2 / s_xx if s_xx > 0.0 else s_yy
    return spread, min(spread, math.sqrt(max(0.0, rest) / (n - 2)))


# ----------------------------------------------------------------------------------------------------- the gas probe


def gas_gain(bench: Bench, fills: Sequence[Fill], holds: int) -> Gain:
    """A thermometer in the pot's gas: when these tight fills were proved tight with and without; holds: in the week."""
    gain = Gain(measure="gas probe in the pot", serves="shut pot until proved tight", unit="min", of=holds, area="leak")
    bare = [fill for fill in fills if not any(gas_c is not None for _, _, gas_c in fill.samples)]
    if fills and not bare:
        return replace(gain, lacking="in use")
    both = [
        (now, then) for fill in bare if (now := proved_s(bench, fill)) and (then := proved_s(bench, with_gas(fill)))
    ]
    if not both:
        return replace(gain, lacking="needs a tight hold with the inlet marked `shut`, its readings still kept")
    now_s, then_s = (median(pair[i] for pair in both) for i in (0, 1))
    return replace(gain, now=now_s / 60.0, with_it=then_s / 60.0, helps=holds)


def proved_s(bench: Bench, fill: Fill) -> float | None:
    """How long after it was shut the fill was proved tight to a slow leak [s]."""
    kind: Kind = "probed" if any(gas_c is not None for _, _, gas_c in fill.samples) else "bare"
    limits = LeakLimits(
        least_kpa_min=LEAK.least_probed_kpa_min if kind == "probed" else LEAK.least_kpa_min,
        slow_kpa_min=LEAK.slow_kpa_min, fast_kpa_min=LEAK.fast_kpa_min, floor_sd_kpa_min=FLOOR_SD_PSI_MIN[kind] * PSI,
        z=LEAK.z,
    )  # fmt: skip
    return tight_after_s(fill, bench.learned.pot(fill.pot), limits)


def with_gas(fill: Fill) -> Fill:
    """The same fill as if a probe had read the gas once the inlet was shut, the pot being tight.

    At constant mass T = T_end p/p_end, pressures absolute (Gay-Lussac), over a pressure smoothed of its noise.
    """
    at = [i for i, (t, _, _) in enumerate(fill.samples) if t >= fill.shut_t]
    if not at:
        return fill
    kpa_abs = [kpa + fill.p_atm_kpa for _, kpa, _ in fill.samples]
    smooth = {i: fmean(kpa_abs[max(at[0], i - SMOOTHED) : i + SMOOTHED + 1]) for i in at}
    end = smooth[at[-1]]
    samples = list(fill.samples)
    for i in at:
        t, kpa, _ = samples[i]
        samples[i] = (t, kpa, (fill.room_c + 273.15) * smooth[i] / end - 273.15)
    return replace(fill, samples=tuple(samples))
