"""Measures molds: ml from the water a mold holds or from a good casting's weight.

Also how high a volume comes in a cup, and how far a trapped pocket shrinks.
"""

from __future__ import annotations

from math import pi

LEAST_WATER_C, MOST_WATER_C = 0.0, 40.0


def water_g_ml(temp_c: float) -> float:
    """Density of air-free water at 101.325 kPa [g/ml], 0 to 40 C, to 1e-6.

    Raises ValueError outside.  Source: M. Tanaka et al., "Recommended table for the density of water between 0 C and
    40 C", Metrologia 38 (2001) 301, formula (1).
    """
    if not LEAST_WATER_C <= temp_c <= MOST_WATER_C:
        raise ValueError(f"water of {temp_c:g} C: use water between {LEAST_WATER_C:g} and {MOST_WATER_C:g} C")
    a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
    return a5 * (1.0 - (temp_c + a1) ** 2 * (temp_c + a2) / (a3 * (temp_c + a4))) / 1000.0


def volume_from_water_ml(full_g: float, empty_g: float, temp_c: float) -> float:
    """Volume of a mold weighed full of water and empty [ml].

    The air's buoyancy (0.1 %) is left out: a kitchen scale can't resolve it.  Raises ValueError when nothing was in it.
    """
    if not full_g > empty_g >= 0.0:
        raise ValueError("the full mold must weigh more than the empty one: they may be swapped")
    return (full_g - empty_g) / water_g_ml(temp_c)


def volume_from_casting_ml(casting_g: float, cured_g_ml: float) -> float:
    """Volume of a casting weighed with its gates and vents on [ml].  Raises ValueError for weights not above zero."""
    if casting_g <= 0.0 or cured_g_ml <= 0.0:
        raise ValueError("a casting's weight and its cured density are above zero")
    return casting_g / cured_g_ml


def cup_height_mm(volume_ml: float, inside_mm: float) -> float:
    """How high a volume [ml] comes in a straight-sided cup of this inside diameter [mm].  Raises ValueError."""
    if inside_mm <= 0.0 or volume_ml < 0.0:
        raise ValueError("a cup's diameter is above zero, a volume not below it")
    return volume_ml * 1000.0 / (pi * inside_mm**2 / 4.0)


def pocket_share(gauge_kpa: float, p_atm_kpa: float) -> float:
    """What is left of a trapped pocket's volume under pressure (Boyle's law at one temperature), 0..1."""
    if gauge_kpa <= -p_atm_kpa or p_atm_kpa <= 0.0:
        raise ValueError("no absolute pressure is at or below zero")
    return p_atm_kpa / (p_atm_kpa + gauge_kpa)


def largest_pocket_ml(reservoir_ml: float, gauge_kpa: float, p_atm_kpa: float) -> float:
    """The largest trapped pocket whose shrinking a reservoir of resin can still fill [ml]."""
    return reservoir_ml / (1.0 - pocket_share(gauge_kpa, p_atm_kpa))
