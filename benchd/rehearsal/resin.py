"""The bench's true resin: two-rate autocatalytic cure, with what makes real cups awkward.

Rate of the limiting groups' conversion a (0..1), per second:

    da/dt = f * w * mobility * (k1 + k2 a^m) (1 - a)^n        k = k(25 C) exp(E/R (1/298.15 - 1/T))

f is the lot's factor, w the share of a delayed catalyst that is awake (1 unless `latency_s`), and mobility falls when
the glass transition (DiBenedetto) overtakes the temperature: the resin vitrifies.  Water in B adds heat but no gel.
The bench's truth: no estimator may share a line with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

GAS_CONSTANT_J_MOL_K = 8.314462618  # CODATA 2018
ZERO_C_K = 273.15
REFERENCE_K = 298.15

VITRIFY_OFFSET_K = 12.0  # half the mobility is lost this far above Tg; invented, in the usual 10-20 K
VITRIFY_WIDTH_K = 6.0  # invented
MOBILITY_FLOOR = 0.004  # a glass still cures for days: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class ResinTruth:
    """One mixed resin as it really behaves.  Rates at 25 C; all figures invented unless a comment says otherwise."""

    k1_per_s: float
    k2_per_s: float
    e1_j_mol: float
    e2_j_mol: float
    m: float
    n: float
    rise_k: float
    gel_conversion: float
    tg_raw_c: float = -48.0
    tg_full_c: float = 80.0
    tg_bend: float = 0.45
    latency_s: float = 0.0
    latency_e_j_mol: float = 60e3
    water_rise_k: float = 0.0
    water_per_s: float = 0.01
    density_g_ml: float = 1.07  # common practice, no source
    cp_j_gk: float = 1.8  # a public foam model's input: github.com/MoDeNa-EUProject/MoDeNa, experimentalInputs.h
    conductivity_w_mk: float = 0.21  # invented; ISO 10456:2007, table 3, has 0.25 for rigid polyurethane
    b_per_a: float = 0.9


@dataclass(slots=True)
class CureState:
    """Conversion, wakefulness of the catalyst and spent water of every resin cell."""

    a: Array
    awake: Array
    water: Array

    @classmethod
    def fresh(cls, shape: tuple[int, ...]) -> CureState:
        """Unreacted resin in cells of this shape."""
        return cls(np.zeros(shape), np.zeros(shape), np.zeros(shape))


def mixed(resin: ResinTruth, rate_factor: float = 1.0, ratio_error: float = 1.0) -> ResinTruth:
    """The resin that results from a lot and a weighing.

    rate_factor: the lot's speed (an old lot is below 1).  ratio_error: B per A over the right B per A (1.111 is 50/50
    by weight of a 100:90 resin).  The short part sets the heat; the excess plasticises (lower Tg) and delays the gel by
    conversion (Flory-Stockmayer: a_gel grows as 1/sqrt(r)); B brings the catalyst.
    """
    share_a_right = 1.0 / (1.0 + resin.b_per_a)
    b_now = resin.b_per_a * ratio_error
    share_a, share_b = 1.0 / (1.0 + b_now), b_now / (1.0 + b_now)
    short = min(share_a / share_a_right, share_b / (1.0 - share_a_right))
    balance = min(ratio_error, 1.0 / ratio_error)
    speed = rate_factor * share_b / (1.0 - share_a_right)
    return replace(
        resin,
        k1_per_s=resin.k1_per_s * speed,
        k2_per_s=resin.k2_per_s * speed,
        latency_s=resin.latency_s / rate_factor,
        rise_k=resin.rise_k * short,
        gel_conversion=min(0.97, resin.gel_conversion / balance**0.5),
        tg_full_c=resin.tg_full_c - 250.0 * (1.0 - balance),
    )


def glass_transition_c(resin: ResinTruth, a: Array) -> Array:
    """Tg [C] at conversion a: DiBenedetto, Tg0 + (Tg1 - Tg0) b a / (1 - (1 - b) a)."""
    b = resin.tg_bend
    return resin.tg_raw_c + (resin.tg_full_c - resin.tg_raw_c) * (b * a / (1.0 - (1.0 - b) * a))


def rate_per_s(resin: ResinTruth, a: Array, temp_c: Array, awake: Array | None = None) -> Array:
    """da/dt [1/s] of every cell at conversion a (shape of temp_c) and temperature temp_c [C]."""
    heat = (1.0 / REFERENCE_K - 1.0 / (temp_c + ZERO_C_K)) / GAS_CONSTANT_J_MOL_K
    k1 = resin.k1_per_s * np.exp(resin.e1_j_mol * heat)
    k2 = resin.k2_per_s * np.exp(resin.e2_j_mol * heat)
    above_k = temp_c - glass_transition_c(resin, a) - VITRIFY_OFFSET_K
    mobility = MOBILITY_FLOOR + (1.0 - MOBILITY_FLOOR) / (1.0 + np.exp(np.minimum(above_k / -VITRIFY_WIDTH_K, 50.0)))
    out: Array = mobility * (k1 + k2 * a**resin.m) * (1.0 - a) ** resin.n
    return out if awake is None else out * awake * awake


def react(resin: ResinTruth, state: CureState, temp_c: Array, dt_s: float) -> tuple[CureState, Array, float]:
    """Let every cell react for dt_s without heat flow (midpoint rule).

    Returns the new state, the cells' temperature rise [K] and the fastest rate met [1/s].  The heat is exactly the
    conversion made times the adiabatic rise, so a closed cup keeps its energy to rounding.
    """
    awake, water, water_rise = state.awake, state.water, 0.0 * temp_c
    if resin.latency_s > 0.0:
        speed = np.exp(resin.latency_e_j_mol / GAS_CONSTANT_J_MOL_K * (1.0 / REFERENCE_K - 1.0 / (temp_c + ZERO_C_K)))
        awake = 1.0 - (1.0 - awake) * np.exp(-dt_s / resin.latency_s * speed)
    if resin.water_rise_k > 0.0:
        water = 1.0 - (1.0 - water) * np.exp(-dt_s * resin.water_per_s)
        water_rise = resin.water_rise_k * (water - state.water)
    seen = awake if resin.latency_s > 0.0 else None
    first = rate_per_s(resin, state.a, temp_c, seen)
    half = np.minimum(state.a + 0.5 * dt_s * first, 0.999999)
    middle = rate_per_s(resin, half, temp_c + (half - state.a) * resin.rise_k, seen)
    a = np.minimum(state.a + dt_s * middle, 0.999999)
    return CureState(a, awake, water), (a - state.a) * resin.rise_k + water_rise, float(middle.max())


FAST_WHITE = ResinTruth(
    k1_per_s=0.0009567, k2_per_s=0.005788, e1_j_mol=54e3, e2_j_mol=57e3, m=1.5, n=2.3, rise_k=118.0,
    gel_conversion=0.707, tg_full_c=95.0, tg_bend=0.34,
)  # fmt: skip
"""The demo's three-minute resin.  k and E tuned: R-07's witness cup kicks at 165 s at 23 C, 183 s at 21.5 C."""

STEADY_AMBER = ResinTruth(
    k1_per_s=0.00057, k2_per_s=0.00156, e1_j_mol=46e3, e2_j_mol=44e3, m=1.6, n=2.15, rise_k=114.0, gel_conversion=0.70,
    tg_full_c=72.0, b_per_a=1.0,
)  # fmt: skip
"""A medium resin that climbs steadily: about 7 minutes in a 100 g cup, demold in half an hour."""

SNAP_BLACK = replace(FAST_WHITE, k1_per_s=0.0008, k2_per_s=0.010, m=1.3, n=2.8, rise_k=122.0, latency_s=100.0)
"""Nearly flat for two thirds of its five minutes, then up at 4 K/s: a delayed catalyst, outside any fitted family."""

RESINS: Mapping[str, ResinTruth] = {
    "fast-white": FAST_WHITE,
    "steady-amber": STEADY_AMBER,
    "snap-black": SNAP_BLACK,
}
