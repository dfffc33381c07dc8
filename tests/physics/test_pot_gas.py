"""The pot's gas laws against ISO 6358, published worked examples, measured vessels, `fluids` and scipy."""

from __future__ import annotations

import math

import fluids
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import minimize_scalar

from benchd.physics import pot_gas as gas
from benchd.physics.constants import AIR_J_KG_K

PSI_PA = 6894.757293168
ATM_PA = 101325.0
BARREL_FREE_M3 = 0.013


def test_critical_ratio_and_choked_constant() -> None:
    # White, Fluid Mechanics 8e: p*/p0 = 0.5283 (air table), m = 0.685 p0 A/sqrt(R T0) (problem 3.27).
    assert abs(gas.SHARP_B - 0.5283) < 5e-5
    area = math.pi / 4 * 1e-6
    c = gas.conductance_of_hole(1.0, discharge=1.0)
    flow = gas.mass_flow_kg_s(c, 500e3, 100e3, 300.0)
    assert flow * math.sqrt(AIR_J_KG_K * 300.0) / (500e3 * area) == pytest.approx(0.685, abs=5e-4)


@pytest.mark.parametrize("p1", [201325.0, 301325.0, 401325.0, 501325.0, 601325.0])
def test_sharp_hole_against_isentropic_nozzle(p1: float) -> None:
    # Isentropic nozzle equation, 0.5 mm, Cd 1 (computed): 9.3309e-5 kg/s at 201.325 kPa, choked flow goes with p1.
    c = gas.conductance_of_hole(0.5, discharge=1.0)
    assert c == pytest.approx(3.911183e-10, rel=2e-4)
    assert gas.mass_flow_kg_s(c, p1, ATM_PA, 293.15) == pytest.approx(9.33091327e-05 * p1 / 201325.0, rel=2e-4)


@pytest.mark.parametrize("p1", [250e3, 390e3, 515e3])
def test_choking_against_fluids(p1: float) -> None:
    assert fluids.is_critical_flow(p1, ATM_PA, gas.GAMMA) == (gas.flow_factor(p1, ATM_PA) == 1.0)
    assert fluids.P_critical_flow(p1, gas.GAMMA) == pytest.approx(gas.SHARP_B * p1, rel=1e-12)
    # API 520: choked gas flow through an effective area (A in m2 from `fluids`), air, Kd 1: the same hole.
    c = gas.conductance_of_hole(2.0, discharge=1.0)
    flow = gas.mass_flow_kg_s(c, p1, ATM_PA, 293.15)
    area = fluids.API520_A_g(m=flow, T=293.15, Z=1.0, MW=28.9647, k=1.4, P1=p1, P2=ATM_PA, Kd=1.0)
    assert area == pytest.approx(math.pi / 4 * 4e-6, rel=3e-3)


@pytest.mark.parametrize(
    ("b", "p1", "expected_kg_s"),
    [
        # ISO 6358-1 with C = 1e-9 m3/(s Pa), 293.15 K, to room (computed from its formula).
        (0.2, 121325.0, 8.74113224e-05),
        (0.2, 151325.0, 1.45177614e-04),
        (0.2, 201325.0, 2.20760920e-04),
        (0.2, 401325.0, 4.74545897e-04),
        (0.3, 121325.0, 9.26767781e-05),
        (0.3, 201325.0, 2.28287921e-04),
        (0.4, 151325.0, 1.60200381e-04),
        (0.528, 201325.0, 2.38570125e-04),
        (0.528, 401325.0, 4.75570125e-04),
    ],
)
def test_iso_6358_flow(b: float, p1: float, expected_kg_s: float) -> None:
    assert gas.mass_flow_kg_s(1e-9, p1, ATM_PA, 293.15, b) == pytest.approx(expected_kg_s, rel=1e-7)


def test_flow_stops_when_pressures_meet_and_refuses_nonsense() -> None:
    assert gas.mass_flow_kg_s(1e-9, ATM_PA, ATM_PA, 293.15) == 0.0
    with pytest.raises(ValueError, match="above zero"):
        gas.mass_flow_kg_s(1e-9, -1.0, ATM_PA, 293.15)


