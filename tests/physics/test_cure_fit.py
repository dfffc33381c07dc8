"""Does the fit find a resin in a curve, say how sure it is, refuse what is none, and repeat itself?"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from frozen_copy import frozen_copy
from measured_heat import measured_heat
from of_kind import known
from physics.recovered import conversion, recover_rise_k
from scipy.integrate import solve_ivp

from benchd.physics.cup_cure import CupCure
from benchd.physics.cup_model import BENDS, LF, LN_RISE, Drained, cup_curves
from benchd.physics.cure_fit import Array, CureFit, Posterior
from benchd.physics.cure_prior import (
    CupBelief,
    ResinBelief,
    label_belief,
    lower,
    lower_inverse,
    new_lot_speed,
    next_pour,
)
from benchd.physics.curve_bins import CurveBins
from benchd.physics.kick_window import GelBelief, gel_belief

CUP = CupBelief(tau_s=1100.0, ln_tau_sd=0.45, start_sd_k=1.6, delay_s=3.5, delay_sd_s=2.0)


def curve(c: float, m: float, n: float, k: float, tau_s: float = 1000.0) -> tuple[Array, Array, float]:
    """(times, probe [C], gel [s]) of a cup by scipy: two seconds apart, 3 s lag, room 22 C, gel at 0.72."""

    def slopes(t: float, y: Array) -> tuple[float, float, float]:
        rate = k * math.exp(52e3 / 8.314 * (1 / 298.15 - 1 / (y[1] + 273.15))) * (c + max(y[0], 0.0) ** m)
        rate *= (1.0 - min(y[0], 1.0)) ** n
        return rate, 118.0 * rate - (y[1] - 22.0) / tau_s, (y[1] - y[2]) / 3.0

    def gels(t: float, y: Array) -> float:
        return float(y[0] - 0.72)

    run = solve_ivp(slopes, (0.0, 3000.0), [0.0, 22.0, 22.0], rtol=1e-8, atol=1e-8, dense_output=True, events=gels,
                    max_step=2.0)  # fmt: skip
    times = np.arange(26.0, 3000.0, 2.0)
    return times, run.sol(times)[2], float(run.t_events[0][0])


SHAPES = {"steady": curve(0.3, 1.6, 2.15, 0.0045), "snap": curve(0.014, 1.0, 2.4, 0.0125)}


def shown(fit: CureFit, at_s: Array, seen_c: Array, **more: Any) -> Posterior:
    """The fit given these points of a probe of 0.1 K, in a room of 22 C."""
    return fit.update(at_s.tolist(), seen_c.tolist(), [0.1] * len(at_s), 22.0, 22.0, **more)


def fitted(shape: str, share: float, label_off: float = 1.15, **more: Any) -> tuple[CureFit, float]:
    """A fit that has seen `share` of the way to the gel in steps, with a label that is label_off times too long."""
    times, probe, gel_s = SHAPES[shape]
    fit = CureFit(label_belief(0.22), CUP, label_off * gel_s)
    for now in np.linspace(0.2, share, 12):
        seen = times < now * gel_s
        shown(fit, times[seen], probe[seen], **more)
    return fit, gel_s


@pytest.mark.parametrize("shape", list(SHAPES))
@pytest.mark.parametrize(("share", "tolerance"), [(0.5, 0.15), (0.7, 0.06), (0.9, 0.03)])
def test_the_gel_is_foretold_from_part_of_the_curve(shape: str, share: float, tolerance: float) -> None:
    """Steady and snap resins by scipy's integrator, the label 15 % too long."""
    fit, gel_s = fitted(shape, share)
    belief = gel_belief(known(fit.last))
    assert belief.time_s(0.5) == pytest.approx(gel_s, rel=tolerance)
    early, _, late = belief.window_s(share * gel_s)
    assert early <= gel_s <= late


