"""Rate laws of mixed resin: how fast it reacts, when it gels, when it turns to glass.

Rate of conversion alpha (0..1) of the part in shortage, an autocatalytic law with a free order (Kamal 1974 has
k1 + k2 alpha^m; here both share one Arrhenius constant, so a cup's single curve can carry it):

    r = k (c + alpha^m) (1 - alpha)^n mobility         k = k25 exp(E/R (1/298.15 K - 1/T))

c -> infinity at fixed k c gives plain n-th order, n = 2 the second-order law of urethanes.  Gel comes at a fixed
conversion (Flory, Stockmayer).  Glass: Tg(alpha) after DiBenedetto; as T falls towards Tg the reaction slows down.
Valid for one mixed resin, well stirred, with its parts weighed right; 0 to 200 C.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
import numpy.typing as npt

from benchd.physics.constants import GAS_CONSTANT_J_MOL_K, ZERO_C_K
from benchd.stored import stored

Array = npt.NDArray[np.float64]

REFERENCE_K = 298.15


@stored("glass")
@dataclass(frozen=True, slots=True, kw_only=True)
class Glass:
    """A resin's glass transition, and how the reaction slows near it.

    raw_c (alpha = 0) and full_c (alpha = 1) [C]; bend: DiBenedetto's (0..1); the rate is halved offset_k above Tg, over
    width_k; floor_share of the rate goes on in the glass.  The defaults are middling for hard cast urethane; common
    practice, no source.
    """

    tg_raw_c: float = -50.0
    tg_full_c: float = 80.0
    bend: float = 0.4
    offset_k: float = 10.0
    width_k: float = 6.0
    floor_share: float = 0.004


@stored("cure")
@dataclass(frozen=True, slots=True, kw_only=True)
class Cure:
    """One resin's cure: k_per_s at 25 C [1/s], c and m and n [-], e_j_mol [J/mol], rise_k the adiabatic rise [K],
    gel_conversion [-]; glass None leaves vitrification out (a hot cup never gets there before its peak)."""

    k_per_s: float
    c: float
    m: float
    n: float
    e_j_mol: float
    rise_k: float
    gel_conversion: float
    glass: Glass | None = None


def arrhenius(e_j_mol: float, temp_c: Array) -> Array:
    """How many times faster than at 25 C a reaction goes: exp(E/R (1/298.15 K - 1/T)).

    e_j_mol: activation energy E [J/mol]; temp_c: temperature T [C, any shape], 0 to 200 C.
    """
    return np.asarray(np.exp(e_j_mol / GAS_CONSTANT_J_MOL_K * (1.0 / REFERENCE_K - 1.0 / (temp_c + ZERO_C_K))))


def rate_ratio(e_j_mol: float, from_c: float, to_c: float) -> float:
    """Rate at to_c over rate at from_c [C], by Arrhenius' law: exp(E/R (1/T1 - 1/T2)).

    e_j_mol: activation energy E [J/mol].  51.2 kJ/mol doubles the rate from 20 to 30 C.

    >>> round(rate_ratio(51200.0, 20.0, 30.0), 2)
    2.0
    """
    return exp(e_j_mol / GAS_CONSTANT_J_MOL_K * (1.0 / (from_c + ZERO_C_K) - 1.0 / (to_c + ZERO_C_K)))


def glass_transition_c(glass: Glass, alpha: Array) -> Array:
    """Tg [C] at conversion alpha [any shape]: Tg0 + (Tg1 - Tg0) b alpha/(1 - (1 - b) alpha).

    DiBenedetto's equation in the form of J. P. Pascault and R. J. J. Williams, "Glass transition temperature versus
    conversion relationships for thermosetting polymers", J Polym Sci B 28 (1990) 85.
    """
    return np.asarray(
        glass.tg_raw_c + (glass.tg_full_c - glass.tg_raw_c) * glass.bend * alpha / (1.0 - (1.0 - glass.bend) * alpha)
    )


def mobility(glass: Glass, alpha: Array, temp_c: Array) -> Array:
    """The share of the chemical rate that is left (0..1) near and below the glass transition; a logistic, invented."""
    above_k = temp_c - glass_transition_c(glass, alpha) - glass.offset_k
    free = 1.0 / (1.0 + np.exp(np.clip(-above_k / glass.width_k, -50.0, 50.0)))
    return np.asarray(glass.floor_share + (1.0 - glass.floor_share) * free)


def rate_per_s(cure: Cure, alpha: Array, temp_c: Array) -> Array:
    """d alpha/dt [1/s] at conversion alpha and temp_c [C], arrays of one shape; conversions are cut to 0..1."""
    share = np.clip(alpha, 0.0, 1.0)
    chemical = cure.k_per_s * arrhenius(cure.e_j_mol, temp_c) * (cure.c + share**cure.m) * (1.0 - share) ** cure.n
    return chemical if cure.glass is None else np.asarray(chemical * mobility(cure.glass, share, temp_c))
