"""Rules of thumb for a mold section: how much later than the cup it gels, and when it can be pulled.

A thin section loses its heat to the mold and cures nearly at the mold's temperature; a thick one heats itself like the
cup, then has to cool.  For use where no section is solved:

  gel    pot life * (1 + 5.3 (2 mm / d)^1.5) * 1.66^((23 - Tm)/10)
  thin   hard when gel has gone as far on as at 6 mm, which is what a label's demold time suits:
         demold * g(d)/g(6 mm) * 1.66^((23 - Tm)/10)     with g(d) the bracket above
  thick  hard once cool: beyond 8 mm the heat held grows with the thickness and the wall it leaves through does not,
         so demold * d/8 mm

The two numbers of the gel rule are those of one simulated fast resin (pot life 3 min): 2 mm gels in about 19 min with
the mold at 23 C and in about 8 min at 40 C [model]; exponent 1.5 and the label suiting 4 to 8 mm are common practice.
"""

from __future__ import annotations

from typing import Literal

THINNEST_MM = 0.5
LABEL_SECTION_MM = 6.0  # common practice: ten-minute demold times suit about 4 to 8 mm
LABEL_THICKEST_MM = 8.0  # common practice, as above
THIN_AT_2_MM = 5.3  # model: 19 min / 3 min = 6.3 times the pot life at 2 mm and 23 C
PER_TEN_KELVIN = 1.66  # model: (19 min / 8 min)^(1 / 1.7) from 23 C to 40 C


def gel_ratio(section_mm: float) -> float:
    """Gel time of a section in a 23 C mold over the pot life: 1 + 5.3 (2 mm/d)^1.5.

    section_mm: thickness d [mm], counted as `THINNEST_MM` at least.  Source: [model] and common practice, see above.

    >>> round(gel_ratio(2.0), 2)
    6.3
    """
    return float(1.0 + THIN_AT_2_MM * (2.0 / max(section_mm, THINNEST_MM)) ** 1.5)


def mold_factor(mold_c: float) -> float:
    """How a thin section's times stretch with the mold's temperature: 1.66^((23 - T)/10).

    mold_c: T [C]; drawn from figures at 23 and 40 C.

    >>> round(mold_factor(13.0), 2)
    1.66
    """
    return float(PER_TEN_KELVIN ** ((23.0 - mold_c) / 10.0))


def gel_s(pot_life_s: float, section_mm: float, mold_c: float) -> float:
    """Gel of a section [s after the mix]: pot life x `gel_ratio` x `mold_factor`.

    pot_life_s: at 23 C [s]; section_mm: its thickness [mm]; mold_c: the mold's temperature [C].

    >>> round(gel_s(180.0, 2.0, 23.0))
    1134
    """
    return pot_life_s * max(1.0, gel_ratio(section_mm) * mold_factor(mold_c))


def hard_s(demold_s: float, thin_mm: float, thick_mm: float, mold_c: float) -> tuple[float, Literal["thin", "thick"]]:
    """When a part is hard all over [s after the mix] and which limit rules: its thin sections or its thick ones.

    The later of the two rules in this file's docstring.  demold_s: the label's demold time [s]; thin_mm, thick_mm: the
    part's thinnest and thickest sections [mm]; mold_c: the mold's temperature [C].

    >>> hard_s(1200.0, 6.0, 6.0, 23.0)
    (1200.0, 'thin')
    """
    thin_s = demold_s * max(1.0, gel_ratio(thin_mm) / gel_ratio(LABEL_SECTION_MM)) * mold_factor(mold_c)
    thick_s = demold_s * max(1.0, thick_mm / LABEL_THICKEST_MM)
    return (thin_s, "thin") if thin_s >= thick_s else (thick_s, "thick")
