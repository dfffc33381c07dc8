"""Does the rehearsed resin react as its equations say?  Against published forms and scipy's integrator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchd.rehearsal.resin import FAST_WHITE, CureState, glass_transition_c, mixed, rate_per_s, react


@pytest.mark.parametrize(
    ("a", "tg_c"),
    # DiBenedetto Tg0 + (Tg1 - Tg0) b a / (1 - (1 - b) a), b = 0.4, -40..75 C: computed by hand from the published form
    [(0.0, -40.0), (0.2, -29.54545), (0.4, -15.78947), (0.6, 3.12500), (0.8, 30.76923), (0.9, 50.0), (1.0, 75.0)],
)
def test_glass_transition_follows_dibenedetto(a: float, tg_c: float) -> None:
    resin = replace(FAST_WHITE, tg_raw_c=-40.0, tg_full_c=75.0, tg_bend=0.4)
    assert glass_transition_c(resin, np.array([a]))[0] == pytest.approx(tg_c, abs=1e-4)


def test_gel_conversion_moves_with_imbalance_as_flory_stockmayer() -> None:
    """Flory-Stockmayer 1/sqrt(r (f-1)(g-1)): 0.7071 for f=3, g=2 at r=1, 0.7454 at r=0.9."""
    resin = replace(FAST_WHITE, gel_conversion=0.707107)
    assert mixed(resin, ratio_error=1 / 0.9).gel_conversion == pytest.approx(0.745356, abs=1e-5)
    assert mixed(resin, ratio_error=0.9).gel_conversion == pytest.approx(0.745356, abs=1e-5)


def test_half_by_weight_is_too_much_b_and_too_little_heat() -> None:
    """50/50 of a 100A:90B resin: A is 0.5 instead of 100/190 of the mix, so 5 % less heat."""
    half = mixed(FAST_WHITE, ratio_error=1.0 / 0.9)
    assert half.rise_k / FAST_WHITE.rise_k == pytest.approx(0.5 * 190 / 100)
    assert half.tg_full_c < FAST_WHITE.tg_full_c - 20.0


def test_a_slower_lot_scales_both_rates() -> None:
    old = mixed(FAST_WHITE, rate_factor=0.6)
    assert old.k1_per_s / FAST_WHITE.k1_per_s == pytest.approx(0.6)
    assert old.k2_per_s / FAST_WHITE.k2_per_s == pytest.approx(0.6)


def test_rate_doubles_in_ten_kelvin_like_the_trade_says() -> None:
    """x1.8 to x2.5 per 10 C: published guidance and common practice."""
    zero = np.array([0.2])
    q10 = rate_per_s(FAST_WHITE, zero, np.array([33.0]))[0] / rate_per_s(FAST_WHITE, zero, np.array([23.0]))[0]
    assert 1.8 < q10 < 2.5


def test_a_glass_all_but_stops() -> None:
    stuck, free = np.array([0.93]), replace(FAST_WHITE, tg_full_c=-40.0)
    slow = rate_per_s(FAST_WHITE, stuck, np.array([20.0]))[0]
    assert slow < 0.15 * rate_per_s(free, stuck, np.array([20.0]))[0]


def test_reaction_steps_follow_an_independent_integrator() -> None:
    """Adiabatic cup from 23 C, RK45 at 1e-9 on the module text's equation, written anew here."""

    def slope(_t: float, y: np.ndarray) -> list[float]:
        a, kelvin = float(y[0]), 296.15 + 118.0 * float(y[0])
        k1 = 0.0009567 * np.exp(54e3 / 8.314462618 * (1 / 298.15 - 1 / kelvin))
        k2 = 0.005788 * np.exp(57e3 / 8.314462618 * (1 / 298.15 - 1 / kelvin))
        return [(k1 + k2 * a**1.5) * (1 - a) ** 2.3]

    liquid = replace(FAST_WHITE, tg_raw_c=-300.0, tg_full_c=-200.0)  # never glassy
    state, temp_c = CureState.fresh((1, 1)), np.array([[23.0]])
    for _ in range(600):
        state, rise_k, _rate = react(liquid, state, temp_c, 0.25)
        temp_c = temp_c + rise_k
    want = solve_ivp(slope, (0.0, 150.0), [0.0], rtol=1e-9, atol=1e-12).y[0, -1]
    assert state.a[0, 0] == pytest.approx(want, rel=3e-3)
    assert temp_c[0, 0] == pytest.approx(23.0 + 118.0 * state.a[0, 0], abs=1e-9)


def test_a_delayed_catalyst_wakes_exponentially() -> None:
    sleepy = replace(FAST_WHITE, latency_s=100.0)
    state, at_25_c = CureState.fresh((1, 1)), np.array([[25.0]])
    for _ in range(100):
        state, _rise, _rate = react(sleepy, state, at_25_c, 1.0)
    assert state.awake[0, 0] == pytest.approx(1.0 - np.exp(-1.0), abs=1e-9)


def test_water_heats_without_gelling() -> None:
    wet, dry = replace(FAST_WHITE, water_rise_k=20.0), FAST_WHITE
    cold = np.array([[23.0]])
    state_wet, rise_wet, _ = react(wet, CureState.fresh((1, 1)), cold, 10.0)
    state_dry, rise_dry, _ = react(dry, CureState.fresh((1, 1)), cold, 10.0)
    assert state_wet.a[0, 0] == state_dry.a[0, 0]
    assert rise_wet[0, 0] - rise_dry[0, 0] == pytest.approx(20.0 * (1.0 - np.exp(-0.1)), abs=1e-9)
