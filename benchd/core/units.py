"""Reads quantities with units, and writes numbers for display and speech.  Units are converted once, here, at the edge.

A person writes "42 psi", "23 C", "3 min"; the core keeps kPa gauge, C, s, g, ml, mm, %, m, g/ml, V, A, ohm.  A bare
number is refused: its unit would sooner or later be guessed wrong.  Factors are exact by definition (NIST SP 811,
appendix B): 1 psi = 6.894757293168 kPa, 1 bar = 100 kPa, 1 ft = 0.3048 m, 0 C = 273.15 K, 32 F = 0 C, 1 in = 25.4 mm,
1 lb = 453.59237 g and has 16 oz, 1 gal (US) is 231 cubic inches and has 4 qt of 32 floz.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

KPA_PER_PSI = 6.894757293168
KPA_PER_BAR = 100.0
C_AT_0_K = -273.15
MM_PER_IN = 25.4
ML_PER_GAL = 231.0 * 2.54**3

Dimension = Literal[
    "pressure",
    "temperature",
    "temperature_step",
    "time",
    "mass",
    "volume",
    "length",
    "humidity",
    "altitude",
    "density",
    "voltage",
    "current",
    "resistance",
]


@dataclass(frozen=True, slots=True)
class Unit:
    """One way to write a dimension: core value = (written + shift) x factor."""

    factor: float
    shift: float = 0.0


UNITS: dict[Dimension, dict[str, Unit]] = {
    "pressure": {
        "psi": Unit(KPA_PER_PSI),
        "kPa": Unit(1.0),
        "bar": Unit(KPA_PER_BAR),
        "Pa": Unit(0.001),
        "MPa": Unit(1000.0),
        "mbar": Unit(0.1),
    },
    "temperature": {"C": Unit(1.0), "F": Unit(5.0 / 9.0, -32.0), "K": Unit(1.0, C_AT_0_K)},
    "temperature_step": {"C": Unit(1.0), "K": Unit(1.0), "F": Unit(5.0 / 9.0)},
    "time": {"s": Unit(1.0), "min": Unit(60.0), "h": Unit(3600.0), "d": Unit(86400.0)},
    "mass": {"g": Unit(1.0), "kg": Unit(1000.0), "oz": Unit(453.59237 / 16.0), "lb": Unit(453.59237)},
    "volume": {
        "ml": Unit(1.0),
        "l": Unit(1000.0),
        "floz": Unit(ML_PER_GAL / 128.0),
        "qt": Unit(ML_PER_GAL / 4.0),
        "gal": Unit(ML_PER_GAL),
    },
    "length": {"mm": Unit(1.0), "cm": Unit(10.0), "in": Unit(MM_PER_IN)},
    "humidity": {"%": Unit(1.0)},
    "altitude": {"m": Unit(1.0), "ft": Unit(0.3048)},
    "density": {"g/ml": Unit(1.0), "kg/l": Unit(1.0), "kg/m3": Unit(0.001)},
    "voltage": {"V": Unit(1.0), "mV": Unit(1e-3), "uV": Unit(1e-6)},
    "current": {"mA": Unit(1e-3), "A": Unit(1.0)},
    "resistance": {"ohm": Unit(1.0), "kohm": Unit(1000.0)},
}
"""Dimension -> its units; the first one is suggested to a person."""

_OTHER_SPELLINGS = {
    "µV": "uV", "μV": "uV", "Ω": "ohm", "kΩ": "kohm",
    "PSI": "psi", "psig": "psi", "kpa": "kPa", "Bar": "bar", "°C": "C", "degC": "C", "°F": "F", "degF": "F",
    "sec": "s", "mins": "min", "hr": "h", "day": "d", "days": "d", "mL": "ml", "L": "l", "%RH": "%", "kg/L": "kg/l",
    "g/mL": "g/ml", "g/cm3": "g/ml", "BAR": "bar", "KPA": "kPa", "c": "C", "f": "F", "deg C": "C", "deg F": "F",
    "hPa": "mbar", "HPA": "mbar", "mBar": "mbar", "\u00baC": "C", "\u00baF": "F",
    "seconds": "s", "second": "s", "minute": "min", "minutes": "min", "hour": "h", "hours": "h", "hrs": "h",
    "gram": "g", "grams": "g", "gr": "g", "ounce": "oz", "ounces": "oz", "lbs": "lb", "pound": "lb", "pounds": "lb",
    "gallon": "gal", "gallons": "gal", "quart": "qt", "quarts": "qt", "fl oz": "floz", "fl. oz.": "floz",
    "liter": "l", "liters": "l", "litre": "l", "litres": "l", "ltr": "l", "cc": "ml", "cm3": "ml",
    "inch": "in", "inches": "in", '"': "in", "feet": "ft", "foot": "ft", "percent": "%", "pct": "%",
}  # fmt: skip

_EXAMPLE: dict[Dimension, str] = {
    "pressure": "42 psi",
    "temperature": "23 C",
    "temperature_step": "0.25 C",
    "time": "3 min",
    "mass": "25 g",
    "volume": "16.5 l",
    "length": "12 mm",
    "humidity": "50 %",
    "altitude": "120 m",
    "density": "1.07 g/ml",
    "voltage": "0.5 V",
    "current": "4 mA",
    "resistance": "150 ohm",
}

_WRITTEN = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,2})?)\s*(.*?)\s*", re.ASCII | re.DOTALL)
_FRACTION = re.compile(r"\s*(?:(\d{1,4})[\s-]+)?(\d{1,4})/(\d{1,4})(?![\d/])(.*)", re.ASCII | re.DOTALL)


class QuantityError(ValueError):
    """A written quantity does not fit; `problem` and `remedy` are for the person who wrote it."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{problem}; {remedy}")


