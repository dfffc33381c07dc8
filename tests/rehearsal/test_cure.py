"""Do cups and sections heat, lose heat and gel as independent solutions say?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from benchd.rehearsal.cure import CureCurves, Start, cure
from benchd.rehearsal.layers import RESIN_CELLS, Row, slab, straight_cup
from benchd.rehearsal.parts import section_truth
from benchd.rehearsal.resin import FAST_WHITE, ResinTruth

R = 8.314462618
# Second-order urethane, Baser & Khakhar 1994 as kept in the open MoDeNa project's inputs: A 1965 m3/mol/s,
# E 54870 J/mol, 3765 mol/m3, 74.9 kJ/mol, rho 1100, cp 1800: rise 142.423 K, gel 0.606.
MODENA = ResinTruth(
    k1_per_s=1965.0 * 3765.0 * float(np.exp(-54870.0 / R / 298.15)),
    k2_per_s=0.0, e1_j_mol=54870.0, e2_j_mol=0.0, m=1.0, n=2.0, rise_k=142.423, gel_conversion=0.606,
    tg_raw_c=-300.0, tg_full_c=-200.0,
)  # fmt: skip


def lumped(loss_time_s: float | None) -> Row:
    """All cells one well-joined lump (links stiff), losing as a whole with a time constant."""
    heat = np.ones(20)
    loss = np.zeros(20) if loss_time_s is None else heat / loss_time_s
    return Row(heat, np.full(19, 50.0), loss, np.full(RESIN_CELLS, 1 / RESIN_CELLS), 1.0)


def no_wrap(row: Row) -> Row:
    """The same row with its wrap cut off and weightless."""
    links = row.links.copy()
    links[RESIN_CELLS - 1 :] = 1e-12
    return replace(row, links=links)


@pytest.mark.parametrize(
    ("loss_s", "half_s", "gel_s", "peak_c"),
    # times to half conversion and gel and the peak of that resin from 23.85 C, adiabatic and with a lumped loss of time
    # constant 300 s: computed with another ODE solver from the same published constants (adiabatic peak: start + rise)
    [(None, 80.328, 83.396, 23.85 + 142.423), (300.0, 87.475, 91.570, 143.73)],
)
def test_published_urethane_gels_on_time(loss_s: float | None, half_s: float, gel_s: float, peak_c: float) -> None:
    row = no_wrap(lumped(loss_s))
    curves = cure(MODENA, [row], {}, 23.85, 23.85, 0.0, 900.0)
    truth = section_truth(MODENA, curves, 0, row.share)
    assert truth.kick_s == pytest.approx(gel_s, rel=0.01)
    assert np.interp(0.5, curves.a[:, 0, 0], curves.times_s) == pytest.approx(half_s, rel=0.01)
    assert truth.peak_c == pytest.approx(peak_c, abs=1.0)


def test_a_closed_row_keeps_its_energy() -> None:
    """No losses: heat stored in resin and wall equals rise x heat capacity x conversion made, to rounding."""
    row = replace(slab(FAST_WHITE, 9.0, 12.0), losses=np.zeros(20))
    curves = cure(FAST_WHITE, [row], {}, 23.0, 23.0, 0.0, 900.0)
    stored = (curves.temp_c[:, 0] - 23.0) @ row.capacities
    made = FAST_WHITE.rise_k * curves.a[:, 0] @ row.capacities[:RESIN_CELLS]
    assert made[-1] > 0.5 * FAST_WHITE.rise_k * row.capacities[:RESIN_CELLS].sum()
    assert np.max(np.abs(stored - made)) < 1e-6 * made[-1]


def test_heat_leaves_a_slab_as_the_first_eigenvalue_says() -> None:
    """Carslaw & Jaeger: a plane slab with film decays with zeta^2 k/(rho cp L^2), zeta tan zeta = Bi."""
    inert = replace(FAST_WHITE, k1_per_s=0.0, k2_per_s=0.0)
    # resin and "wall" alike: 20 mm half thickness of one material (the wall cells given resin's numbers)
    row = slab(inert, 24.0, 8.0, film_w_m2k=100.0)
    k, heat, half_m = 0.21, 1.07e6 * 1.8, 0.020
    row = replace(row, capacities=np.full(20, 0.001 * heat), links=np.full(19, k / 0.001))
    row = replace(row, losses=np.append(np.zeros(19), 1.0 / (0.0005 / k + 1.0 / 100.0)))
    zeta = brentq(lambda z: z * np.tan(z) - 100.0 * half_m / k, 1e-6, np.pi / 2 - 1e-6)
    curves = cure(inert, [row], {}, 40.0, 20.0, 0.0, 6000.0)
    late = curves.times_s > 3000.0
    decay = -np.polyfit(curves.times_s[late], np.log(curves.temp_c[late, 0, 0] - 20.0), 1)[0]
    assert decay == pytest.approx(zeta**2 * k / heat / half_m**2, rel=0.005)


@pytest.mark.wide
def test_a_mold_section_agrees_with_a_fine_independent_grid() -> None:
    """9 mm resin in 12 mm silicone from 23 C: method of lines on 60 + 60 cells, scipy's integrator, written anew."""
    resin = replace(FAST_WHITE, tg_raw_c=-300.0, tg_full_c=-200.0)
    fine, dr, dw = 60, 0.0045 / 60, 0.012 / 60
    heat = np.r_[np.full(fine, dr * 1.07e6 * 1.8), np.full(fine, dw * 1.1e6 * 1.3)]
    res = np.r_[np.full(fine, dr / 0.21), np.full(fine, dw / 0.2)]
    link = 2.0 / (res[1:] + res[:-1])

    def slope(_t: float, y: np.ndarray) -> np.ndarray:
        a, temp = np.clip(y[:fine], 0.0, 1.0), y[fine:]
        inverse = (1 / 298.15 - 1 / (temp[:fine] + 273.15)) / R
        k1, k2 = 0.0009567 * np.exp(54e3 * inverse), 0.005788 * np.exp(57e3 * inverse)
        rate = (k1 + k2 * a**1.5) * (1 - a) ** 2.3
        flow = link * (temp[:-1] - temp[1:])
        net = np.r_[0.0, flow] - np.r_[flow, (temp[-1] - 23.0) / (res[-1] / 2 + 1 / 7.0)]
        out = net / heat
        out[:fine] += 118.0 * rate
        both: np.ndarray = np.r_[rate, out]
        return both

    start = np.r_[np.zeros(fine), np.full(2 * fine, 23.0)]
    sol = solve_ivp(slope, (0.0, 600.0), start, method="LSODA", rtol=1e-6, atol=1e-8, t_eval=np.arange(0, 601, 5.0))
    row = slab(resin, 9.0, 12.0)
    curves = cure(resin, [row], {}, 23.0, 23.0, 0.0, 610.0)
    # row 0 is the mixing cup: its walls too wait at room temperature, so it is this very section
    middle = np.interp(sol.t, curves.times_s, curves.temp_c[:, 0, 0])
    assert np.max(np.abs(middle - sol.y[fine])) < 2.0
    want_gel_s = sol.t[(sol.y[0] > 0.707).argmax()]
    assert section_truth(resin, curves, 0, row.share).kick_s == pytest.approx(want_gel_s, abs=5.0)


