"""A cup past its kick, found without a resin's model: measured heat, closed forms of what only warms a probe."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from measured_heat import measured_heat
from scipy.integrate import solve_ivp
from scipy.stats import gamma
from some_of import some_of

from benchd.physics.past_kick import Past, PastKick

ROOM_C = 22.0


def shown(of: Callable[[float], float], end_s: float, step_s: float = 1.0, noise_k: float = 0.1, seed: int = 1,
          hole_s: tuple[float, float] = (-1.0, -1.0)) -> Past | None:  # fmt: skip
    """What is found in a record of `of` [C], without the seconds in the hole."""
    rng, past = np.random.default_rng(seed), PastKick()
    for t in np.arange(0.0, end_s, step_s).tolist():
        if not hole_s[0] < t < hole_s[1]:
            past.see(t, round(4.0 * (of(t) + float(rng.normal(0.0, noise_k)))) / 4.0, noise_k, False)
    return past.found


def measured_cup(name: str, from_h: float, to_h: float, peak_s: float) -> tuple[Callable[[float], float], float]:
    """A measured rate of heat through a cup (120 K, cooling time 1000 s) and a probe (3 s), and its steepest [s]."""
    heat = measured_heat(name, from_h, to_h, peak_at_s=peak_s)

    def slopes(t: float, y: list[float]) -> tuple[float, float]:
        rate = 120.0 * float(np.interp(t, heat.time_s, heat.rate_per_s))
        return rate - (y[0] - ROOM_C) / 1000.0, (y[0] - y[1]) / 3.0

    end_s = 2.2 * peak_s
    solved = solve_ivp(slopes, (0.0, end_s), [ROOM_C, ROOM_C], dense_output=True, rtol=1e-7, atol=1e-7, max_step=2.0)
    return lambda t: float(solved.sol(min(t, end_s))[1]), heat.peak_s


MEASURED = [("calorimetry_data_6.csv", 12.0, 30.0), ("calorimetry_data_2.csv", 1.0, 30.0)]


@pytest.mark.parametrize("step_s", some_of([1.0, 5.0, 2.0, 3.0], 2))
@pytest.mark.parametrize("peak_s", some_of([180.0, 120.0, 420.0], 1))
def test_a_measured_reaction_is_told_once_it_slows_at_any_rate(peak_s: float, step_s: float) -> None:
    cup, steepest_s = measured_cup(*MEASURED[0], peak_s)
    found = shown(cup, 2.2 * peak_s, step_s)
    assert found is not None
    assert steepest_s - 0.15 * peak_s <= found.steepest <= found.at <= found.bound
    assert found.bound <= 1.35 * peak_s + 3.0 * step_s


@pytest.mark.parametrize("lasts_s", [3.0, 15.0, 30.0, 60.0])
@pytest.mark.parametrize("begins", some_of([0.8, 1.0, 0.3, 0.6, 0.9, 1.1], 2))
def test_a_hole_costs_width_not_the_verdict(begins: float, lasts_s: float) -> None:
    """Measured heat peaking at 180 s; the hole anywhere.  Told within 15 s of the undamaged verdict or, if that falls
    in the hole, of its end; the window covers the undamaged date."""
    cup, _ = measured_cup(*MEASURED[0], 180.0)
    whole = shown(cup, 400.0)
    hole_s = (begins * 180.0, begins * 180.0 + lasts_s)
    found = shown(cup, 400.0, hole_s=hole_s)
    assert whole is not None
    assert found is not None
    due_s = hole_s[1] if hole_s[0] < whole.bound < hole_s[1] + 10.0 else whole.bound
    assert found.bound <= due_s + 15.0
    assert found.steepest - 8.0 <= whole.at <= found.bound + 8.0


@pytest.mark.parametrize("lags", [1, 2, 3])
@pytest.mark.parametrize("by_k", some_of([60.0, 40.0, 80.0, 120.0], 1))
@pytest.mark.parametrize("lag_s", [4.0, 15.0, 40.0])
def test_a_body_warmed_through_up_to_three_lags_is_no_reaction(lags: int, by_k: float, lag_s: float) -> None:
    """The closed form: n equal lags in a row answer a step with the gamma distribution's cumulative probability."""
    warmed = gamma(lags, scale=lag_s)
    assert shown(lambda t: 20.0 + by_k * float(warmed.cdf(t - 60.0)), 60.0 + 12.0 * lags * lag_s) is None


def test_a_probe_lifted_out_of_a_climbing_cup_is_no_kick() -> None:
    cup, _ = measured_cup(*MEASURED[0], 180.0)
    out_s = 150.0

    def lifted(t: float) -> float:
        return cup(t) if t < out_s else ROOM_C + (cup(out_s) - ROOM_C) * math.exp(-(t - out_s) / 8.0)

    assert shown(lifted, 400.0) is None


def test_a_probe_put_in_late_is_settling_first() -> None:
    """Into a cup already 25 K up, through a lag of 5 s: the first climb is the probe's, the second the resin's."""
    cup, steepest_s = measured_cup(*MEASURED[0], 180.0)

    def late(t: float) -> float:
        return ROOM_C if t < 110.0 else cup(t) + (ROOM_C - cup(110.0)) * math.exp(-(t - 110.0) / 5.0)

    found = shown(late, 400.0)
    assert found is not None
    assert found.steepest > 140.0
    assert found.at == pytest.approx(steepest_s, abs=40.0)


def test_what_it_counts_ends_with_the_pour() -> None:
    past = PastKick()
    for t in range(60):
        past.see(float(t), 20.0 + t, 0.1, False)
    assert past.top_rise_k == pytest.approx(59.0)
    past.restart()
    assert (past.top_rise_k, past.found, past.peak) == (0.0, None, None)


def settled_into(of: Callable[[float], float], at_s: float, lag_s: float = 4.0) -> Callable[[float], float]:
    """A probe at room temperature put into `of` at at_s, through its own lag."""
    return lambda t: ROOM_C if t < at_s else of(t) - (of(at_s) - ROOM_C) * math.exp(-(t - at_s) / lag_s)


@pytest.mark.parametrize("lasts_s", [20.0, 30.0, 40.0])
@pytest.mark.parametrize("put", [0.5, 0.6])
def test_a_climb_whose_beginning_fell_into_a_hole_is_told(put: float, lasts_s: float) -> None:
    """Measured heat peaking at 180 s; the probe is put in and has settled, then nothing is seen to just before it."""
    cup, _ = measured_cup(*MEASURED[0], 180.0)
    put_s = put * 180.0
    found = shown(settled_into(cup, put_s), 400.0, hole_s=(put_s + 12.0, put_s + 12.0 + lasts_s))
    assert found is not None
    assert found.bound <= 1.35 * 180.0


@pytest.mark.parametrize("lags", [1, 2, 3])
@pytest.mark.parametrize("by_k", some_of([80.0, 60.0, 120.0], 1))
@pytest.mark.parametrize("lag_s", [15.0, 40.0])
@pytest.mark.parametrize("lasts_s", [10.0, 20.0, 40.0])
def test_a_probe_put_into_a_body_that_is_being_warmed_is_no_reaction(
    lags: int, by_k: float, lag_s: float, lasts_s: float
) -> None:
    """The closed form of lags in a row, already 20 K warm when the probe settles, and a hole behind that."""
    warmed = gamma(lags, scale=lag_s)
    body = settled_into(lambda t: 42.0 + by_k * float(warmed.cdf(t - 60.0)), 60.0)
    assert shown(body, 60.0 + 12.0 * lags * lag_s, hole_s=(72.0, 72.0 + lasts_s)) is None
