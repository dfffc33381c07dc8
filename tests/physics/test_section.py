"""Does a section heat, run away, gel and harden as it must?  Frank-Kamenetskii, scipy, the trade's shape of things."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from of_kind import known
from scipy.integrate import solve_ivp
from scipy.special import expi

from benchd.physics.kinetics import Cure, Glass, glass_transition_c, rate_per_s
from benchd.physics.section import (
    GREEN_BELOW_K,
    HARD_BELOW_K,
    SectionState,
    SectionTimes,
    poured,
    section_times,
    share_reached_s,
    step_section,
)
from benchd.physics.section_grid import Array, Matter, Shape, section_grid

K, RHO_C, L_MM, CELLS = 0.21, 1.07e6 * 1.8, 5.0, 24
DIFFUSES_S = (L_MM / 1000.0) ** 2 * RHO_C / K
CURE = Cure(
    k_per_s=0.0066, c=0.074, m=1.3, n=2.33, e_j_mol=50.5e3, rise_k=119.0, gel_conversion=0.718, glass=Glass()
)  # a middling three-minute resin


def heated(shape: Shape, deltas: list[float], times: float) -> Array:
    """theta in the middle of sections whose walls stay cold and whose heat grows as exp(theta), after `times` diffusion
    times; the reactant is not used up.  1 K stands for a theta of 1; the first cell is the middle."""
    matter = Matter(film_w_m2k=1e9, resin_w_mk=K, resin_j_m3k=RHO_C)
    n = len(deltas)
    grid = section_grid(np.full(n, L_MM), np.zeros(n), shape, matter, (CELLS, 0))
    state = SectionState(np.zeros(n), np.zeros((CELLS, n)), np.zeros((CELLS, n)), np.zeros((CELLS, n)), np.zeros(n))
    step_s = np.full(n, 0.04 * DIFFUSES_S)
    for _ in range(int(times / 0.04)):
        # alpha carries the heat only: a millionth of it is a kelvin, and it is put back each step
        rate = 1e-6 * np.array(deltas) / DIFFUSES_S * np.exp(np.minimum(state.above_k, 20.0))
        state = step_section(grid, state, rate, np.full(n, 1e6), step_s)
        state = replace(state, alpha=np.zeros((CELLS, n)), above_k=np.minimum(state.above_k, 20.0))
    middle: Array = state.above_k[0]
    return middle


@pytest.mark.parametrize(("shape", "critical"), [("slab", 0.8785), ("cylinder", 2.000), ("sphere", 3.322)])
def test_sections_run_away_at_the_frank_kamenetskii_criticals(shape: Shape, critical: float) -> None:
    """0.878, 2.000, 3.322: Frank-Kamenetskii 1939; Boddington et al.; quoted by Carslaw & Jaeger."""
    below, above = heated(shape, [0.97 * critical, 1.03 * critical], 40.0)
    assert below < 1.7  # the hottest a steady one gets: 1.19, 1.39, 1.61
    assert above > 10.0


@pytest.mark.parametrize(
    ("shape", "delta", "theta"),
    [("slab", 0.2, 0.109564), ("slab", 0.5, 0.328952), ("slab", 0.8, 0.746459),
     ("cylinder", 0.5, 0.138673), ("cylinder", 1.0, 0.316694), ("cylinder", 1.9, 0.982689)],
)  # fmt: skip
def test_below_the_critical_the_middle_gets_as_warm_as_the_exact_solution(
    shape: Shape, delta: float, theta: float
) -> None:
    """Slab: delta = 2 exp(-th) acosh(exp(th/2))^2; cylinder: delta = 8b/(1+b)^2, th = 2 ln(1+b) (Frank-Kamenetskii)."""
    (middle,) = heated(shape, [delta], 15.0)
    assert middle == pytest.approx(theta, rel=0.01)


NEVER_GLASS = Glass(tg_raw_c=-250.0, tg_full_c=-200.0)


def bare_gel_s(cure: Cure, film_w_m2k: float, half_mm: float) -> tuple[float, float]:
    """When the middle of a section without a mold gels [s], from 23 C in air of 23 C, and its peak [C]."""
    one = np.ones(1)
    grid = section_grid(one * half_mm, one * 0.0, matter=Matter(film_w_m2k=film_w_m2k), cells=(8, 0))
    start = poured(cure, grid, one * 23.0, one * 23.0, one * 23.0, one, one * cure.rise_k, 0.05)
    found = section_times(cure, grid, start, one * 23.0, one, one * cure.rise_k, 1e4)
    return float(found.kick_s[0]), float(found.peak_c[0])


@pytest.mark.parametrize(("c", "gel"), [(0.02, 0.5), (0.074, 0.7), (0.5, 0.6)])
def test_a_section_that_keeps_the_rooms_temperature_gels_as_the_rate_law_integrates(c: float, gel: float) -> None:
    """a' = k (c + a)(1 - a) from 0: t = ln((c + g)/(c (1 - g)))/(k (1 + c)), separation of variables."""
    cure = replace(CURE, c=c, m=1.0, n=1.0, gel_conversion=gel, glass=NEVER_GLASS)
    k = cure.k_per_s * np.exp(cure.e_j_mol / 8.314462618 * (1.0 / 298.15 - 1.0 / 296.15))
    found_s, peak_c = bare_gel_s(cure, 1e9, 0.02)
    assert found_s == pytest.approx(np.log((c + gel) / (c * (1.0 - gel))) / (k * (1.0 + c)), rel=0.01)
    assert peak_c == pytest.approx(23.0, abs=0.1)


