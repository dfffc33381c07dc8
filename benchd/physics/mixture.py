"""Finds what pigment and filler change of a resin: density, heat and, through the heat, the time to its kick.

    density     total mass over the sum of volumes: the rule of mixtures, no air, no shrinkage between the parts
    cp          the mean by mass; what does not react takes up heat and makes none, so the adiabatic rise is
                rise x (resin's share of the mass) x cp of the resin / cp of the mixture
    kick        the particles do not dissolve, so in the resin between them nothing is thinner: at one temperature it
                reacts as fast as ever.  A cup heats itself less and is later, by as much as the lumped label cup is
                (physics/label_cure) with the smaller rise.

Sources: density, "Law of Mixtures", Encyclopedic Dictionary of Polymers (Springer 2011),
https://rd.springer.com/referenceworkentry/10.1007/978-1-4419-6247-8_6810; that fillers take up heat and moderate the
exotherm: published guidance of resin makers.  That a filler may also speed or hold back the chemistry is not in it: a
doubt (core/bench/recipe.DOUBT_SD).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, fsum, log

from benchd.physics.cup_heat import LABEL_TEMP_C
from benchd.physics.cup_model import LABEL_TAU_S
from benchd.physics.label_cure import NEVER_POT_LIVES, cup_gel_s, label_cure

PIGMENT_CP = 1.8  # J/(g K): a paste is mostly a liquid like the resin; common practice, no source
MOST_FILLED = 0.5
"""Share of the volume that can still be poured: random close packing of spheres is 0.64 (from memory), and a paste
stops flowing well before; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a mixture: grams, density [g/ml], specific heat [J/(g K)]."""

    grams: float
    density_g_ml: float
    cp: float


def density_g_ml(parts: Sequence[Part]) -> float:
    """Density of the mixture [g/ml]: sum of grams over sum of grams/density.

    >>> round(density_g_ml([Part(50.0, 1.0, 1.8), Part(50.0, 2.0, 0.9)]), 4)
    1.3333
    """
    return fsum(part.grams for part in parts) / fsum(part.grams / part.density_g_ml for part in parts)


def volume_share(parts: Sequence[Part], of: Part) -> float:
    """What share (0 to 1) of the mixture's volume one of its parts is."""
    return of.grams / of.density_g_ml / fsum(part.grams / part.density_g_ml for part in parts)


def heat_capacity(parts: Sequence[Part]) -> float:
    """Specific heat of the mixture [J/(g K)], the mean by mass."""
    return fsum(part.grams * part.cp for part in parts) / fsum(part.grams for part in parts)


def rise_share(parts: Sequence[Part]) -> float:
    """The mixture's adiabatic rise over the pure resin's (0 to 1); the first part is the resin, the others are inert.

    >>> round(rise_share([Part(100.0, 1.07, 1.8), Part(100.0, 2.6, 0.9)]), 6)
    0.666667
    """
    resin, others = parts[0], [part for part in parts[1:] if part.grams > 0.0]
    if not others:
        return 1.0
    return resin.grams * resin.cp / (heat_capacity(parts) * fsum(part.grams for part in parts))


def slowing(pot_life_s: float, mass_g: float, rise: float) -> float:
    """How many times later the label's cup gels when its adiabatic rise is `rise` (0 to 1) of what it was, at 23 C.

    pot_life_s [s] of mass_g [g]: the label's.  A middling cure: physics/label_cure.
    """
    if rise >= 1.0:
        return 1.0
    cure = label_cure(pot_life_s, mass_g)
    tau_s = LABEL_TAU_S * exp(log(mass_g / 100.0) / 3.0)
    inert = replace(cure, rise_k=cure.rise_k * rise)
    return cup_gel_s(inert, cure.k_per_s, LABEL_TEMP_C, tau_s, NEVER_POT_LIVES * pot_life_s) / pot_life_s