@pytest.mark.parametrize("shape", list(SHAPES))
@pytest.mark.parametrize("from_share", [0.0, 0.6])
def test_the_first_look_at_a_climb_foretells_it_as_well(shape: str, from_share: float) -> None:
    """Nobody marked the mix, or a hole of the record hid all but its last tenth: one update has to do."""
    times, probe, gel_s = SHAPES[shape]
    fit = CureFit(label_belief(0.22), CUP, 1.15 * gel_s)
    seen = (times > from_share * gel_s) & (times < 0.7 * gel_s)
    belief = gel_belief(shown(fit, times[seen], probe[seen]))
    assert belief.time_s(0.5) == pytest.approx(gel_s, rel=0.06)


def test_what_no_cup_shows_costs_one_step_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """An even climb of 0.6 K/s fits no resin: the search is not begun again with each look at it."""
    steps, step = list[float](), CureFit._step

    def counted(self: CureFit, data: Any) -> float:
        steps.append(step(self, data))
        return steps[-1]

    monkeypatch.setattr(CureFit, "_step", counted)
    fit, at_s = CureFit(label_belief(0.22), CUP, 300.0), np.arange(26.0, 160.0, 2.0)
    for share in np.linspace(0.3, 1.0, 12):
        seen = at_s < share * at_s[-1]
        shown(fit, at_s[seen], 22.0 + 0.6 * at_s[seen])
    assert len(steps) < 2 * 12


def test_a_window_shrinks_as_the_curve_grows() -> None:
    widths = []
    for share in (0.3, 0.5, 0.7, 0.9):
        fit, gel_s = fitted("steady", share)
        early, _, late = gel_belief(known(fit.last)).window_s(share * gel_s)
        widths.append((late - early) / gel_s)
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] < 0.2


def test_a_marked_kick_pins_the_gel_and_teaches_the_speed() -> None:
    times, probe, gel_s = SHAPES["snap"]
    fit = CureFit(label_belief(0.22), CUP, 1.3 * gel_s)
    seen = times < 1.05 * gel_s
    last = shown(fit, times[seen], probe[seen], gel_mark=(gel_s, 0.02), passes=8)
    assert math.exp(float(last.ln_gel[int(last.weights.argmax())])) == pytest.approx(gel_s, rel=0.02)
    # 1.3 times faster than its label; the cup loses less of its heat on the way than the label's own.
    assert last.speed == pytest.approx(math.log(1.3), abs=0.1)
    learned = next_pour(fit.resin_posterior())
    assert np.all(learned.covariances[:, LF, LF] < 0.5 * 0.22**2)
    again = CureFit(learned, CUP, 1.3 * gel_s)
    blind = gel_belief(again.update((), (), (), 22.0, 22.0))
    assert blind.time_s(0.5) == pytest.approx(gel_s, rel=0.05)


def test_conversion_is_recovered_from_the_cups_temperature_alone() -> None:
    """A measured rate of heat (CaloCem on PyPI, a cement, time scaled to peak at 300 s) through a cup: the heat balance
    gives it back within 3 % without any model of the reaction."""
    heat = measured_heat("calorimetry_data_6.csv", 12.0, 30.0, peak_at_s=300.0)

    def slopes(t: float, y: Array) -> tuple[float, float]:
        rate = 118.0 * float(np.interp(t, heat.time_s, heat.rate_per_s))
        return rate - (y[0] - 22.0) / 1100.0, (y[0] - y[1]) / 3.0

    at_s = np.arange(0.0, 500.0, 1.0)
    probe = solve_ivp(slopes, (0.0, 500.0), [22.0, 22.0], t_eval=at_s, rtol=1e-8, atol=1e-8, max_step=1.0).y[1]
    found = conversion(recover_rise_k(at_s, probe, 22.0, 1100.0, 3.0), 118.0)
    assert np.abs(found - np.interp(at_s, heat.time_s, heat.share))[5:-5].max() < 0.03