def unit_names(dimension: Dimension) -> str:
    """The permitted units, for a sentence: "psi, kPa, bar, Pa or MPa"."""
    names = list(UNITS[dimension])
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def parse_quantity(written: object, dimension: Dimension) -> float:
    """The core's value of a quantity such as "42 psi".

    Returns kPa, C, s, g, ml, mm, %, m, g/ml, V, A or ohm by dimension ("temperature_step" is a difference, in C).
    Raises QuantityError on a bare number, an unknown unit, an infinite value, or a temperature below absolute zero.

    >>> round(parse_quantity("42 psi", "pressure"), 2)
    289.58
    """
    if isinstance(written, bool) or not isinstance(written, str | int | float):
        raise QuantityError(
            f"{type(written).__name__} is not a {_noun(dimension)}", f'write for example "{_EXAMPLE[dimension]}"'
        )
    written = _decimal(written, dimension) if isinstance(written, str) else written
    match = _WRITTEN.fullmatch(written) if isinstance(written, str) else None
    if match is None and isinstance(written, str):
        raise QuantityError(
            f'"{written}" is not a {_noun(dimension)}',
            f'write a number and a unit, for example "{_EXAMPLE[dimension]}"',
        )
    number, name = match.groups() if match else (f"{written:g}", "")
    unit = UNITS[dimension].get(_OTHER_SPELLINGS.get(name, name))
    if unit is None:
        raise _wrong_unit(number, name, dimension)
    value = (float(number) + unit.shift) * unit.factor
    if not math.isfinite(value):
        raise QuantityError("is too large a number", f'write for example "{_EXAMPLE[dimension]}"')
    if dimension == "temperature" and value < C_AT_0_K:
        raise QuantityError(f'"{written}" is below absolute zero', f'write for example "{_EXAMPLE[dimension]}"')
    return value


def known_unit(name: str, dimensions: Sequence[Dimension]) -> tuple[Dimension, str] | None:
    """The dimension, of these, and our own spelling of a unit that somebody named; None for an unknown one.

    >>> known_unit("\N{DEGREE SIGN}F", ("pressure", "temperature"))
    ('temperature', 'F')
    """
    spelled = _OTHER_SPELLINGS.get(name.strip(), name.strip())
    return next(((dimension, spelled) for dimension in dimensions if spelled in UNITS[dimension]), None)


def to_core_value(value: float, dimension: Dimension, unit: str) -> float:
    """A number in one of the dimension's units, in the core's.

    >>> to_core_value(212.0, "temperature", "F")
    100.0
    """
    chosen = UNITS[dimension][unit]
    return (value + chosen.shift) * chosen.factor


