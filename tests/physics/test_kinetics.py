"""Do rate law, glass and gel agree with published constants, an independent integrator and the trade's rules?"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchd.physics.cup_model import (
    BEND_AT,
    BENT,
    DELAY,
    GEL,
    LF,
    LN_C,
    LN_RISE,
    LN_TAU,
    SIZE,
    E,
    M,
    N,
    cup_curves,
    label_ln_k,
)
from benchd.physics.kinetics import (
    Array,
    Cure,
    Glass,
    arrhenius,
    glass_transition_c,
    mobility,
    rate_per_s,
    rate_ratio,
)

# A published second-order urethane set: A = 1965 m3/mol/s, E = 54870 J/mol, C_OH = C_NCO = 3765 mol/m3,
# dH = 74.9 kJ/mol, rho = 1100 kg/m3, cp = 1800 J/kgK, gel at 0.606 (default constants of the open MoDeNa foam models,
# after Baser and Khakhar 1994).
PU_K25_PER_S = 1965.0 * 3765.0 * math.exp(-54870.0 / 8.314462618 / 298.15)
PU_RISE_K = 3765.0 * 74900.0 / 1100.0 / 1800.0
BIG = 1e4  # c so large that c + alpha^m is c: plain n-th order
PU = Cure(k_per_s=PU_K25_PER_S / BIG, c=BIG, m=1.0, n=2.0, e_j_mol=54870.0, rise_k=PU_RISE_K, gel_conversion=0.606)


@pytest.mark.parametrize(
    ("from_c", "to_c", "e_j_mol", "ratio"),
    [  # exp(E/R (1/T1 - 1/T2)), computed by hand with R = 8.314462618
        (20.0, 30.0, 51216.0, 2.00000),
        (20.0, 30.0, 54870.0, 2.10139),
        (25.0, 35.0, 70000.0, 2.50018),
        (20.0, 30.0, 40000.0, 1.71833),
    ],
)
def test_arrhenius(from_c: float, to_c: float, e_j_mol: float, ratio: float) -> None:
    assert rate_ratio(e_j_mol, from_c, to_c) == pytest.approx(ratio, rel=2e-5)
    fast, slow = (float(arrhenius(e_j_mol, np.array(c))) for c in (to_c, from_c))
    assert fast / slow == pytest.approx(ratio, rel=2e-5)


def test_the_trades_rule_is_43_to_68_kj_per_mol() -> None:
    """Common practice: pot life changes by x1.8 to x2.5 per 10 C; near 20 to 30 C that is 43 to 68 kJ/mol."""
    assert rate_ratio(43.4e3, 20.0, 30.0) == pytest.approx(1.8, abs=0.01)
    assert rate_ratio(67.7e3, 20.0, 30.0) == pytest.approx(2.5, abs=0.01)


def test_the_published_set_reacts_as_its_own_formula() -> None:
    """dX/dt = A C0 exp(-E/RT) (1 - X)^2 of the same source, at 23.85 C and half way."""
    by_formula = 1965.0 * 3765.0 * math.exp(-54870.0 / 8.314462618 / 297.0) * 0.25
    assert float(rate_per_s(PU, np.array(0.5), np.array(23.85))) == pytest.approx(by_formula, rel=1e-4)


@pytest.mark.parametrize(
    ("start_c", "tau_s", "half_s", "gel_s"),
    [  # an integration of that set by another tool (second order, lumped loss), at 1e-9
        (15.00, None, 147.523, 152.214), (20.00, None, 104.149, 107.831), (23.85, None, 80.328, 83.396),
        (30.00, None, 53.816, 56.127), (40.00, None, 29.058, 30.544),
        (23.85, 120.0, 102.414, 109.823), (23.85, 300.0, 87.475, 91.570), (23.85, 1200.0, 81.965, 85.244),
    ],
)  # fmt: skip
def test_the_cup_model_gels_the_published_set_on_time(
    start_c: float, tau_s: float | None, half_s: float, gel_s: float
) -> None:
    p = np.zeros((SIZE, 2))
    p[LN_C], p[M], p[N], p[E], p[LN_RISE] = math.log(BIG), 1.0, 2.0, 5.487, math.log(PU_RISE_K)
    p[GEL] = (0.5, 0.606)
    p[LN_TAU] = math.log(tau_s or 1e9)
    curves = cup_curves(p, np.full(2, math.log(PU.k_per_s)), start_c, start_c)
    assert curves.gel_s == pytest.approx([half_s, gel_s], rel=0.004)


@pytest.mark.parametrize(
    ("c", "m", "n", "lag_s", "bends"),
    [
        (0.3, 1.6, 2.1, 0.0, (0.0,) * 4),
        (0.012, 1.0, 2.4, 3.0, (0.0,) * 4),
        (0.3, 1.6, 2.1, 0.0, (-0.5, 0.3, 0.2, -0.4)),
    ],
)
def test_the_cup_model_follows_scipys_integrator(
    c: float, m: float, n: float, lag_s: float, bends: tuple[float, ...]
) -> None:
    """Steady, snap and bent resins, cup losing heat, probe lagging; scipy's solve_ivp is the independent reference."""
    cure = Cure(k_per_s=0.02, c=c, m=m, n=n, e_j_mol=52e3, rise_k=118.0, gel_conversion=0.72)

    def slopes(t: float, y: Array) -> tuple[float, float]:
        bend = np.interp(max(y[0], 0.0) ** (2 / 3), np.array(BEND_AT) ** (2 / 3), bends)
        rate = float(rate_per_s(cure, np.array(y[0]), np.array(y[1]))) * math.exp(bend)
        return rate, 118.0 * rate - (y[1] - 21.0) / 900.0

    p = np.zeros((SIZE, 1))
    p[BENT : BENT + len(BEND_AT), 0] = bends
    p[:, 0][[LN_C, M, N, E, LN_RISE, GEL, LN_TAU, DELAY]] = (
        math.log(c), m, n, 5.2, math.log(118.0), 0.72, math.log(900.0), lag_s
    )  # fmt: skip
    curves = cup_curves(p, np.array([math.log(0.02)]), 21.0, 22.5)
    reference = solve_ivp(slopes, (0.0, 4000.0), [0.0, 22.5], rtol=1e-9, atol=1e-9, dense_output=True,
                          events=lambda t, y: y[0] - 0.72)  # fmt: skip
    gel_s = float(reference.t_events[0][0])
    assert float(curves.gel_s[0]) == pytest.approx(gel_s, rel=0.003)
    at_s = np.linspace(0.1, 1.0, 10) * gel_s
    seen = curves.seen_k(at_s, p[DELAY])[:, 0]
    truth = reference.sol(at_s - lag_s)[1] - 21.0
    # The lag is taken as a delay: at 4 K/s that is worth half a second.
    assert np.abs(seen - truth).max() < 0.02 * 118.0
    assert np.abs(seen - truth)[:-1].max() < 0.5