@pytest.mark.parametrize("at_s", [40.0, 110.0])
def test_a_drained_cup_marches_as_scipy_integrates_it(at_s: float) -> None:
    """Until it is poured out it cools as a full cup, then as a pool that shares its heat with the floor."""
    drained, ln_c, m, n, e, rise_k, gel, tau_s = Drained(at_s, 1590.0, 0.8), -2.0, 1.3, 2.3, 5.2, 118.0, 0.72, 500.0
    bends = [[0.0]] * BENDS
    p = np.array([[0.0], [ln_c], [m], [n], [e], [math.log(rise_k)], [gel], *bends, [math.log(tau_s)], [0.0], [3.0]])
    ln_k = np.array([math.log(0.006)])
    found = cup_curves(p, ln_k, 22.0, 24.0, drained)

    def slopes(share: float, tau: float) -> Callable[[float, Array], tuple[float, float]]:
        def of(t: float, y: Array) -> tuple[float, float]:
            rate = 0.006 * math.exp(e * 1e4 / 8.314462618 * (1 / 298.15 - 1 / (y[1] + 273.15)))
            rate *= (math.exp(ln_c) + max(y[0], 0.0) ** m) * (1.0 - min(y[0], 1.0)) ** n
            return rate, share * rise_k * rate - (y[1] - 22.0) / tau

        return of

    def gels(t: float, y: Array) -> float:
        return float(y[0] - gel)

    options = {"rtol": 1e-8, "atol": 1e-8, "max_step": 1.0}
    first = solve_ivp(slopes(1.0, 1590.0), (0.0, at_s), [0.0, 24.0], **options)
    share, temp_c = first.y[:, -1]
    pool = [share, 22.0 + 0.8 * (temp_c - 22.0)]
    later = solve_ivp(slopes(0.8, tau_s), (at_s, 900.0), pool, events=gels, dense_output=True, **options)
    assert found.gel_s[0] == pytest.approx(later.t_events[0][0], rel=0.01)
    for s in np.arange(at_s + 40.0, found.gel_s[0], 20.0).tolist():
        assert found.seen_k(np.array([s]), np.array([0.0]))[0, 0] == pytest.approx(later.sol(s)[1] - 22.0, abs=1.0)


def test_a_bath_needs_a_resin_nobody_knows() -> None:
    """A probe in 60 C water through two lags: the fit may bend, but says how odd such a resin would be."""
    times = np.arange(26.0, 300.0, 2.0)
    warm = np.maximum(times - 60.0, 0.0)
    probe = 22.0 + 38.0 * (1.0 - np.exp(-warm / 60.0))
    fit = CureFit(label_belief(0.22), CUP, 300.0)
    for until in range(80, 300, 20):
        seen = times < until
        last = shown(fit, times[seen], probe[seen])
    assert last.oddness > 18.0 or last.misfit > 1.5


def test_updates_repeat_to_the_bit_and_survive_a_checkpoint() -> None:
    first, _ = fitted("steady", 0.7)
    again, _ = fitted("steady", 0.7)
    assert known(first.last).ln_gel.tobytes() == known(again.last).ln_gel.tobytes()
    thawed = frozen_copy(first)
    times, probe, gel_s = SHAPES["steady"]
    seen = times < 0.8 * gel_s
    a, b = (shown(f, times[seen], probe[seen]) for f in (first, thawed))
    assert a.ln_gel.tobytes() == b.ln_gel.tobytes()
    assert a.weights.tobytes() == b.weights.tobytes()


def test_own_roots_agree_with_numpys() -> None:
    rng = np.random.default_rng(5)
    a = rng.normal(size=(3, 10, 10))
    matrices = a @ a.transpose(0, 2, 1) + 0.1 * np.eye(10)
    assert lower(matrices) == pytest.approx(np.linalg.cholesky(matrices), rel=1e-9)
    assert lower_inverse(lower(matrices)) == pytest.approx(
        np.linalg.inv(np.linalg.cholesky(matrices)), rel=1e-7, abs=1e-9
    )
    with pytest.raises(ValueError, match="positive"):
        lower(-matrices)


def test_a_belief_goes_to_a_table_and_back() -> None:
    belief = next_pour(fitted("snap", 0.9)[0].resin_posterior())
    back = ResinBelief.from_plain(belief.to_plain())
    assert back.means == pytest.approx(belief.means, abs=1e-6)
    assert back.covariances == pytest.approx(belief.covariances, rel=1e-5, abs=1e-12)
    assert back.ln_weights == pytest.approx(belief.ln_weights, abs=1e-4)


