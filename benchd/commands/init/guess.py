"""Guesses the quantity behind a board's name from its words, unit and value; a person confirms the guess."""

from __future__ import annotations

import re
from collections.abc import Mapping

from benchd.runtime.serial.overhear import Name

AIR_PA = (87_000.0, 108_600.0)
"""The lowest and highest air pressure recorded: World Weather and Climate Extremes Archive, https://wmo.asu.edu"""
OFTEN = ("cup_temperature",)  # roles that several channels may have without a further question

_BY_UNIT: Mapping[str, tuple[tuple[str, str], ...]] = {
    "Cel": (
        (r"cj|junction|board|chip", ""),
        (r"cup|witness|probe", "cup_temperature"),
        (r"tank", "tank_temperature"),
        (r"pot|gas", "pot_gas_temperature"),
        (r"mold|mould", ""),
        (r"room|air|amb|temp", "room_temperature"),
    ),
    "Pa": (
        (r"tank|supply|line", "tank_pressure"),
        (r"baro|atm|air|amb", "barometer"),
        (r"pot|press|gauge", "pot_pressure"),
    ),
    "%RH": ((r"", "room_humidity"),),
    "g": ((r"", "scale"),),
}
"""SenML unit -> (words in the name, the role), the first that fits; "" means not a channel."""


def guess_role(name: str, said: Name) -> str:
    """The likely role, "" for none."""
    if said.unit == "Pa" and said.values and not re.search(r"pot|tank", name, re.IGNORECASE):
        low, high = min(v for _, v in said.values), max(v for _, v in said.values)
        if AIR_PA[0] <= low and high <= AIR_PA[1]:
            return "barometer"
    for words, role in _BY_UNIT.get(said.unit, ()):
        if re.search(words, name, re.IGNORECASE):
            return role
    return ""


def guess_roles(names: Mapping[str, Name]) -> dict[str, str]:
    """A role for each name; a role that only one channel can have goes to the first name that fits."""
    guessed: dict[str, str] = {}
    for name, said in names.items():
        role = guess_role(name, said)
        guessed[name] = "" if role not in OFTEN and role in guessed.values() else role
    return guessed
