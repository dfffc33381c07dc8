"""Estimates a mold's warmth left from its last cast: one lump of silicone, warmed by the resin, cooling to the room.

A block mold is taken as a cube: its fill's cube root and a wall on each side.  The cast's heat spreads over resin and
silicone, then leaves through the outside: with the part in it over (Cr + Cs)/(h A), without it over Cs/(h A).  No
published measurement; the heat balance is exact for the lump, the block's true shape changes the time by a third.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cbrt, exp

from benchd.physics.section_grid import Matter
from benchd.stored import stored

HEAT_SHARE = 0.9  # of the adiabatic rise that comes before the part is out
LEAST_EXCESS_K = 1.0  # below this a mold is as warm as its room


@stored("last-cast")
@dataclass(frozen=True, slots=True, kw_only=True)
class LastCast:
    """What warmed a mold: fill [ml], wall [mm], adiabatic rise [K], its excess over the room before the pour [K], when
    it kicked and when the part came out [unix s]."""

    fill_ml: float
    wall_mm: float
    rise_k: float
    before_k: float
    kick_t: float
    out_t: float


def excess_k(last: LastCast, t: float, matter: Matter | None = None) -> float:
    """How much warmer than the room the mold is at t [K]; never negative.

    At the kick dT0 = (s rise Cr + dTb Cs)/(Cr + Cs), s = `HEAT_SHARE`; then
    dT0 exp(-(with the part in it) h A/(Cr + Cs)) exp(-(alone) h A/Cs), times in s.  Cr, Cs [J/K]: heat capacities of
    resin and silicone; dTb: the mold's excess before the pour.

    last: the cast; t [unix s]; matter: densities and film, `Matter()` by default.  No published measurement: good to a
    third in time, as said above.
    """
    made_of = matter or Matter()
    side_m = cbrt(last.fill_ml * 1e-6) + 2e-3 * last.wall_mm
    resin = last.fill_ml * 1e-6 * made_of.resin_j_m3k
    silicone = (side_m**3 - last.fill_ml * 1e-6) * made_of.wall_j_m3k
    loses_w_k = made_of.film_w_m2k * 6.0 * side_m**2
    at_kick = (HEAT_SHARE * last.rise_k * resin + last.before_k * silicone) / (resin + silicone)
    with_part = exp(-max(last.out_t - last.kick_t, 0.0) * loses_w_k / (resin + silicone))
    alone = exp(-max(t - last.out_t, 0.0) * loses_w_k / silicone)
    return max(at_kick * with_part * alone, 0.0)