def _noun(dimension: Dimension) -> str:
    return dimension.replace("_", " ")


def plain_or_written(written: object, dimension: Dimension, unit: str) -> float:
    """A quantity whose key says its unit: 28 and "28" are in that unit, "28 ml" and "1 floz" in their own.

    The answer is in `unit`.  Raises QuantityError.

    >>> plain_or_written("1 in", "length", "cm")
    2.54
    """
    is_plain = isinstance(written, str) and re.fullmatch(r"\s*[+-]?[\d.]+\s*", written, re.ASCII) is not None
    with_unit = f"{written} {unit}" if is_plain or _is_number(written) else written
    chosen = UNITS[dimension][unit]
    return parse_quantity(with_unit, dimension) / chosen.factor - chosen.shift


def _is_number(written: object) -> bool:
    return isinstance(written, int | float) and not isinstance(written, bool)


def _decimal(written: str, dimension: Dimension) -> str:
    """The text with a fraction, as inches are written, in decimals; a decimal comma is refused: it may be a thousand.

    >>> _decimal("1 1/2 in", "length")
    '1.5 in'
    """
    match = _FRACTION.fullmatch(written)
    if match is not None and int(match[3]) > 0:
        value = int(match[1] or 0) + int(match[2]) / int(match[3])
        return f"{value:.9g}{match[4]}"
    if re.match(r"\s*[+-]?\d+,\d", written, re.ASCII):
        better = written.strip().replace(",", ".", 1)
        raise QuantityError(f'"{written}" is not a {_noun(dimension)}: it has a comma', f'write "{better}"')
    return written


def _wrong_unit(number: str, name: str, dimension: Dimension) -> QuantityError:
    units = list(UNITS[dimension])
    if not name:
        ways = " or ".join(f'"{number} {unit}"' for unit in units[:2])
        return QuantityError(f"{number} has no unit", f"write {ways} (fitting units: {unit_names(dimension)})")
    wanted = f'write it in {unit_names(dimension)}, for example "{_EXAMPLE[dimension]}"'
    return QuantityError(f'"{name}" is no unit of {_noun(dimension)}', wanted)


def from_kpa(kpa: float, unit: str) -> float:
    """A pressure in the unit a person chose: kpa [kPa gauge] over the unit's factor; unit: psi, kPa or bar.

    >>> round(from_kpa(289.58, "psi"), 2)
    42.0
    """
    return kpa / UNITS["pressure"][unit].factor


def from_c(c: float, unit: str) -> float:
    """A temperature in the unit a person chose: c [C] itself, or 1.8 c + 32; unit: C or F.

    >>> round(from_c(23.0, "F"), 2)
    73.4
    """
    chosen = UNITS["temperature"][unit]
    return c / chosen.factor - chosen.shift


def _whole(value: float) -> int:
    """Nearest whole number, halves away from zero as people round."""
    return int(math.copysign(math.floor(abs(value) + 0.5), value))


def shown_pressure(kpa: float, unit: str) -> str:
    """A pressure as shown at the bench: "42 psi", "290 kPa", "2.9 bar"."""
    value = from_kpa(kpa, unit)
    return f"{_whole(value * 10) / 10:.1f} bar" if unit == "bar" else f"{_whole(value)} {unit}"


def shown_temperature(c: float, unit: str) -> str:
    """A temperature as shown at the bench, whole degrees: "23 C"."""
    return f"{_whole(from_c(c, unit))} {unit}"


_SMALL = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")


def number_words(number: int) -> str:
    """A whole number in words, -9999 to 9999, without "and" (shorter to speak): "one hundred five".

    Raises ValueError outside that range: no number on a bench is that large, so it must be an error.
    """
    if not -9999 <= number <= 9999:
        raise ValueError(f"{number} is outside -9999..9999")
    if number < 0:
        return f"minus {number_words(-number)}"
    if number < 20:
        return _SMALL[number]
    if number < 100:
        tens, ones = divmod(number, 10)
        return _TENS[tens - 2] + (f"-{_SMALL[ones]}" if ones else "")
    size, word = (1000, "thousand") if number >= 1000 else (100, "hundred")
    head, rest = divmod(number, size)
    return f"{_SMALL[head]} {word}" + (f" {number_words(rest)}" if rest else "")