@pytest.mark.parametrize(("hole_mm", "psi_per_min"), [(0.1, 0.3), (0.2, 1.3), (0.3, 3.0)])
def test_trade_table_of_holes(hole_mm: float, psi_per_min: float) -> None:
    # Trade table (computed there, one digit): 0.1 mm 0.3, 0.2 mm 1.3, 0.3 mm 3 psi/min at 40 psi in 12 to 14 L free.
    c = gas.conductance_of_hole(hole_mm)
    rates = [gas.loss_kpa_per_min(c, ATM_PA + 40 * PSI_PA, ATM_PA, v) * 1000 / PSI_PA for v in (0.014, 0.012)]
    assert rates[0] - 0.05 <= psi_per_min <= rates[1] + 0.05


def test_loss_hole_and_conductance_are_inverses() -> None:
    p = ATM_PA + 42 * PSI_PA
    c = gas.conductance_from_loss(5.0, p, ATM_PA, BARREL_FREE_M3, 297.0)
    assert gas.loss_kpa_per_min(c, p, ATM_PA, BARREL_FREE_M3, 297.0) == pytest.approx(5.0, rel=1e-12)
    assert gas.conductance_of_hole(gas.hole_of_conductance(c)) == pytest.approx(c, rel=1e-12)
    with pytest.raises(ValueError, match="no outflow"):
        gas.conductance_from_loss(5.0, ATM_PA, ATM_PA, BARREL_FREE_M3)


def test_minute_by_minute_fall_of_the_crumb_under_the_gasket() -> None:
    # The invented scenario's second load: a 0.15 mm hole, read minute by minute (computed there, one decimal).
    told = [42.0, 41.3, 40.5, 39.8, 39.1, 38.4, 37.7, 37.1, 36.4, 35.7, 35.1]
    c = gas.conductance_of_hole(0.15)
    for minute, psi in enumerate(told[1:], start=1):
        took_s = gas.blowdown_s(c, ATM_PA + 42 * PSI_PA, ATM_PA + psi * PSI_PA, ATM_PA, BARREL_FREE_M3)
        assert took_s / 60 == pytest.approx(minute, abs=0.25)


@pytest.mark.parametrize(
    ("c", "p_end", "isothermal_s", "adiabatic_s"),
    [
        # 20 L from 501.325 kPa, 293.15 K, choked: p0 exp(-t/tau) and p0 [1 + (g-1)/2 t/tau]^(-2g/(g-1))
        # (Dutton and Coverdill, "Experiments to Study the Gaseous Discharge and Filling of Vessels", Int. J. Engng Ed.
        # 13 (1997) 123; checked by an ODE solver).
        (1e-12, 496311.75, 2015.79, 1440.88),
        (1e-12, 350927.5, 71538.0, 52422.8),
        (1e-11, 451192.5, 2113.21, 1520.85),
        (1e-10, 350927.5, 715.38, 524.228),
        (1e-9, 496311.75, 2.01579, 1.44088),
    ],
)
def test_choked_blowdown(c: float, p_end: float, isothermal_s: float, adiabatic_s: float) -> None:
    args = (c, 501325.0, p_end, ATM_PA, 0.02)
    assert gas.blowdown_s(*args) == pytest.approx(isothermal_s, rel=1e-5)
    assert gas.blowdown_s(*args, polytropic=1.4) == pytest.approx(adiabatic_s, rel=1e-5)


@pytest.mark.parametrize("n", [1.0, 1.2, 1.4])
@pytest.mark.parametrize("p_start", [390e3, 170e3])
def test_whole_blowdown_against_scipy(n: float, p_start: float) -> None:
    c, volume, start_k = 8e-9, 0.013, 300.0

    def fall(_: float, y: list[float]) -> list[float]:
        p = y[0]
        t_k = start_k * (p / p_start) ** ((n - 1) / n)
        return [-n * gas.mass_flow_kg_s(c, p, ATM_PA, t_k) * AIR_J_KG_K * t_k / volume]

    def down(_: float, y: list[float]) -> float:
        return float(y[0]) - (ATM_PA + 700.0)

    down.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(fall, (0, 1e3), [p_start], events=down, rtol=1e-10, atol=1e-6)
    got = gas.blowdown_s(c, p_start, ATM_PA + 700.0, ATM_PA, volume, start_k, n)
    assert got == pytest.approx(run.t[-1], rel=1e-6)


