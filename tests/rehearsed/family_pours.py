"""Pours of the families' resins as a cup's probe shows them, and sections of the same mix, each with its truth.

A pour draws its lot, weighing, room and resin temperature, its cup and its probe: put in 20 to 60 s after the mix, in
steps of a quarter degree or finer, 1 to 4 readings a second.  A family's probe has its own law: one lag, two in a row
(a sheath and a film of resin), or one that reads part of the room through its stem.  Ranges: common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np
from rehearsed.families import FAMILIES, FamilyResin, cup_of, fresh, gel_s, section_truth
from rehearsed.shells import Array, run

LOT_SD = 0.17
THICK_MM = (3.0, 6.0, 12.0, 25.0)
DEEP_ENOUGH = 0.35
"""A family's probe sits at up to this share of the way from the middle to the wall."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyPour:
    """One pour.  time_s, value_c: the probe's samples [s after the mix, C]; kick_s: gel of the first of the cup."""

    family: str
    kind: str
    mass_g: float
    lot: float
    ratio: float
    room_c: float
    resin_c: float
    time_s: Array
    value_c: Array
    kick_s: float
    steepest_s: float
    steepest_k_s: float


def pour_of(resin: FamilyResin, seed: int, lot: float | None = None, kind: str = "") -> FamilyPour | None:
    """A pour of this resin; None if the cup never gels.  The same seed gives the same pour."""
    rng = np.random.default_rng([seed, FAMILIES.index(resin.family), 78])
    drawn_lot = exp(float(np.clip(rng.normal(0.0, LOT_SD), -0.35, 0.35)))
    room_c = float(np.clip(rng.normal(22.0, 2.5), 16.0, 29.0))
    resin_c = room_c + float(np.clip(rng.normal(0.0, 1.3), -3.5, 3.5))
    ratio = 1.0 + float(np.clip(rng.normal(0.0, 0.02), -0.06, 0.06))
    drawn_kind = str(rng.choice(("witness", "mixing")))
    mass_g = float(rng.uniform(20.0, 40.0)), float(rng.uniform(60.0, 200.0))
    kind = kind or drawn_kind
    grams = mass_g[0] if kind == "witness" else mass_g[1]
    lot = drawn_lot if lot is None else lot
    body, made = cup_of(resin.family, grams), resin.law(lot, ratio)
    until_s = 4.0 * resin.pot_life_s / lot
    course = run(body, made, fresh(resin.family), resin_c, room_c, room_c, until_s)
    kick = gel_s(resin, course, ratio)
    if kick is None:
        return None
    spot = int(float(rng.uniform(0.0, DEEP_ENOUGH)) * body.shells)
    slope = np.diff(course.temp_c[:, spot]) / np.diff(course.times_s)
    steepest = int(slope.argmax())
    times, values = _felt(resin.family, course.times_s, course.temp_c[:, spot], room_c, 1.5 * kick + 60.0, rng)
    return FamilyPour(family=resin.family, kind=kind, mass_g=grams, lot=lot, ratio=ratio, room_c=room_c,
                      resin_c=resin_c, time_s=times, value_c=values, kick_s=kick,
                      steepest_s=float(course.times_s[steepest]),
                      steepest_k_s=float(slope[steepest]))  # fmt: skip


def _felt(
    family: str, at_s: Array, temp_c: Array, room_c: float, until_s: float, rng: np.random.Generator
) -> tuple[Array, Array]:
    """What the probe's channel delivers."""
    hz = float(rng.choice((1.0, 2.0, 4.0)))
    lag_s = float(np.clip(exp(rng.normal(log(3.0), 0.4)), 1.0, 8.0))
    in_s, noise_k = float(rng.uniform(20.0, 60.0)), float(rng.choice((0.05, 0.1, 0.25)))
    step_k, offset_k = float(rng.choice((0.0625, 0.25))), float(rng.normal(0.0, 0.5))
    stem = 0.06 if family == "delayed" else 0.0
    fine = np.arange(-30.0, until_s, 0.25)
    around = np.where(fine < in_s, room_c, np.interp(fine, at_s, temp_c))
    around = (1.0 - stem) * around + stem * room_c
    lags = (0.6 * lag_s, 0.6 * lag_s) if family in ("diffusion", "moisture") else (lag_s,)
    for lag in lags:
        around = _lagged(around, 0.25 / lag)
    every = round(4.0 / hz)
    felt = around[::every] + offset_k + rng.normal(0.0, noise_k, len(around[::every]))
    return fine[::every], np.round(felt / step_k) * step_k


def _lagged(values: Array, share: float) -> Array:
    out = np.empty_like(values)
    now, keep = float(values[0]), 1.0 - exp(-share)
    for i, value in enumerate(values.tolist()):
        now += keep * (value - now)
        out[i] = now
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyPart:
    """A part of one thickness in a silicone mold: gel and hard [s after the mix], None if not within the time given."""

    thick_mm: float
    wall_mm: float
    gel_s: float | None
    hard_s: float | None


def part_of(resin: FamilyResin, poured: FamilyPour, thick_mm: float, seed: int) -> FamilyPart:
    """A part of this pour; wall and the film outside are drawn."""
    rng = np.random.default_rng([seed, round(10 * thick_mm), 79])
    wall_mm, film = float(rng.uniform(10.0, 20.0)), float(rng.uniform(6.0, 10.0))
    got = section_truth(resin, thick_mm, wall_mm, film, poured.resin_c, poured.room_c, poured.room_c,
                        60.0 * resin.pot_life_s, poured.lot, poured.ratio)  # fmt: skip
    return FamilyPart(thick_mm=thick_mm, wall_mm=wall_mm, gel_s=got[0], hard_s=got[1])