@pytest.mark.parametrize(
    "plain",
    [{}, {"means": [], "covariances": [], "ln_weights": []}, {"means": [[0.0] * 7], "covariances": [[0.0] * 28],
     "ln_weights": [0.0]}, {"means": "text", "covariances": [], "ln_weights": []},
     {"means": [[float("nan")] * 7], "covariances": [[1.0] * 28], "ln_weights": [0.0]}],
)  # fmt: skip
def test_a_spoilt_table_is_no_belief(plain: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"belief|positive"):
        ResinBelief.from_plain(plain)


def test_a_new_lots_speed_lies_between_the_label_and_the_lots_known() -> None:
    """Lots scatter by 0.18 about a resin that is 0.12 off its label: one lot at 0.3 moves the next by 0.3 x 0.3."""
    own, lot = 0.10**2 + 0.06**2, 0.18**2
    mean, sd = new_lot_speed([(0.3, 1e-6)])
    assert mean == pytest.approx(0.3 * own / (own + lot))
    assert sd == pytest.approx(math.sqrt(own * lot / (own + lot) + lot))
    many, narrower = new_lot_speed([(0.3, 0.02)] * 12)
    assert mean < many < 0.3
    assert 0.18 < narrower < sd
    assert new_lot_speed([])[0] == 0.0


def test_a_mixtures_shares_and_times_agree_with_scipys_normal() -> None:
    from scipy.stats import norm

    belief = GelBelief((0.3, 0.7), (math.log(200.0), math.log(260.0)), (0.1, 0.05))
    by_scipy = 0.3 * norm.cdf((math.log(230.0) - math.log(200.0)) / 0.1)
    by_scipy += 0.7 * norm.cdf((math.log(230.0) - math.log(260.0)) / 0.05)
    assert belief.share_by(230.0) == pytest.approx(by_scipy, abs=1e-9)
    assert belief.share_by(belief.time_s(0.37)) == pytest.approx(0.37, abs=1e-6)
    early, likely, late = belief.window_s(255.0)
    assert 255.0 < early < likely < late, "a cup that has not kicked by now kicks later"


def test_bins_are_few_keep_the_rise_and_leave_out_a_probe_that_slipped() -> None:
    bins = CurveBins.for_pot_life(180.0)
    for s in range(900):
        temp_c = 22.0 + 0.02 * s + (80.0 / (1.0 + math.exp(-(s - 600) / 15.0)))
        is_out = 300 <= s < 312
        bins.add(float(s), 22.0 if is_out else temp_c, 0.05)
    times, values, counts = bins.points()
    assert len(times) <= 111
    assert sum(counts) > 850
    assert times == sorted(times)
    near = [t for t in times if 560.0 < t < 640.0]
    assert len(near) >= 20, "the steep part keeps its points"
    assert not any(c < 26.0 for t, c in zip(times, values, strict=True) if 299.0 < t < 320.0)


def test_a_curve_that_is_no_resins_teaches_nothing_and_a_mark_beside_it_the_speed() -> None:
    cup = CupCure(kind="witness", mass_g=25.0, lag_s=3.0, resin=label_belief(0.22), pot_life_s=180.0)
    flat, wild = CurveBins.for_pot_life(180.0), CurveBins.for_pot_life(180.0)
    for s in range(30, 240):
        flat.add(float(s), 22.0, 0.1)
        wild.add(float(s), 22.0 + 30.0 * (s // 20 % 2), 0.1)
    # A cup that never warms and kicked all the same: no resin reacts without heat.
    for bins in (wild, flat, CurveBins(2.0)):
        assert cup.taught(bins, 0.0, 0.1, 22.0, 22.0, (180.0, 0.03), is_marked=False) is None
        by_mark = known(cup.taught(bins, 0.0, 0.1, 22.0, 22.0, (180.0, 0.03)))
        assert not by_mark.by_curve
        assert np.all(by_mark.resin.covariances[:, LF, LF] < 0.22**2)
    assert math.exp(label_belief(0.22).means[0, LN_RISE]) == pytest.approx(121.5, abs=1.0)
