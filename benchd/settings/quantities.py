"""Reads the values of a person's files: quantities with units, ratios, dates.

A quantity is written with its unit and arrives in the core's unit.  A key that ends in a unit (cavity_ml,
thin_mm) takes a plain number too.
"""

from __future__ import annotations

import datetime
import re
from functools import partial
from typing import Annotated

from pydantic import BeforeValidator, Field, WithJsonSchema

from benchd.core.units import Dimension, QuantityError, parse_quantity, plain_or_written, unit_names


def _read(dimension: Dimension) -> BeforeValidator:
    return BeforeValidator(partial(parse_quantity, dimension=dimension))


def _written(dimension: Dimension) -> WithJsonSchema:
    description = f"a number and a unit: {unit_names(dimension)}"
    return WithJsonSchema({"type": "string", "pattern": r"^\s*[+-]?[0-9.].*[^0-9.\s]\s*$", "description": description})


def _either(dimension: Dimension, unit: str) -> tuple[BeforeValidator, WithJsonSchema]:
    """Of a key that names its unit: a plain number, or one with a unit of its own."""
    text = {"type": "string", "pattern": r"^\s*[+-]?[0-9.].*$", "description": f"with a unit: {unit_names(dimension)}"}
    plain = {"type": "number", "description": f"in {unit}"}
    return (
        BeforeValidator(partial(plain_or_written, dimension=dimension, unit=unit)),
        WithJsonSchema({"anyOf": [plain, text]}),
    )


def _day(written: object) -> object:
    """A date of a TOML file, or the same in quotes.  Raises QuantityError."""
    if not isinstance(written, str):
        if isinstance(written, datetime.date) and not isinstance(written, datetime.datetime):
            return written
        raise QuantityError("is not a date", "write it as 2026-01-05")
    try:
        return datetime.date.fromisoformat(written.strip())
    except ValueError as error:
        raise QuantityError(f'"{written}" is not a date', "write year-month-day, as 2026-01-05") from error


Ml = Annotated[float, *_either("volume", "ml")]
Mm = Annotated[float, *_either("length", "mm")]
Cm = Annotated[float, *_either("length", "cm")]
Day = Annotated[datetime.date, BeforeValidator(_day)]
Pressure = Annotated[float, _read("pressure"), Field(gt=0.0), _written("pressure")]
Temperature = Annotated[float, _read("temperature"), _written("temperature")]
Time = Annotated[float, _read("time"), Field(gt=0.0), _written("time")]
Mass = Annotated[float, _read("mass"), Field(gt=0.0), _written("mass")]
Volume = Annotated[float, _read("volume"), Field(gt=0.0), _written("volume")]
Length = Annotated[float, _read("length"), Field(gt=0.0), _written("length")]
Density = Annotated[float, _read("density"), Field(gt=0.3, lt=5.0), _written("density")]
Altitude = Annotated[float, _read("altitude"), Field(ge=-500.0, le=6000.0), _written("altitude")]


def kept_months(least: int, most: int = 600) -> tuple[BeforeValidator, WithJsonSchema]:
    """Of a key that says how long to keep something: whole months, at least so many, or None for "forever"."""

    def read(written: object) -> object:
        if isinstance(written, str) and written.strip() == "forever":
            return None
        found = re.fullmatch(r"\s*(\d{1,4})\s*months?\s*", written) if isinstance(written, str) else None
        if found is None:
            raise QuantityError("says no time to keep something", f'write "{max(least, 24)} months", or "forever"')
        if not least <= int(found[1]) <= most:
            raise QuantityError(
                f"must be {least} to {most} months, which is read back", f'write "{least} months" or more'
            )
        return int(found[1])

    pattern = r"^\s*(forever|[0-9]{1,4}\s*months?)\s*$"
    return BeforeValidator(read), WithJsonSchema({"type": "string", "pattern": pattern})


def parse_ratio(written: object) -> float:
    """B to one of A from "100:90" (A first, as labels have it).  Raises QuantityError."""
    parts = written.replace("A", "").replace("B", "").split(":") if isinstance(written, str) else []
    try:
        a, b = (float(part) for part in parts)
        ratio = b / a
    except (ValueError, ZeroDivisionError):
        ratio = 0.0
    if not 0.01 <= ratio <= 100.0:
        raise QuantityError("is not a ratio of A to B", 'write A:B, for example "100:90"')
    return ratio


Ratio = Annotated[
    float, BeforeValidator(parse_ratio), WithJsonSchema({"type": "string", "pattern": r"^[0-9.]+A?\s*:\s*[0-9.]+B?$"})
]