@pytest.mark.parametrize("gel", [0.4, 0.7, 0.95])
def test_a_section_that_keeps_its_heat_gels_as_the_exponential_integral_says(gel: float) -> None:
    """a' = K exp(-a/T), T = T0 + rise a: t = [T exp(a/T) - a Ei(a/T)]/(K rise), a = E/R; zero order, adiabatic."""
    per_s = 0.002
    cure = replace(CURE, k_per_s=per_s * 1e-6, c=1e6, m=1.0, n=0.0, gel_conversion=gel, glass=NEVER_GLASS)
    a_k = cure.e_j_mol / 8.314462618

    def primitive(kelvin: float) -> float:
        return float(kelvin * np.exp(a_k / kelvin) - a_k * expi(a_k / kelvin))

    span = primitive(296.15 + cure.rise_k * gel) - primitive(296.15)
    found_s, peak_c = bare_gel_s(cure, 1e-9, 10.0)
    assert found_s == pytest.approx(span * np.exp(-a_k / 298.15) / (per_s * cure.rise_k), rel=0.01)
    assert peak_c == pytest.approx(23.0 + cure.rise_k, abs=0.5)


def run_one(
    thick_mm: float,
    mold_c: float,
    room_c: float = 23.0,
    cells: tuple[int, int] = (8, 6),
    cure: Cure = CURE,
    speed: float = 1.0,
) -> SectionTimes:
    one = np.ones(1)
    grid = section_grid(one * thick_mm / 2.0, one * 12.0, cells=cells)
    rise = one * cure.rise_k
    start = poured(cure, grid, one * room_c, one * mold_c, one * room_c, one * speed, rise, 60.0)
    return section_times(cure, grid, start, one * room_c, one * speed, rise, 6 * 3600.0)