def test_the_labels_cup_gels_at_the_labels_pot_life() -> None:
    rng = np.random.default_rng(3)
    p = np.zeros((SIZE, 40))
    p[LN_C], p[M], p[N] = rng.uniform(-5.0, -0.5, 40), rng.uniform(0.8, 1.8, 40), rng.uniform(1.8, 2.8, 40)
    p[E], p[LN_RISE], p[GEL] = rng.uniform(4.0, 6.0, 40), rng.uniform(4.6, 4.95, 40), rng.uniform(0.65, 0.78, 40)
    p[LN_TAU] = math.log(1590.0)
    for pot_life_s in (120.0, 1200.0):
        ln_k = label_ln_k(p, pot_life_s, np.full(40, -5.0), 8)
        assert cup_curves(p, ln_k, 23.0, 23.0).gel_s == pytest.approx(np.full(40, pot_life_s), rel=0.01)
    p[LF] = math.log(2.0)
    faster = cup_curves(p, ln_k, 23.0, 23.0).gel_s / 1200.0
    assert np.all((faster > 0.38) & (faster < 0.51)), "twice as fast, and a little less cooled on the way"


def test_glass() -> None:
    glass = Glass(tg_raw_c=-50.0, tg_full_c=80.0, bend=0.4)
    assert glass_transition_c(glass, np.array([0.0, 1.0])) == pytest.approx([-50.0, 80.0])
    # DiBenedetto at half conversion: -50 + 130 * 0.4 * 0.5 / (1 - 0.6 * 0.5).
    assert float(glass_transition_c(glass, np.array(0.5))) == pytest.approx(-50.0 + 26.0 / 0.7)
    share = mobility(glass, np.array([0.9, 0.9, 0.9]), np.array([150.0, 64.3, 10.0]))
    assert share[0] > 0.99
    assert 0.3 < share[1] < 0.7, "half gone ten kelvin above its Tg of 54 C"
    assert share[2] < 0.01
    glassy = Cure(k_per_s=0.02, c=0.1, m=1.0, n=2.0, e_j_mol=50e3, rise_k=118.0, gel_conversion=0.7, glass=glass)
    free = Cure(k_per_s=0.02, c=0.1, m=1.0, n=2.0, e_j_mol=50e3, rise_k=118.0, gel_conversion=0.7)
    cold = (np.array(0.9), np.array(25.0))
    assert float(rate_per_s(glassy, *cold)) < 0.02 * float(rate_per_s(free, *cold))
