"""Does the heat balance give back what was put in?  Closed forms, scipy's integrator, and a measured reaction."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from measured_heat import measured_heat
from physics.recovered import conversion, recover_heating_rate_k_s, recover_rise_k
from scipy.integrate import solve_ivp

from benchd.physics.cup_heat import Array, HeatBalance, label_time_factor

ROOM_C = 22.0


def probe_record(
    rate_k_s: Callable[[float], float],
    tau_s: float,
    lag_s: float,
    end_s: float,
    step_s: float = 0.5,
    start_c: float = ROOM_C,
) -> tuple[Array, Array, Array]:
    """Cup and probe temperatures [C] of dT/dt = q - (T - Tr)/tau, dP/dt = (T - P)/lag, by scipy's integrator."""

    def slopes(t: float, y: Array) -> tuple[float, float]:
        return rate_k_s(t) - (y[0] - ROOM_C) / tau_s, (y[0] - y[1]) / lag_s

    times = np.arange(0.0, end_s, step_s)
    solved = solve_ivp(slopes, (0.0, end_s), [start_c, start_c], t_eval=times, rtol=1e-8, atol=1e-8, max_step=2.0)
    return times, solved.y[0], solved.y[1]


@pytest.mark.parametrize(
    ("temp_c", "factor"),
    [(3.0, 4.0), (13.0, 2.0), (23.0, 1.0), (33.0, 0.5), (43.0, 0.25), (18.0, math.sqrt(2.0))],
)
def test_a_cup_ten_degrees_colder_takes_twice_as_long(temp_c: float, factor: float) -> None:
    # Common practice, no source: "cold doubles it", per 10 C from the label's 23 C.
    assert label_time_factor(temp_c) == pytest.approx(factor, rel=1e-12)


def test_the_doubling_rule_agrees_with_arrhenius_where_casting_is_done() -> None:
    # Arrhenius with E = 51.216 kJ/mol and R = 8.314 J/molK: 20 to 30 C is a factor of 2.000 (computed).
    arrhenius = math.exp(51216.0 / 8.314 * (1.0 / 293.15 - 1.0 / 303.15))
    assert label_time_factor(20.0) / label_time_factor(30.0) == pytest.approx(arrhenius, rel=1e-3)


def test_constant_heating_has_its_closed_form_and_is_recovered() -> None:
    # dT/dt = q - (T - Tr)/tau from T = Tr: T = Tr + q tau (1 - exp(-t/tau)); the rise is q t.
    q, tau_s = 0.25, 400.0
    times = np.arange(0.0, 600.0, 1.0)
    temps = ROOM_C + q * tau_s * (1.0 - np.exp(-times / tau_s))
    rise = recover_rise_k(times, temps, ROOM_C, tau_s, 0.0)
    assert rise == pytest.approx(q * times, abs=0.002)
    assert recover_heating_rate_k_s(times, rise) == pytest.approx(np.full(600, q), abs=1e-4)


def test_a_cup_that_only_cools_has_put_in_nothing() -> None:
    times = np.arange(0.0, 900.0, 1.0)
    rise = recover_rise_k(times, ROOM_C + 60.0 * np.exp(-times / 500.0), ROOM_C, 500.0, 0.0)
    assert np.abs(rise).max() < 0.001


def test_the_probes_lag_is_undone_exactly_for_a_ramp() -> None:
    # A ramp T = Tr + q t seen through a lag: P = Tr + q (t - lag (1 - exp(-t/lag))), without cooling.
    q, lag_s = 2.0, 3.0
    times = np.arange(0.0, 60.0, 0.1)
    probe = ROOM_C + q * (times - lag_s * (1.0 - np.exp(-times / lag_s)))
    rise = recover_rise_k(times, probe, ROOM_C, 1e9, lag_s)
    assert rise[20:] == pytest.approx(q * times[20:], abs=0.02)


@pytest.mark.parametrize(("tau_s", "lag_s"), [(300.0, 3.0), (1275.0, 3.0), (400.0, 6.0)])
def test_a_burst_of_heat_comes_back_from_scipys_record(tau_s: float, lag_s: float) -> None:
    def burst(t: float) -> float:  # 80 K in all, steepest at 150 s: a Gaussian of 15 s
        return 80.0 / (15.0 * math.sqrt(2.0 * math.pi)) * math.exp(-0.5 * ((t - 150.0) / 15.0) ** 2)

    times, _, probe = probe_record(burst, tau_s, lag_s, 400.0)
    rise = recover_rise_k(times, probe, ROOM_C, tau_s, lag_s)
    assert rise[-1] == pytest.approx(80.0, rel=0.002)
    rate = recover_heating_rate_k_s(times, rise)
    assert times[rate.argmax()] == pytest.approx(150.0, abs=1.0)
    assert rate.max() == pytest.approx(burst(150.0), rel=0.01)


def test_one_sample_at_a_time_gives_the_same_rise_as_the_whole_record() -> None:
    times, _, probe = probe_record(lambda t: 0.3, 600.0, 3.0, 200.0)
    balance = HeatBalance(600.0, 3.0)
    online = [balance.update(float(t), float(p), ROOM_C) for t, p in zip(times, probe, strict=True)]
    whole = recover_rise_k(times, probe, ROOM_C, 600.0, 0.0)
    assert np.array(online) == pytest.approx(whole, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "from_h", "to_h", "tolerance_s"),
    [("calorimetry_data_1.csv", 3.0, 60.0, 5.0), ("calorimetry_data_6.csv", 12.0, 30.0, 3.0)],
)
def test_a_measured_reaction_is_recovered_from_its_cups_temperature(
    name: str, from_h: float, to_h: float, tolerance_s: float
) -> None:
    """A measured rate (a cement's, time scaled to a casting resin's) warms a cup; its conversion comes back to 3 %."""
    heat = measured_heat(name, from_h, to_h, peak_at_s=180.0)
    full_k, tau_s, lag_s = 120.0, 600.0, 3.0
    end_s = float(heat.time_s[-1])
    times, cup, probe = probe_record(
        lambda t: full_k * float(np.interp(t, heat.time_s, heat.rate_per_s)), tau_s, lag_s, end_s
    )
    rise = recover_rise_k(times, probe, ROOM_C, tau_s, lag_s)
    share = conversion(rise, full_k)
    # The cup itself shows far less than the reaction put in: the balance is what recovers it.
    assert (cup[-1] - ROOM_C) / full_k < 0.6
    assert np.abs(share - np.interp(times, heat.time_s, heat.share)).max() < 0.03
    rate = recover_heating_rate_k_s(times, rise)
    # Against the raw heat flow's maximum; the flow itself is flat to 1 % over some seconds around it.
    assert times[rate.argmax()] == pytest.approx(heat.peak_s, abs=tolerance_s)
