"""The true value to calibrate a channel against: ice, boiling water, an open pot, or a typed value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchd.commands.calibrate.live import reading
from benchd.commands.calibrate.points import MOST_OFF, CalibrationRefused
from benchd.core.bench import ROLES, Bench, Channel
from benchd.core.units import QuantityError, from_c, from_kpa, parse_quantity
from benchd.physics.boiling import boiling_point_c
from benchd.settings.sensors import DIMENSION

NAMED = ("ice", "boil", "zero")
WEATHER_KPA = 3.0  # how far weather moves the air pressure from its mean; common practice, no source

OPEN_POT = "bleed open, no hiss, dial at zero"
ZERO_OF = {
    "pot_pressure": f"{OPEN_POT}.  Neither a dial nor a sensor proves an empty pot",
    "tank_pressure": "drain open, no hiss, dial at zero.  Neither a dial nor a sensor proves an empty tank",
    "scale": "the pan empty, level, out of the draught",
}
"""Role -> what must be true before its zero is taken."""


@dataclass(frozen=True, slots=True)
class Target:
    """One true value: its name, the value in the core's unit, how far off a reading may be, and the instruction."""

    by: str
    true: float
    most_off: float
    bring: str


def shown(bench: Bench, unit: str, value: float, digits: int = 2) -> str:
    """A value given in the core's unit, as the bench writes it: "1.3 C", "0.4 psi"."""
    name = unit_name(bench, unit)
    number = from_kpa(value, name) if unit == "kPa" else from_c(value, name) if unit == "C" else value
    text = f"{number:.{digits}f}".rstrip("0").rstrip(".")
    return f"{'0' if text in ('', '-0', '-') else text} {name}"


def unit_name(bench: Bench, unit: str) -> str:
    """The name of the unit in which the bench writes values of the core's unit."""
    return {"kPa": bench.pressure_unit, "C": bench.temperature_unit, "%RH": "%"}.get(unit, unit)


def target(word: str, channel: Channel, bench: Bench, state: dict[str, Any], typed_kpa: float | None) -> Target:
    """The target that a command-line word means.  Raises CalibrationRefused when it does not fit the channel."""
    unit = ROLES[channel.role]
    if word in ("ice", "boil"):
        if unit != "C":
            raise CalibrationRefused(f"{word} is for temperatures; {channel.id} is a {channel.role.replace('_', ' ')}")
        return _ice() if word == "ice" else _boil(bench, state, typed_kpa)
    if word == "zero":
        what = ZERO_OF.get(channel.role)
        if what is None:
            raise CalibrationRefused(f"zero is for pots, tanks and scales; {channel.id} has no zero of its own")
        return Target("zero", 0.0, MOST_OFF[unit], what)
    try:
        true = parse_quantity(word, DIMENSION[unit])
    except QuantityError as error:
        named = " or ".join(NAMED)
        raise CalibrationRefused(f'"{word}": {error.problem}; {error.remedy}, or {named}') from error
    return Target(word, true, 2.0 * MOST_OFF[unit], f"the true value at {word}, by an instrument you trust")


def _ice() -> Target:
    what = "in crushed ice and water, more ice than water, stirred, the tip off the walls"
    return Target("ice", 0.0, MOST_OFF["C"], what)


def _boil(bench: Bench, state: dict[str, Any], typed_kpa: float | None) -> Target:
    """Boiling water at today's pressure: typed, else from the barometer, else from the altitude."""
    kpa, basis = bench.p_atm_kpa, "by the altitude"
    meter = next((c.id for c in bench.channels if c.role == "barometer"), None)
    heard = reading(state, meter) if meter else None
    if typed_kpa is not None:
        kpa, basis = typed_kpa, "typed"
    elif heard is not None and heard.get("quality") == "good":
        kpa, basis = heard["value"], f"by {meter}"
    try:
        true_c = boiling_point_c(1000.0 * kpa)
    except ValueError as error:
        raise CalibrationRefused(f"water does not boil at {kpa:g} kPa") from error
    if not 50.0 <= kpa <= 115.0:
        raise CalibrationRefused(f"{kpa:g} kPa is no air pressure: write what a barometer shows here, not at sea level")
    what = f"in boiling water, off the bottom; at {kpa:.1f} kPa ({basis}) it boils at {true_c:.2f} C"
    if basis == "by the altitude":
        off_c = true_c - boiling_point_c(1000.0 * (kpa - WEATHER_KPA))
        what += f", give or take {off_c:.1f} C of weather; --pressure does better"
    return Target("boil", true_c, MOST_OFF["C"], what)
