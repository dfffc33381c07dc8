"""Estimates how a lot's kick time drifts with its age since opening, from its kicks converted to 23 C.

Each kick is converted to 23 C: twice as slow for each 10 C colder (common practice), or by the activation energy the
bench has learned for the resin.  Then ln(kick over label) = level + slope x age, by least squares; the slope's
uncertainty comes from the residuals, at least POUR_SD, with Student's t for few pours.  A slope is used only when it is
clear: at least LEAST pours over LEAST_DAYS, and zero outside its 99 % interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchd.core.bench import Resin
from benchd.core.model.learned import LEAST_AGED, MOST_LN, Drift
from benchd.physics.cup_heat import LABEL_TEMP_C, label_time_factor
from benchd.physics.kinetics import rate_ratio
from benchd.physics.label_cure import learned_e_j_mol

LEAST_DAYS = 7.0  # closer together they say nothing of ageing; common practice, no source
POUR_SD = 0.05  # ln spread from pour to pour of one lot [study, as in physics/cure_prior]
Z99 = 2.5758  # standard normal, two-sided 99 %
COARSE = 0.02  # a slope known to no better than 2 % a day tells nothing; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class KickSeen:
    """One pour of a lot: when it was mixed [unix s], the lot's age then, seconds to its kick, the room then [C]."""

    pour: str
    mix_t: float
    age_days: float
    kick_s: float
    temp_c: float


def at_label_temp_s(kick_s: float, temp_c: float, label: Resin) -> float:
    """The time of a kick converted to 23 C [s]: kick_s / 2^((23 - T)/10), or by Arrhenius' law with a learned energy.

    kick_s: from the mix to the kick [s]; temp_c: the room's temperature T then [C]; label: its [cure] table may give
    the activation energy.  Sources: common practice (physics/cup_heat.label_time_factor), physics/kinetics.rate_ratio.
    """
    e_j_mol = learned_e_j_mol(label.cure)
    if e_j_mol is None:
        return kick_s / label_time_factor(temp_c)
    return kick_s * rate_ratio(e_j_mol, LABEL_TEMP_C, temp_c)


def drift_of(kicks: Sequence[KickSeen], label: Resin) -> Drift | None:
    """The line through a lot's kicks by least squares; None with fewer than three, or all at one age.

    y = level + per_day (a - mean a) with y = ln(kick at 23 C / label's pot life) and a the lot's age [days]; noise =
    sqrt(sum of squared residuals / (n - 2)), at least POUR_SD; sd of per_day = noise / sqrt(sum (a - mean a)^2). Kicks
    with |y| above MOST_LN are left out.
    """
    points = [(k.age_days, math.log(at_label_temp_s(k.kick_s, k.temp_c, label) / label.pot_life_s)) for k in kicks]
    points = [(age, ln) for age, ln in points if abs(ln) <= MOST_LN]
    n = len(points)
    if n < 3:
        return None
    mean_days, level = math.fsum(a for a, _ in points) / n, math.fsum(v for _, v in points) / n
    spread = math.fsum((a - mean_days) ** 2 for a, _ in points)
    if spread < 1e-6:
        return None
    per_day = math.fsum((a - mean_days) * (v - level) for a, v in points) / spread
    rest = math.fsum((v - level - per_day * (a - mean_days)) ** 2 for a, v in points)
    noise = max(math.sqrt(rest / (n - 2)), POUR_SD)
    sd = noise / math.sqrt(spread)
    ages = [age for age, _ in points]
    is_long = n >= LEAST_AGED and max(ages) - min(ages) >= LEAST_DAYS
    is_clear = is_long and abs(per_day) > student_99(n - 2) * sd
    return Drift(
        level=level, per_day=per_day, sd=sd, noise=noise, pours=n, mean_days=mean_days, last_days=max(ages),
        is_clear=is_clear,
    )  # fmt: skip


def student_99(freedom: int) -> float:
    """Two-sided 99 % point of Student's t for `freedom` degrees of freedom, 3 and more, to 4 %.

    z + (z^3 + z)/(4 v) + (5 z^5 + 16 z^3 + 3 z)/(96 v^2) + (3 z^7 + 19 z^5 + 17 z^3 - 15 z)/(384 v^3), with z the
    normal distribution's point and v = freedom.

    Source: M. Abramowitz, I. A. Stegun, "Handbook of Mathematical Functions", 1964, 26.7.5,
    https://personal.math.ubc.ca/~cbm/aands/page_949.htm.

    >>> round(student_99(10), 3)
    3.168
    """
    z, v = Z99, float(freedom)
    first = (z**3 + z) / (4.0 * v)
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * v**2)
    return z + first + second + (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / (384.0 * v**3)


def rounded(drift: Drift) -> Drift:
    """The line as it is remembered: a lesson that says nothing new changes nothing."""
    return replace(
        drift, level=round(drift.level, 3), per_day=round(drift.per_day, 5), sd=round(drift.sd, 5),
        noise=round(drift.noise, 3), mean_days=round(drift.mean_days, 1), last_days=round(drift.last_days, 1),
    )  # fmt: skip


def words(drift: Drift | None, kicks: int) -> str:
    """The drift in words for a report, with its uncertainty and number of pours."""
    if drift is None:
        return f"cannot be told from {kicks} kicks with a known temperature"
    if drift.pours < LEAST_AGED or drift.sd > COARSE:
        return f"cannot be told yet: {drift.pours} kicks with a known temperature, too few or too close together"
    told = f"{_share(drift.per_day):+.1f} % a day (+-{_share(drift.sd):.1f}, n = {drift.pours})"
    if not drift.is_clear:
        return f"none that is clear: {told}"
    way = "later" if drift.per_day > 0.0 else "sooner"
    return f"kicks {way} each day: {told}; the plan and the working time count with it"


def _share(ln: float) -> float:
    return 100.0 * (math.exp(ln) - 1.0)