def test_blowdown_edges() -> None:
    assert gas.blowdown_s(0.0, 2e5, 1.5e5, ATM_PA, 0.01) == math.inf
    assert gas.blowdown_s(1e-9, 1.4e5, 1.5e5, ATM_PA, 0.01) == 0.0
    with pytest.raises(ValueError, match="limit"):
        gas.blowdown_s(1e-9, 2e5, ATM_PA, ATM_PA, 0.01)


@pytest.mark.parametrize(("bleed_mm", "told_s"), [(6.0, 4.4), (8.0, 2.5)])
def test_fastest_vent_of_the_barrel(bleed_mm: float, told_s: float) -> None:
    # Trade table (computed there): 13 L at 42 psi through 6 mm empties in 4.4 s, through 8 mm in 2.5 s.
    c = gas.conductance_of_hole(bleed_mm)
    got = gas.blowdown_s(c, ATM_PA + 42 * PSI_PA, ATM_PA + 0.1 * PSI_PA, ATM_PA, BARREL_FREE_M3)
    assert got == pytest.approx(told_s, abs=0.15)


MEASURED_DISCHARGE = [
    # Air vessel of 16.18 L let down from 790 kPa to the room, pressure [bar abs] at t [s]: points digitised in
    # the validation files of HydDown, https://github.com/andr1976/HydDown, folder validation, MIT licence.
    (0.226, 7.6883), (4.14, 5.6748), (8.06, 4.2327), (12.0, 3.2582), (15.7, 2.6213), (19.6, 2.0884),
    (23.6, 1.7112), (27.6, 1.412), (31.5, 1.2037),
]  # fmt: skip


def test_measured_discharge_follows_one_conductance() -> None:
    t0, p0 = MEASURED_DISCHARGE[0]

    def misfit(c: float, n: float) -> float:
        return sum(
            (gas.blowdown_s(c, p0 * 1e5, p * 1e5, 1.0059e5, 0.01618, 293.0, n) - (t - t0)) ** 2
            for t, p in MEASURED_DISCHARGE[1:]
        )

    best = min(
        (minimize_scalar(misfit, bounds=(1e-9, 2e-8), args=(n,), method="bounded") for n in (1.0, 1.1, 1.2, 1.3, 1.4)),
        key=lambda found: float(found.fun),
    )
    rms_s = math.sqrt(best.fun / (len(MEASURED_DISCHARGE) - 1))
    assert rms_s < 0.8  # 31 s of curve told by one conductance to 0.73 s; digitised start and heat from walls the rest


def test_pressure_decay_worked_examples() -> None:
    # 40 CFR 1065.644 worked example: 2.000 L, 25.3 to 50.6 kPa in 70 s at 293.15 K (a vacuum test: inward, negative).
    assert gas.decay_mol_s(0.002, 25.3e3, 293.15, 50.6e3, 293.15, 70.0) == pytest.approx(-2.965705e-4, rel=1e-5)
    # Ideal gas (principle of ASTM E2930), 20 L pot, computed rows.
    args = (0.02, 515010.4, 293.15, 508115.7)
    assert gas.decay_mol_s(*args, 293.15, 600.0) == pytest.approx(9.429174e-05, rel=1e-5)
    assert gas.decay_mol_s(*args, 289.2254, 600.0) == pytest.approx(0.0, abs=3e-9)
    assert gas.decay_mol_s(0.02, 515010.4, 293.15, 515010.4, 295.15, 600.0) == pytest.approx(4.772631e-05, rel=1e-5)
    assert gas.decay_mol_s(0.02, 515010.4, 298.15, 501220.9, 295.15, 1200.0) == pytest.approx(5.845834e-05, rel=1e-5)
