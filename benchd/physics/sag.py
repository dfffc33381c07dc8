"""Finds whether a part that is not hard yet bends under its own weight, from its section and length.

A part held at one end is a cantilever under its own weight: sag w = q L^4/(8 E I) with q = rho g b h and I = b h^3/12,
so w = 1.5 rho g L^4/(E h^2).  Source: S. Timoshenko, "Strength of Materials", part 1, 2nd ed. 1940, table of beam
deflections (cantilever, uniform load).  It is a bound: a part with curls and ribs is stiffer.
"""

from __future__ import annotations

GRAVITY_M_S2 = 9.80665
GREEN_MPA = 10.0  # a gelled, flexible urethane: an elastomer of about 80 Shore A; common practice, no source
DENSITY_G_ML = 1.07  # as a resin's label that is silent
MOST_SAG_MM = 0.5  # more is seen on a figure; common practice, no source
THIN_MM = 3.0  # thin, where no length is known; common practice, no source


def sag_mm(
    length_mm: float, thick_mm: float, modulus_mpa: float = GREEN_MPA, density_g_ml: float = DENSITY_G_ML
) -> float:
    """How far the free end of a part held at the other hangs down [mm], in small deflections.

    length_mm, thick_mm: free length and thickness in the direction of the fall [mm], above zero; modulus_mpa: Young's
    modulus [MPa]; density_g_ml: [g/ml].

    >>> round(sag_mm(60.0, 2.0), 1)
    5.1
    """
    length_m, thick_m = 1e-3 * length_mm, 1e-3 * thick_mm
    return 1e3 * 1.5 * 1e3 * density_g_ml * GRAVITY_M_S2 * length_m**4 / (1e6 * modulus_mpa * thick_m**2)


def bends(thin_mm: float, length_mm: float | None) -> bool:
    """Whether a green part wants support: by its length where the shelf gives one [mm], else if its section is thin."""
    return thin_mm <= THIN_MM if length_mm is None else sag_mm(length_mm, thin_mm) > MOST_SAG_MM
