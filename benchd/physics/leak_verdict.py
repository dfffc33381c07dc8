"""Turns a leak's estimate into a verdict, and into the time until the floor.

z is above every one of 240 simulated tight fills of the building seeds, loaded, probed and empty, in all whole minutes
from 2 to 10 (2.54 at most; 99 % of fills stay under 2.0): a pot's own five fills could not give such a quantile.  No
word is finer than the gauge: ASTM E2930 asks for a resolution ten times finer than the limit over the time judged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from benchd.physics import pot_gas
from benchd.physics.leak_bank import LeakEstimate

Z = 2.6
TIMES_FINER = 10.0  # ASTM E2930
SIZE_DOUBT = 0.03  # share of a leak's size: free volume aside, temperature and what no column has; from simulated fills
LEAST_BINS = 8  # 40 s: before that the gas cools too fast for any slow word
FLOOR_SD_PSI_MIN = {"bare": 0.03, "probed": 0.015, "empty": 0.012}
"""Doubt that more data do not lessen (gauge drift, shapes of no column), from simulated fills."""

Word = Literal["tight-to", "cant-tell", "slow", "fast"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakLimits:
    """Leaks in kPa/min at target: least worth a word, slow, fast; resolution_kpa of the gauge, 0 if unknown."""

    least_kpa_min: float
    slow_kpa_min: float
    fast_kpa_min: float
    floor_sd_kpa_min: float
    resolution_kpa: float = 0.0
    z: float = Z


@dataclass(frozen=True, slots=True)
class LeakVerdict:
    """The verdict's word; loss and doubt [kPa/min at target]; the leak the pot is tight to; why nothing can be said."""

    word: Word
    kpa_per_min: float
    sd_kpa_per_min: float
    tight_to_kpa_min: float
    why: str


def judged(
    found: LeakEstimate,
    full_kpa_abs: float,
    limits: LeakLimits,
    kpa_abs: float | None = None,
    p_atm_kpa: float = 101.325,
) -> LeakVerdict:
    """The verdict of an estimate.

    found: the bank's estimate; full_kpa_abs: the pot's target [kPa absolute]; limits: what is worth a word; kpa_abs:
    the pressure it was judged at [kPa absolute], None at target; p_atm_kpa: the air's [kPa absolute].
    """
    rate = found.per_min * full_kpa_abs
    base = math.hypot(found.sd * full_kpa_abs, limits.floor_sd_kpa_min)
    law = 0.0 if kpa_abs is None else law_doubt(kpa_abs, full_kpa_abs, p_atm_kpa)
    sd = math.hypot(base, SIZE_DOUBT * rate, law * rate)
    minutes = found.bins * 5.0 / 60.0
    finest = TIMES_FINER * limits.resolution_kpa / max(minutes, 1e-9)
    tight_to = abs(rate) + 2.0 * sd  # a rise that no column explains may hide a leak of its own size
    if found.bins < LEAST_BINS:
        return LeakVerdict("cant-tell", rate, sd, max(tight_to, finest), "too short a time")
    if rate >= limits.least_kpa_min and rate >= limits.z * base:
        return LeakVerdict("fast" if rate >= limits.fast_kpa_min else "slow", rate, sd, tight_to, "")
    if finest > limits.slow_kpa_min:
        return LeakVerdict("cant-tell", rate, sd, max(tight_to, finest), "the gauge is too coarse for so short a time")
    if tight_to > limits.slow_kpa_min:
        return LeakVerdict("cant-tell", rate, sd, tight_to, "cooling and warmth may still hide a leak")
    return LeakVerdict("tight-to", rate, sd, max(tight_to, finest), "")


def law_doubt(kpa_abs: float, full_kpa_abs: float, p_atm_kpa: float) -> float:
    """How far (a share, one sd) the loss at target may be off when it is computed from a loss seen at kpa_abs.

    Half of what lies between two laws: a hole's flow goes with p while it is choked (ISO 6358), a seep's through a long
    narrow gap with p^2 - p_atm^2 (laminar, isothermal); pressure alone can't tell which of them leaks.  0 unless
    p_atm < p < target, all in [kPa absolute].

    >>> law_doubt(400.0, 400.0, 101.325)
    0.0
    """
    if not p_atm_kpa < kpa_abs < full_kpa_abs:
        return 0.0
    seep = (kpa_abs**2 - p_atm_kpa**2) / (full_kpa_abs**2 - p_atm_kpa**2)
    return 0.5 * (kpa_abs / full_kpa_abs / seep - 1.0)


def floor_in_s(
    found: LeakEstimate, kpa_abs: float, floor_kpa_abs: float, p_atm_kpa: float, opening: float, free_m3: float,
    gas_k: float,
) -> float:  # fmt: skip
    """Seconds until the leak, and what cooling still owes, bring the pot to its floor; inf if not within a day.

    opening: the leak's conductance [m3/(s Pa)]; pressures [kPa absolute]; free_m3: the pot's free volume [m3]; gas_k:
    the gas's temperature [K].  Cooling goes with the likeliest tau; the time is found by fixed point, from the later
    side.
    """
    if kpa_abs <= floor_kpa_abs:
        return 0.0
    left_s = 0.0
    for _ in range(40):
        owed = found.yet_to_cool * (1.0 - math.exp(-left_s / found.tau_s))
        settled = kpa_abs * math.exp(-max(0.0, owed)) * 1e3
        new_s = pot_gas.blowdown_s(opening, settled, floor_kpa_abs * 1e3, p_atm_kpa * 1e3, free_m3, gas_k)
        if not math.isfinite(new_s):
            new_s = 86400.0
        if abs(new_s - left_s) < 0.5:
            break
        left_s = new_s if new_s > left_s else 0.5 * (new_s + left_s)
    return left_s if left_s < 86400.0 else math.inf
