"""CoolProp's water and humid air, an independent library; imported at the first question, for it takes two seconds."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from typing import Any


@cache
def _asked(module: str, function: str) -> Any:
    return getattr(import_module(f"CoolProp.{module}"), function)


def water(out: str, *state: str | float) -> float:
    """A property of water by IAPWS-95 [SI]: `water("T", "P", 101325.0, "Q", 0)` is its boiling point [K]."""
    return float(_asked("CoolProp", "PropsSI")(out, *state, "Water"))


def humid_air(out: str, *state: str | float) -> float:
    """A property of real humid air [SI]: `humid_air("W", "T", 293.15, "P", 101325.0, "R", 0.5)` is its moisture."""
    return float(_asked("HumidAirProp", "HAPropsSI")(out, *state))
