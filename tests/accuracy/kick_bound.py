"""What the best forecaster could say of a family's kicks: one that knows the law and how resins differ, not this resin.

    PYTHONPATH=tests python tests/accuracy/kick_bound.py 25 2        25 resins of each family, 2 pours of each

Such a forecaster knows more than benchd may: the family's rate law, its gel, its heat balance, its probe's law, when
the probe went in, how noisy it is, and how resins differ.  It doesn't know this resin's numbers, its lot, its label's
error, its weighing, its start, the probe's spot, lag and offset.  At the true numbers the curve so far and the prior
make an information matrix (the noise's Fisher information and the prior's own: van Trees, Detection, Estimation, and
Modulation Theory I, 1968, 2.4.3); its inverse gives the least sd of ln of the time to the kick.  Errors of such a
Gaussian, over all pours, are the row.  A clipped or uniform prior counts by its variance.  Slopes are taken over half
of a prior sd, so that the solver's steps don't pass for information.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, hypot, log, sqrt

import numpy as np
from rehearsed import families, family_pours
from rehearsed.families import FAMILIES, FamilyResin, cup_of, draw, fresh
from rehearsed.family_pours import FamilyPour, pour_of
from rehearsed.shells import Array, Course, run

FIRST = 1000
SHARES = (0.5, 0.7)
IN_LN = ("k1", "wake", "seed", "bare", "wet")
NO_PART = {  # numbers that move neither a cup's curve nor its gel
    "two-rate": ("soft", "hard", "margin"),
    "delayed": ("soft", "hard", "margin", "bend", "tg0", "tg1"),
    "diffusion": ("soft", "hard", "margin", "bend", "tg0", "tg1"),
    "moisture": ("soft", "hard", "margin", "bend", "tg0", "tg1", "rise"),
}
POUR_NAMES = ("speed", "ratio", "start", "spot", "ln_lag", "offset")
POUR_SDS = (hypot(families.LABEL_SD, family_pours.LOT_SD), 0.02, 1.3, family_pours.DEEP_ENOUGH / sqrt(12.0), 0.4, 0.5)
STRIDE = 0.5  # of a prior sd
BINS = 40  # of the curve so far
READING_SD_K, READINGS_HZ = 0.1, 2.0  # the middle of what family_pours draws
LEAST_BIN_SD_K = 0.03  # steps of a quarter degree don't average away
IN_S, LAG_S = 40.0, 3.0
DRAWS = 4000


@dataclass(frozen=True, slots=True)
class Spread:
    """names (numbers) of a family that matter, and the root of their covariance (numbers, numbers), ln where IN_LN."""

    names: tuple[str, ...]
    root: Array


def spread_of(family: str) -> Spread:
    """How a family's resins differ, from its own draws."""
    rng = np.random.default_rng(5)
    drawn = [families.drawn_numbers(family, rng) for _ in range(DRAWS)]
    names = tuple(name for name in drawn[0] if name not in NO_PART[family])
    table = np.array([[_coordinate(name, one[name]) for name in names] for one in drawn])
    covariance = np.cov(table.T) + 1e-9 * np.diag(table.var(axis=0))
    return Spread(names, np.asarray(np.linalg.cholesky(covariance), dtype=np.float64))


def _coordinate(name: str, value: float) -> float:
    return log(value) if name in IN_LN else value


def _moved(numbers: Mapping[str, float], spread: Spread, z: Array) -> dict[str, float]:
    out = dict(numbers)
    for name, by in zip(spread.names, (spread.root @ z).tolist(), strict=True):
        out[name] = exp(log(out[name]) + by) if name in IN_LN else out[name] + by
    return out


def gel_margin(resin: FamilyResin, course: Course, ratio: float) -> Array:
    """How far the most advanced shell is past its gel at each step, by bisection of the family's own rule."""
    low, high = np.full(len(course.times_s), -0.5), np.full(len(course.times_s), 0.5)
    for _ in range(20):
        middle = 0.5 * (low + high)
        ahead = course.states.copy()
        ahead[:, 0] -= middle[:, None]
        gelled = np.array([resin.is_gelled(s, t, ratio).any() for s, t in zip(ahead, course.temp_c, strict=True)])
        low, high = np.where(gelled, middle, low), np.where(gelled, high, middle)
    return np.asarray(0.5 * (low + high))


def smooth_gel_s(resin: FamilyResin, course: Course, ratio: float) -> float:
    """When the first of the resin gels [s], between the solver's steps; inf if never."""
    margin = gel_margin(resin, Course(course.times_s[-2:], course.temp_c[-2:], course.states[-2:]), ratio)
    if margin[1] <= 0.0:
        return float("inf")
    share = float(-margin[0] / (margin[1] - margin[0]))
    return float(course.times_s[-2] + share * (course.times_s[-1] - course.times_s[-2]))


def label_gel_s(resin: FamilyResin) -> float:
    """What its label's cup truly takes [s]."""
    course = run(cup_of(resin.family, 100.0), resin.law(), fresh(resin.family), 23.0, 23.0, 23.0,
                 families.NEVER * resin.pot_life_s, families.stop_at_gel(resin, 1.0))  # fmt: skip
    return smooth_gel_s(resin, course, 1.0)