@pytest.mark.parametrize(("thick_mm", "mold_c"), [(2.0, 23.0), (2.2, 40.0), (6.0, 23.0), (26.0, 23.0)])
def test_cure_and_heat_agree_with_scipy_on_the_same_cells(thick_mm: float, mold_c: float) -> None:
    """scipy solve_ivp (BDF, 1e-7) on the method of lines: times within 1.5 %."""
    one = np.ones(1)
    grid = section_grid(one * thick_mm / 2.0, one * 12.0)
    start = poured(CURE, grid, one * 23.0, one * mold_c, one * 23.0, one, one * CURE.rise_k, 60.0)
    found = section_times(CURE, grid, start, one * 23.0, one, one * CURE.rise_k, 6 * 3600.0)
    capacity, links, film = grid.capacity[:, 0], grid.links[:, 0], grid.film[0]

    def slope(_t: float, y: Array) -> Array:
        above, alpha = y[:14], y[14:]
        flow = np.zeros(14)
        across = links * np.diff(above)
        flow[:-1] += across
        flow[1:] -= across
        flow[-1] -= film * above[-1]
        rate = rate_per_s(CURE, alpha, 23.0 + above[:8])
        flow[:8] += capacity[:8] * CURE.rise_k * rate
        return np.concatenate([flow / capacity, rate])

    end_s = 1.1 * float(found.hard_s[0])
    y0 = np.concatenate([start.above_k[:, 0], start.alpha[:, 0]])
    made = solve_ivp(slope, (60.0, end_s), y0, method="BDF", rtol=1e-7, atol=1e-9, dense_output=True)
    times = np.linspace(60.0, end_s, 40_000)
    y = made.sol(times)
    gelled = y[14:] >= CURE.gel_conversion
    below = glass_transition_c(known(CURE.glass), y[14:]) - (23.0 + y[:8])
    for there, seconds in (
        (gelled, found.gel_s),
        (gelled & (below >= GREEN_BELOW_K), found.green_s),
        (gelled & (below >= HARD_BELOW_K), found.hard_s),
    ):
        cell_s = np.array([times[np.nonzero(~row)[0][-1] + 1] if not row[0] else 60.0 for row in there])[:, None]
        assert seconds[0] == pytest.approx(share_reached_s(cell_s, grid.share)[0], rel=0.015)


def test_finer_cells_change_times_by_less_than_a_hundredth() -> None:
    for thick_mm in (2.0, 6.0, 26.0):
        coarse, fine = run_one(thick_mm, 23.0), run_one(thick_mm, 23.0, cells=(24, 16))
        for name in ("kick_s", "gel_s", "green_s", "hard_s"):
            assert getattr(coarse, name)[0] == pytest.approx(getattr(fine, name)[0], rel=0.012)


def test_thin_gels_later_than_thick_and_warm_molds_rescue_it() -> None:
    """Common practice; a simulation study: 2 mm at 23 C gels in about 19 min, in a 40 C mold in about 8."""
    thin, warm, thick = run_one(2.0, 23.0), run_one(2.0, 40.0), run_one(26.0, 23.0)
    assert thin.gel_s[0] > 2.5 * thick.gel_s[0]
    assert 0.3 < warm.gel_s[0] / thin.gel_s[0] < 0.55  # the study's 8/19
    assert thin.peak_c[0] < 45.0
    assert thick.peak_c[0] > 110.0


def test_a_thick_part_is_converted_but_hot_and_waits_for_its_heat() -> None:
    """Common practice: a converted but hot torso tears; ten minutes suits 4 to 8 mm."""
    thick, middle = run_one(26.0, 23.0), run_one(7.0, 23.0)
    assert thick.gel_s[0] < middle.gel_s[0]
    assert thick.hard_s[0] > 3.0 * middle.hard_s[0]
    assert 400.0 < middle.hard_s[0] < 1000.0


def test_a_section_gels_then_turns_green_then_hard() -> None:
    for thick_mm in (1.5, 3.0, 6.0, 12.0, 30.0):
        found = run_one(thick_mm, 21.5, 21.5)
        assert found.kick_s[0] <= found.gel_s[0] <= found.green_s[0] <= found.hard_s[0] < np.inf


def test_twice_the_speed_in_a_thick_part_gels_in_about_half_the_time() -> None:
    assert run_one(30.0, 23.0, speed=2.0).gel_s[0] == pytest.approx(0.5 * run_one(30.0, 23.0).gel_s[0], rel=0.2)


def test_a_glass_that_never_reaches_the_room_is_never_hard() -> None:
    soft = replace(CURE, glass=Glass(tg_full_c=15.0))
    found = run_one(6.0, 23.0, cure=soft)
    assert found.hard_s[0] == np.inf
    assert found.gel_s[0] < np.inf


def test_nine_tenths_is_read_between_cells() -> None:
    cells, share = np.array([[10.0], [20.0], [30.0], [40.0]]), np.full((4, 1), 0.25)
    # Shares stand about their cells: 12.5, 37.5, 62.5 and 87.5 %, so nine tenths come as the last one does.
    assert share_reached_s(cells, share)[0] == 40.0
    assert share_reached_s(cells, share, 0.75)[0] == pytest.approx(35.0)
    assert share_reached_s(np.where(cells > 35.0, np.inf, cells), share)[0] == np.inf
