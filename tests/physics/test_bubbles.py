"""Bubble sizes against the gas laws solved apart, dissolving against Epstein & Plesset's own table and scipy."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from benchd.physics import bubbles

PSI_PA = 6894.757293168
ATM_PA = 101325.0


@pytest.mark.parametrize(("psi", "percent"), [(30, 69), (40, 65), (50, 61), (60, 58)])
def test_diameter_left_under_pressure(psi: float, percent: int) -> None:
    # Trade table, computed from Boyle's law, whole percent: 69/65/61/58 % at 30/40/50/60 psi.
    ratio = bubbles.boyle_diameter_ratio(ATM_PA, ATM_PA + psi * PSI_PA)
    assert abs(100 * ratio - percent) <= 0.5
    assert ratio**3 * (ATM_PA + psi * PSI_PA) == pytest.approx(ATM_PA, rel=1e-12)


@pytest.mark.parametrize(
    ("surface_n_m", "d0_um", "psi", "d1_um"),
    [
        # Boyle with Laplace solved by a separate root finder, written down to 4 decimals (computed; sigma from memory).
        (0.030, 2000.0, 40, 1290.7065),
        (0.030, 500.0, 60, 290.9579),
        (0.030, 100.0, 40, 64.6757),
        (0.030, 20.0, 60, 11.7803),
        (0.030, 5.0, 40, 3.3604),
        (0.035, 500.0, 40, 322.8127),
        (0.035, 20.0, 40, 13.0736),
        (0.072, 100.0, 60, 58.5213),
        (0.072, 5.0, 40, 3.5106),
        (0.072, 5.0, 60, 3.2023),
    ],
)
def test_shrinking_with_surface_tension(surface_n_m: float, d0_um: float, psi: float, d1_um: float) -> None:
    p1 = ATM_PA + psi * PSI_PA
    got = bubbles.shrunk_diameter_m(d0_um * 1e-6, ATM_PA, p1, surface_n_m)
    assert got * 1e6 == pytest.approx(d1_um, abs=6e-5)

    def balance(d: float) -> float:
        return (p1 + 4 * surface_n_m / d) * d**3 - (ATM_PA + 4 * surface_n_m / (d0_um * 1e-6)) * (d0_um * 1e-6) ** 3

    assert got == pytest.approx(brentq(balance, 1e-8, 2e-3, xtol=1e-16, rtol=1e-13), rel=1e-9)


def test_letting_the_pressure_off_grows_it_back() -> None:
    small = bubbles.shrunk_diameter_m(5e-6, ATM_PA, ATM_PA + 60 * PSI_PA, 0.035)
    assert bubbles.shrunk_diameter_m(small, ATM_PA + 60 * PSI_PA, ATM_PA, 0.035) == pytest.approx(5e-6, rel=1e-10)


def test_laplace_of_a_known_bubble() -> None:
    # Water at 20 C, 0.0728 N/m (CRC Handbook, from memory): a 1 mm bubble holds 291 Pa above its liquid.
    assert bubbles.laplace_pa(0.0728, 1e-3) == pytest.approx(291.2, abs=0.05)


@pytest.mark.parametrize(
    ("radius_um", "saturation", "published_s"),
    [(10.0, 0.0, 1.17), (10.0, 1.0, 6.63), (100.0, 1.0, 5880.0)],
)
def test_dissolving_against_epstein_and_plesset(radius_um: float, saturation: float, published_s: float) -> None:
    # Epstein & Plesset, J. Chem. Phys. 18 (1950), table for air bubbles in water (values from memory), three digits.
    got = bubbles.dissolving_s(radius_um * 1e-6, saturation, 2e-9, 0.02, 0.072, 1e5, quasi_steady=True)
    assert got == pytest.approx(published_s, rel=4e-3)


@pytest.mark.parametrize(
    ("radius_um", "saturation", "d", "solubility", "sigma", "p_pa", "quasi", "expected_s"),
    [
        # Computed independently by an ODE solver; the equation as printed by Epstein & Plesset (1950).
        (1.0, 0.0, 2e-9, 0.02, 0.072, 1e5, False, 0.00790202),
        (1.0, 0.0, 2e-9, 0.02, 0.0, 1e5, False, 0.0105337),
        (1.0, 0.5, 2e-9, 0.02, 0.072, 1e5, False, 0.0095014),
        (1.0, 0.75, 2e-9, 0.02, 0.0, 1e5, False, 0.0458308),
        (1.0, 0.25, 2e-9, 0.02, 0.0, 1e5, True, 0.0166667),
        (10.0, 1.0, 2e-9, 0.02, 0.072, 1e5, True, 6.62037),
        # Resin under pressure, D and solubility guesses of the right order of magnitude (from memory).
        (32.35010865649179, 0.2687, 1e-10, 0.08, 0.035, 377115, False, 66.5891),
        (322.72613536337417, 0.2687, 1e-9, 0.08, 0.035, 377115, False, 668.183),
        (29.168697656725236, 0.1967, 1e-11, 0.08, 0.035, 515010, False, 487.979),
        (500.0, 1.0, 1e-9, 0.08, 0.035, 101325, False, 742048),
    ],
)
def test_dissolving_times(
    radius_um: float, saturation: float, d: float, solubility: float, sigma: float, p_pa: float, quasi: bool,
    expected_s: float,
) -> None:  # fmt: skip
    got = bubbles.dissolving_s(radius_um * 1e-6, saturation, d, solubility, sigma, p_pa, quasi)
    # ten digits of an ODE solver; f was typed with four digits in the resin rows
    assert got == pytest.approx(expected_s, rel=1.5e-3)


def test_dissolving_against_scipy() -> None:
    radius, d, solubility, sigma, p_pa, f = 80e-6, 3e-10, 0.08, 0.035, 390_900.0, 0.26
    lamb = 2 * sigma / p_pa

    def rate(t: float, y: list[float]) -> list[float]:
        r = y[0]
        drive = (1 - f + lamb / r) / (1 + 2 * lamb / (3 * r))
        return [-d * solubility * drive * (1 / r + 1 / math.sqrt(math.pi * d * t))]

    def gone(t: float, y: list[float]) -> float:
        return float(y[0]) - radius * 1e-3

    gone.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(rate, (1e-9, 1e6), [radius], events=gone, rtol=1e-9, atol=1e-14, method="LSODA")
    assert bubbles.dissolving_s(radius, f, d, solubility, sigma, p_pa) == pytest.approx(run.t[-1], rel=2e-3)


def test_saturated_liquid_keeps_its_bubble() -> None:
    assert bubbles.dissolving_s(1e-4, 1.2, 1e-10, 0.08, 0.0, ATM_PA) == math.inf
