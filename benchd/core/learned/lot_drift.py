"""Estimates how a lot's kick time drifts with its age since opening, from its kicks converted to 23 C.

Each kick is converted to 23 C: twice as slow for each 10 C colder (common practice), or by the activation energy the
bench has learned for the resin.  Then ln(kick over label) = level + slope x age, by least squares; the slope's
uncertainty comes from the residuals, at least POUR_SD, with Student's t for few pours.  A slope is used only when it is
clear: at least LEAST pours over LEAST_DAYS, and zero outside its 99 % interval.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.core.bench import Resin
from benchd.physics.cup_heat import LABEL_TEMP_C, label_time_factor
from benchd.physics.kinetics import rate_ratio
from benchd.physics.label_cure import learned_e_j_mol

LEAST, LEAST_DAYS = 6, 7.0  # fewer, or closer together, show no ageing; common practice, no source
POUR_SD = 0.05  # ln spread from pour to pour of one lot [study, as in physics/cure_prior]
Z99 = 2.5758  # standard normal, two-sided 99 %
MOST_LN = math.log(4.0)  # beyond four times the label it is another resin, or a wrong time
COARSE = 0.02  # a slope known no better than to 2 % a day is useless; common practice, no source
MOST_EXTRA_DAYS = 30.0  # a line is not extrapolated more than a month past its last pour


@dataclass(frozen=True, slots=True, kw_only=True)
class KickSeen:
    """One pour of a lot: when it was mixed [unix s], the lot's age then, seconds to its kick, the room then [C]."""

    pour: str
    mix_t: float
    age_days: float
    kick_s: float
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """The line: ln(kick at 23 C over the label's) is `level` at `mean_days`, and `per_day` more each day."""

    level: float
    per_day: float
    sd: float
    noise: float
    pours: int
    mean_days: float
    last_days: float
    is_clear: bool

    def ln_at(self, age_days: float) -> tuple[float, float]:
        """(ln of the kick over the label's at that age, its sd without the next pour's own spread).

        level + per_day (a - mean_days), sd = sqrt(noise^2/pours + (sd (a - mean_days))^2); a: age_days [days since
        opening], at most MOST_EXTRA_DAYS after the last pour.

        >>> line = Drift(
        ...     level=0.1, per_day=0.02, sd=0.004, noise=0.06, pours=9, mean_days=10, last_days=20, is_clear=True
        ... )
        >>> [round(value, 4) for value in line.ln_at(15.0)]
        [0.2, 0.0283]
        """
        ahead = min(age_days, self.last_days + MOST_EXTRA_DAYS) - self.mean_days
        return self.level + self.per_day * ahead, math.hypot(self.noise / math.sqrt(self.pours), self.sd * ahead)


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
    is_long = n >= LEAST and max(ages) - min(ages) >= LEAST_DAYS
    return Drift(
        level=level, per_day=per_day, sd=sd, noise=noise, pours=n, mean_days=mean_days, last_days=max(ages),
        is_clear=is_long and abs(per_day) > student_99(n - 2) * sd,
    )  # fmt: skip


def student_99(freedom: int) -> float:
    """Two-sided 99 % point of Student's t for `freedom` degrees of freedom, 3 and more, to 4 %.

    z + (z^3 + z)/(4 v) + (5 z^5 + 16 z^3 + 3 z)/(96 v^2) + (3 z^7 + 19 z^5 + 17 z^3 - 15 z)/(384 v^3), with z the
    normal distribution's point and v = freedom.

    Source: M. Abramowitz, I. A. Stegun, "Handbook of Mathematical Functions", 1964, 26.7.5 (from memory).

    >>> round(student_99(10), 3)
    3.168
    """
    z, v = Z99, float(freedom)
    first = (z**3 + z) / (4.0 * v)
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * v**2)
    return z + first + second + (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / (384.0 * v**3)


def to_plain(drift: Drift) -> dict[str, Any]:
    """The value of learned["lots"][id], rounded, so that a lesson with nothing new changes nothing."""
    places = {"level": 3, "per_day": 5, "sd": 5, "noise": 3, "mean_days": 1, "last_days": 1}
    plain: dict[str, Any] = {name: round(getattr(drift, name), n) for name, n in places.items()}
    return plain | {"pours": drift.pours, "is_clear": drift.is_clear}


def drift_from(learned: Mapping[str, Any], lot: str | None) -> Drift | None:
    """A lot's drift from learned["lots"], if it is clear; None otherwise, or where it cannot be read."""
    lots = learned.get("lots")
    plain = lots.get(lot) if isinstance(lots, Mapping) and lot else None
    if not isinstance(plain, Mapping) or plain.get("is_clear") is not True:
        return None
    try:
        numbers = {k: float(plain[k]) for k in ("level", "per_day", "sd", "noise", "mean_days", "last_days")}
        pours = int(plain["pours"])
    except (KeyError, TypeError, ValueError):
        return None
    is_sound = all(math.isfinite(v) for v in numbers.values()) and pours >= LEAST and abs(numbers["level"]) <= MOST_LN
    return Drift(**numbers, pours=pours, is_clear=True) if is_sound else None


def words(drift: Drift | None, kicks: int) -> str:
    """The drift in words for a report, with its uncertainty and number of pours."""
    if drift is None:
        return f"cannot be told from {kicks} kicks with a known temperature"
    if drift.pours < LEAST or drift.sd > COARSE:
        return f"cannot be told yet: {drift.pours} kicks with a known temperature, too few or too close together"
    told = f"{_share(drift.per_day):+.1f} % a day (+-{_share(drift.sd):.1f}, n = {drift.pours})"
    if not drift.is_clear:
        return f"none that is clear: {told}"
    way = "later" if drift.per_day > 0.0 else "sooner"
    return f"kicks {way} each day: {told}; the plan and the working time count with it"


def _share(ln: float) -> float:
    return 100.0 * (math.exp(ln) - 1.0)
