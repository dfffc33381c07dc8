"""Sums on a trapped bubble: how small pressure makes it, and how long it takes to dissolve.

Boyle's law with Laplace's: (p1 + 2 s/r1) r1^3 = (p0 + 2 s/r0) r0^3; for resin bubbles above 0.1 mm the surface tension
term hardly counts.  Dissolving follows Epstein & Plesset, J. Chem. Phys. 18 (1950) 1505:
dR/dt = -D d ((1 - f + L/R)/(1 + 2 L/(3 R))) (1/R + 1/sqrt(pi D t)), L = 2 s/p, d the Ostwald solubility, f the liquid's
saturation at p.  For resin D and d are known to an order of magnitude only: never more than a hint.
"""

from __future__ import annotations

import math
from collections.abc import Callable


def boyle_diameter_ratio(p0_pa_abs: float, p1_pa_abs: float) -> float:
    """Diameter after over diameter before, (p0/p1)^(1/3): Boyle's law, surface tension left out.

    p0_pa_abs, p1_pa_abs: liquid pressure before and after [Pa absolute], both above 0.

    >>> round(boyle_diameter_ratio(101325.0, 405300.0), 2)
    0.63
    """
    return math.cbrt(p0_pa_abs / p1_pa_abs)


def laplace_pa(surface_n_m: float, diameter_m: float) -> float:
    """Excess pressure inside a bubble [Pa]: Laplace's law, 4 s/d.

    surface_n_m: surface tension s [N/m]; diameter_m: diameter d [m], above 0.

    >>> round(laplace_pa(0.03, 0.001))
    120
    """
    return 4.0 * surface_n_m / diameter_m


def shrunk_diameter_m(diameter_m: float, p0_pa_abs: float, p1_pa_abs: float, surface_n_m: float) -> float:
    """Diameter [m] of a bubble after the liquid's pressure went from p0 to p1, isothermal, no gas lost.

    Boyle with Laplace, (p1 + 4 s/d1) d1^3 = (p0 + 4 s/d0) d0^3.  Newton on x = d1/d0, x^3 p1 + x^2 L = p0 + L with
    L = 4 s/d0: the left side rises and is convex, so Newton always converges from above.

    diameter_m: d0 [m]; p0_pa_abs, p1_pa_abs: liquid pressures [Pa absolute]; surface_n_m: surface tension s [N/m];
    diameter and pressures above 0.

    >>> round(1000.0 * shrunk_diameter_m(0.001, 101325.0, 405300.0, 0.0), 2)
    0.63
    """
    excess = laplace_pa(surface_n_m, diameter_m)
    x = max(1.0, boyle_diameter_ratio(p0_pa_abs + excess, p1_pa_abs))
    for _ in range(60):
        step = (x**3 * p1_pa_abs + x * x * excess - p0_pa_abs - excess) / (3.0 * x * x * p1_pa_abs + 2.0 * x * excess)
        x -= step
        if abs(step) < 1e-14 * x:
            break
    return diameter_m * x


def dissolving_s(
    radius_m: float,
    saturation: float,
    diffusivity_m2_s: float,
    ostwald: float,
    surface_n_m: float,
    p_pa_abs: float,
    quasi_steady: bool = False,
) -> float:
    """Seconds until a bubble has dissolved (Epstein & Plesset); inf when it does not shrink (saturation >= 1 + L/R).

    Solved in scaled form, R = R0 y and t = (R0^2/(D d)) u^2 (u removes the square-root start), by RK4 in steps that
    shrink with y; good to about 0.1 % of the time.

    radius_m: R0 [m]; saturation: f, the liquid's gas over what it holds at p [-]; diffusivity_m2_s: D [m2/s];
    ostwald: d, the Ostwald solubility [-]; surface_n_m: s [N/m]; p_pa_abs: p [Pa absolute]; all but f above 0.
    quasi_steady leaves out the 1/sqrt(pi D t) term.
    Source: Epstein & Plesset, J. Chem. Phys. 18 (1950) 1505; the equation is in this file's docstring.
    """
    lamb = 2.0 * surface_n_m / (p_pa_abs * radius_m)
    if 1.0 - saturation + lamb <= 0.0:
        return math.inf
    transient = 0.0 if quasi_steady else math.sqrt(ostwald / math.pi)

    def slope(u: float, y: float) -> float:
        """d(y^2)/du, finite at both ends."""
        drive = (1.0 - saturation + lamb / y) / (1.0 + 2.0 * lamb / (3.0 * y))
        return -2.0 * drive * (2.0 * u + 2.0 * transient * y)

    return radius_m**2 / (diffusivity_m2_s * ostwald) * _time_to_vanish(slope) ** 2


def _time_to_vanish(slope: Callable[[float, float], float]) -> float:
    """u where s = y^2 reaches 1e-8, from s = 1 at u = 0: RK4, each step taking at most 1 % off s."""
    u, s = 0.0, 1.0
    while s > 1e-8:
        a = slope(u, math.sqrt(s))
        step = min(0.01 * s / max(-a, 1e-300), 0.004)
        b = slope(u + step / 2, math.sqrt(max(s + a * step / 2, 1e-12)))
        c = slope(u + step / 2, math.sqrt(max(s + b * step / 2, 1e-12)))
        d = slope(u + step, math.sqrt(max(s + c * step, 1e-12)))
        s += step / 6 * (a + 2 * b + 2 * c + d)
        u += step
    return u