def test_a_poured_row_takes_over_the_mixed_cup() -> None:
    cup = straight_cup(FAST_WHITE, 300.0, "plastic", 42.0)
    curves = cure(FAST_WHITE, [cup, slab(FAST_WHITE, 6.0, 12.0)], {1: Start(45.0, 40.0)}, 23.0, 23.0, 30.0, 60.0)
    at = int(np.searchsorted(curves.times_s, 45.0))
    assert curves.times_s[at] == 45.0
    assert np.all(curves.a[at - 1, 1] == 0.0)
    assert np.all(curves.temp_c[at - 1, 1] == 40.0)
    mean = curves.temp_c[at, 0, :RESIN_CELLS] @ cup.share
    assert curves.temp_c[at, 1, :RESIN_CELLS] == pytest.approx(np.full(RESIN_CELLS, mean))
    assert curves.a[at, 1] == pytest.approx(np.full(RESIN_CELLS, curves.a[at, 0] @ cup.share))


def test_radial_wall_conducts_like_a_pipe() -> None:
    """Steady radial heat: ln(r2/r1)/(2 pi k) from cell middle to film, any heat transfer text."""
    row = straight_cup(FAST_WHITE, 25.0, "foam")
    radius = (25.0 / 1.07e6 / (2 * np.pi)) ** (1 / 3)
    wrap = 1.0 / row.links[RESIN_CELLS:].copy()
    total = wrap.sum() + 1.0 / row.losses[-1]
    first_middle, outer = radius + 0.0005, radius + 0.008
    film = 1.0 / (8.0 * 2 * np.pi * outer)
    assert total == pytest.approx(np.log(outer / first_middle) / (2 * np.pi * 0.035) + film, rel=1e-6)


def test_a_section_gets_green_then_hard_then_cool() -> None:
    row = slab(FAST_WHITE, 9.0, 12.0)
    curves = cure(FAST_WHITE, [row], {}, 23.0, 23.0, 0.0, 7200.0)
    truth = section_truth(FAST_WHITE, curves, 0, row.share)
    steps = [truth.kick_s, truth.gel_s, truth.green_s, truth.hard_s, truth.cool_s]
    assert None not in steps
    assert steps == sorted(steps, key=lambda s: s or 0.0)


def test_what_never_gels_has_no_times() -> None:
    still = CureCurves(np.arange(3.0), np.full((3, 1, 20), 20.0), np.zeros((3, 1, RESIN_CELLS)))
    truth = section_truth(FAST_WHITE, still, 0, np.full(RESIN_CELLS, 1 / RESIN_CELLS))
    assert (truth.kick_s, truth.gel_s, truth.green_s, truth.hard_s, truth.cool_s) == (None,) * 5