def labelled(resin: FamilyResin, true_s: float) -> FamilyResin:
    """The resin at the speed at which its label's cup gels at true_s [s]."""
    speed = resin.speed
    for _ in range(4):
        now = replace(resin, speed=speed)
        got_s = label_gel_s(now)
        if abs(log(got_s / true_s)) < 5e-4:
            break
        speed *= (got_s / true_s) ** 1.1
    return replace(resin, speed=speed)


def seen(resin: FamilyResin, pour: FamilyPour, p: Mapping[str, float], at_s: Array) -> tuple[Array, float]:
    """(the probe's readings at at_s [C], ln of the time to the kick [s])."""
    body, ratio = cup_of(resin.family, pour.mass_g), pour.ratio + p["ratio"]
    law = resin.law(pour.lot * exp(p["speed"]), ratio)
    course = run(body, law, fresh(resin.family), pour.resin_c + p["start"], pour.room_c, pour.room_c, 4.0 * pour.kick_s,
                 families.stop_at_gel(resin, ratio))  # fmt: skip
    kick_s = smooth_gel_s(resin, course, ratio)
    middles = (np.arange(body.shells) + 0.5) / body.shells
    spot = 0.5 * family_pours.DEEP_ENOUGH + p["spot"]
    temp_c = np.array([np.interp(spot, middles, row) for row in course.temp_c])
    lag_s = LAG_S * exp(p["ln_lag"])
    lagged = np.interp(at_s - lag_s, course.times_s, temp_c)
    return lagged + p["offset"], log(kick_s)


def least_sd(jacobian: Array, gradient: Array, noise_sd: float) -> float:
    """The least sd of what moves by gradient (numbers) where points (points, numbers) move by the jacobian.

    Both are for one prior sd of each number; noise_sd is that of each point.
    """
    information = jacobian.T @ jacobian / noise_sd**2 + np.eye(len(gradient))
    return sqrt(float(gradient @ np.linalg.solve(information, gradient)))


def slopes_of(resin: FamilyResin, pour: FamilyPour, spread: Spread, at_s: Array) -> tuple[Array, Array]:
    """How the readings at at_s (points, numbers) [K] and ln of the kick (numbers) move by a prior sd of each number."""
    none, true_s = dict.fromkeys(POUR_NAMES, 0.0), label_gel_s(resin)
    base, ln_kick = seen(resin, pour, none, at_s)
    moved = []
    for z in STRIDE * np.eye(len(spread.names)):
        other = labelled(replace(resin, numbers=_moved(resin.numbers, spread, z)), true_s)
        moved.append(seen(other, pour, none, at_s))
    for name, sd in zip(POUR_NAMES, POUR_SDS, strict=True):
        moved.append(seen(resin, pour, {**none, name: STRIDE * sd}, at_s))
    jacobian = np.array([(curve - base) / STRIDE for curve, _ in moved]).T
    return jacobian, np.array([(ln_other - ln_kick) / STRIDE for _, ln_other in moved])


def least_sds(resin: FamilyResin, pour: FamilyPour, spread: Spread) -> tuple[float, ...]:
    """The least sd of ln of the time to the kick at SHARES of it."""
    at_s = np.linspace(IN_S + 2.0 * LAG_S, max(SHARES) * pour.kick_s, BINS)
    jacobian, gradient = slopes_of(resin, pour, spread, at_s)
    readings = max(READINGS_HZ * float(at_s[1] - at_s[0]), 1.0)
    noise_sd = hypot(READING_SD_K / sqrt(readings), LEAST_BIN_SD_K)
    return tuple(least_sd(jacobian[at_s <= share * pour.kick_s], gradient, noise_sd) for share in SHARES)


def bound_rows(resins: int, pours: int, first: int = FIRST) -> list[str]:
    """The card: the errors such a forecaster would make at SHARES of the time, one row a family."""
    out = ["| family | pours | half time: median / p90 % | 70 % |", "|" + "---|" * 4]
    rng = np.random.default_rng(9)
    for family in FAMILIES:
        spread, sds = spread_of(family), list[tuple[float, ...]]()
        for seed in range(first, first + resins):
            resin = draw(family, seed)
            drawn = [pour for i in range(pours) if (pour := pour_of(resin, seed * 100 + i)) is not None]
            sds += [least_sds(resin, pour, spread) for pour in drawn]
        cells = []
        for column in np.array(sds).T:
            errors = 100.0 * np.abs(np.exp(column[:, None] * rng.normal(size=(len(column), 200))) - 1.0)
            cells.append("{:.1f} / {:.1f}".format(*np.percentile(errors, [50, 90])))
        out.append(f"| {family} | {len(sds)} | {' | '.join(cells)} |")
    return out


if __name__ == "__main__":
    print("\n".join(bound_rows(int(sys.argv[1]), int(sys.argv[2]))))
