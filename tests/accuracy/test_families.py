"""Are the families' truths right, and do forecasts hold on a few of their cups?  (The cards: family_table.py.)"""

from __future__ import annotations

from math import exp

import numpy as np
import pytest
from accuracy.family_parts import PartTold, parts_told
from accuracy.family_score import Told
from accuracy.family_table import (
    WITHOUT,
    WITHOUT_EDGES,
    clock_windows,
    doubt_rows,
    errors_pct,
    held_pct,
    interval_score,
    kick_job,
)
from accuracy.fit_windows import asked, quantile
from accuracy.kick_bound import least_sd
from rehearsed.families import FAMILIES, cup_of, draw, fresh, gel_s
from rehearsed.shells import RESIN_K_W_MK, RESIN_RHO_CP, Array, Body, run
from some_of import some_of

from benchd.physics import kick_window, mold_factor

SCALE_K = 50.0  # of theta: many of the solver's steps of temperature


@pytest.mark.parametrize(("geometry", "critical"), some_of([(0, 0.878), (1, 2.000), (2, 3.322)], 1))
def test_heat_runs_away_at_the_published_critical_values(geometry: int, critical: float) -> None:
    """Frank-Kamenetskii (Diffusion and Heat Exchange in Chemical Kinetics, 1955): slab, cylinder, sphere.  A source
    that grows as exp(theta), cooled at a fixed surface, settles below the critical delta and runs away above."""
    radius_m = 0.01

    def runs_away(delta: float) -> bool:
        source_k_s = SCALE_K * delta * RESIN_K_W_MK / RESIN_RHO_CP / radius_m**2

        def law(states: Array, temp_c: Array) -> tuple[Array, Array]:
            return np.zeros_like(states), source_k_s * np.exp(np.minimum(temp_c / SCALE_K, 40.0))

        body = Body(geometry=geometry, half_m=radius_m, film=lambda excess: 1e6, shells=32)
        course = run(body, law, np.zeros(1), 0.0, 0.0, 0.0, 60_000.0, lambda t, s, c: float(c.max()) > 5.0 * SCALE_K)
        return float(course.temp_c[-1].max()) > 5.0 * SCALE_K

    assert not runs_away(0.97 * critical)
    assert runs_away(1.03 * critical)


def test_without_a_film_a_cup_is_adiabatic_and_a_thin_one_isothermal() -> None:
    """Closed forms: rise times conversion; and a = kt/(1 + kt) of second order at a constant temperature."""

    def law(states: Array, temp_c: Array) -> tuple[Array, Array]:
        rate = 0.01 * (1.0 - states[0]) ** 2
        return rate[None, :], 100.0 * rate

    kept = run(Body(geometry=1, half_m=0.02, film=lambda x: 1e-9), law, np.zeros(1), 20.0, 20.0, 20.0, 500.0)
    assert kept.states[-1][0] == pytest.approx(0.01 * kept.times_s[-1] / (1.0 + 0.01 * kept.times_s[-1]), rel=0.003)
    assert kept.temp_c[-1] == pytest.approx(20.0 + 100.0 * kept.states[-1][0], abs=0.2)
    thin = run(Body(geometry=0, half_m=2e-5, film=lambda x: 1e5), law, np.zeros(1), 20.0, 20.0, 20.0, 500.0)
    assert np.abs(thin.temp_c - 20.0).max() < 0.5


@pytest.mark.parametrize("family", FAMILIES)
def test_a_drawn_resin_gels_on_its_label_give_or_take_its_error(family: str) -> None:
    resin = draw(family, 3)
    course = run(cup_of(family, 100.0), resin.law(), fresh(family), 23.0, 23.0, 23.0, 3.0 * resin.pot_life_s)
    got_s = gel_s(resin, course)
    assert got_s is not None
    assert exp(-0.4) < got_s / resin.pot_life_s < exp(0.4)  # four sd of the label's tenth
    assert draw(family, 3) == resin


def test_the_interval_score_is_the_published_one() -> None:
    """Gneiting and Raftery (2007), equation 43 with alpha 0.1: width, and 2/alpha times the miss."""
    assert interval_score([(0.9, 1.2)]) == pytest.approx(0.3)
    assert interval_score([(1.05, 1.2)]) == pytest.approx(0.15 + 20.0 * 0.05)
    assert interval_score([(0.8, 0.9)]) == pytest.approx(0.1 + 20.0 * 0.1)


