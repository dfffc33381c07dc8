"""Is a measured reaction foretold and found at any speed and heat, where simpler ways fail?

The rate is a cement's, measured (tests/measured_heat.py); its time is scaled so that it peaks at 0.6 to 1.8 of the
label's pot life, and its cup rises by 60 to 140 K.  It has no gel.  Asked is what holds of step-growth resins: the kick
stands at the heat's peak or up to a third later (calc: second order gelling at a conversion of 0.7).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from cup_population import Seen
from kick_bench import T0, at_cup, of, resin, watched
from measured_heat import MeasuredHeat, measured_heat
from scipy.integrate import solve_ivp
from some_of import some_of

from benchd.core.findings import Kicked, KickForecast

POT_LIFE_S, ROOM_C = 180.0, 22.0
LEAST, MOST = 0.95, 4.0 / 3.0
CASES = [(1.8, 140.0), (0.6, 60.0), (0.8, 120.0), (1.0, 90.0), (1.4, 60.0)]


def cup(share: float, rise_k: float) -> tuple[MeasuredHeat, Seen]:
    """The heat that peaks at this share of the pot life through a cup's heat balance, and what its probe shows."""
    heat = measured_heat("calorimetry_data_6.csv", 12.0, 30.0, peak_at_s=POT_LIFE_S * share)

    def slopes(t: float, y: npt.NDArray[np.float64]) -> tuple[float, float]:
        rate = rise_k * float(np.interp(t, heat.time_s, heat.rate_per_s))
        return rate - (y[0] - ROOM_C) / 1000.0, (y[0] - y[1]) / 3.0

    until_s = 2.2 * POT_LIFE_S * max(1.0, share)
    times = np.arange(0.0, until_s, 0.5)
    probe = solve_ivp(slopes, (0.0, until_s), [ROOM_C] * 2, t_eval=times, rtol=1e-7, atol=1e-7, max_step=2.0).y[1]
    probe = probe + np.random.default_rng(120).normal(0.0, 0.1, len(times))
    return heat, Seen(times, np.round(probe * 4.0) / 4.0)


def is_right(at: float) -> bool:
    return LEAST < at < MOST


@pytest.mark.parametrize(("share", "rise_k"), some_of(CASES, 2))
def test_a_measured_reaction_is_foretold_and_found(share: float, rise_k: float) -> None:
    heat, record = cup(share, rise_k)
    found = watched(at_cup(resin(POT_LIFE_S)), record, ROOM_C)
    (kick,) = of(Kicked, found)
    assert is_right((kick.at - T0) / heat.peak_s)
    late = [f for f in of(KickForecast, found) if f.t - T0 <= 0.9 * heat.peak_s][-1]
    assert is_right((late.at - T0) / heat.peak_s)
    assert late.early - T0 < MOST * heat.peak_s
    assert late.late - T0 > heat.peak_s


def test_simpler_ways_fail_on_the_same_cups() -> None:
    """The label's clock, a threshold that is right on one of them, and the steepest slope, at 90 % of the way."""
    clock, threshold, steepest = [], [], []
    factor = 1.0
    for share, rise_k in sorted(CASES, key=lambda case: case[0] != 1.0):
        heat, record = cup(share, rise_k)
        seen = record.time_s < 0.9 * heat.peak_s
        times, values = record.time_s[seen], record.value_c[seen]
        clock.append(POT_LIFE_S * 2.0 ** ((23.0 - ROOM_C) / 10.0) / heat.peak_s)
        crossed_s = float(times[int((values > ROOM_C + 10.0).argmax())])
        factor = heat.peak_s / crossed_s if share == 1.0 else factor
        threshold.append(factor * crossed_s / heat.peak_s)
        smooth = np.convolve(values, np.ones(10) / 10.0, "valid")
        steepest.append(float(times[int(np.diff(smooth).argmax()) + 5]) / heat.peak_s)
    assert sum(is_right(at) for at in clock) <= 1
    assert sum(not is_right(at) for at in threshold) >= 2
    assert not any(is_right(at) for at in steepest)
    assert is_right(threshold[0]), "the one it was set on"