def test_the_clocks_window_is_set_on_the_other_families() -> None:
    def told(family: str, clock: float) -> Told:
        return Told(family=family, clock=clock, forecasts=((1.0, 1.0, 1.0),) * 4, found=1.0, told_at=1.0, held=True,
                    doubted=False, steepest=1.0, costs_ms=())  # fmt: skip

    others = [told("b", 1.0 / factor) for factor in np.linspace(0.5, 1.5, 101)]
    ((early, late),) = clock_windows([told("a", 2.0)], others, 0.7)
    assert (early, late) == pytest.approx((2.0 * 0.55, 2.0 * 1.45))


def test_windows_are_as_wide_as_the_widest_familys_and_each_is_left_out_once() -> None:
    for i, row in enumerate(kick_window.WIDER):
        assert row == tuple(max(without[0][i][j] for without in WITHOUT.values()) for j in range(3))
    assert max(least for _, least in WITHOUT.values()) == kick_window.LEAST_KICK
    assert set(WITHOUT) == set(FAMILIES)


def test_parts_edges_are_as_far_out_as_the_furthest_familys() -> None:
    for i, row in enumerate(mold_factor.EDGES):
        assert row == tuple(max(without[i][j] for without in WITHOUT_EDGES.values()) for j in range(3))
    assert set(WITHOUT_EDGES) == set(FAMILIES)


def test_a_conformal_factor_is_the_quantile_that_the_furthest_family_asks_for() -> None:
    """Of n scores the ceil((n + 1) share)-th (Lei et al., J Am Stat Assoc 113 (2018) 1094, algorithm 2)."""
    assert quantile(list(range(1, 20)), 0.9) == 18
    assert quantile([3.0, 1.0], 0.9) == 3.0
    scores = {"a": [1.0] * 9, "b": [2.0] * 9, "c": []}
    assert (asked(scores, 0.9), asked(scores, 0.9, "b")) == (2.0, 1.0)


def test_the_doubt_card_counts_what_was_said_and_what_could_be() -> None:
    """Right labels scatter by +-0.1 of ln; of two wrong ones one kick lies past all of them, the other among them."""

    def told(expected: float, doubted: bool) -> Told:
        return Told(family="moisture", clock=1.0, forecasts=(), found=1.0, told_at=1.0, held=True, doubted=doubted,
                    steepest=1.0, costs_ms=(), expected=expected)  # fmt: skip

    right = [(1.0, told(exp(0.1 * (-1) ** i), i == 0)) for i in range(20)]
    row = doubt_rows([*right, (2.0, told(2.0, True)), (0.5, told(0.98, False))])[-1]
    assert row == "| all | 20 | 5.0 % | 2 | 50 % | 50 % | 0.10 |"


def test_the_bound_of_a_straight_line_is_bayes_own() -> None:
    """n points of a x with noise s, x of sd 1 beforehand: var x = 1/(1 + n a^2/s^2); what no point shows stays 1."""
    points = np.array([[2.0, 0.0]] * 5)
    assert least_sd(points, np.array([3.0, 0.0]), 0.5) == pytest.approx(3.0 / np.sqrt(1.0 + 5 * 4.0 / 0.25))
    assert least_sd(points, np.array([0.0, 0.7]), 0.5) == pytest.approx(0.7)


@pytest.mark.wide
@pytest.mark.timeout(900)
def test_twenty_four_cups_are_foretold() -> None:
    rows = [row for family in FAMILIES for seed in (2000, 2001, 2002) for row in kick_job((family, seed, 2))]
    assert len(rows) >= 20
    assert np.median(errors_pct(rows, 0.7)) < 10.0
    assert held_pct(rows, 0.7) >= 70.0, "24 windows: a true 90 % holds 70 % or more in 998 cases of 1000"
    clock = np.median([100.0 * abs(row.clock - 1.0) for row in rows])
    assert np.median(errors_pct(rows, 0.7)) < 0.6 * clock, "the label's clock alone is the baseline"


@pytest.mark.wide
@pytest.mark.timeout(600)
def test_parts_are_hard_within_their_windows() -> None:
    """Twelve resins: one resin's four parts hold or miss together, so that four resins (62 %) could not tell."""
    rows: list[PartTold] = [
        row for family in FAMILIES for seed in (2000, 2001, 2002) for row in parts_told((family, seed, 1))
    ]
    assert len(rows) >= 40
    held = float(np.mean([row.early <= row.true <= row.late for row in rows]))
    assert held >= 0.7, "some forty windows, four of each resin alike"
    assert {row.rule for row in rows} == {"cured", "cool"}, "thin parts wait for the cure, thick ones to cool"
