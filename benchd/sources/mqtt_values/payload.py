"""Finds a number in a payload as other firmwares publish it: a plain number, or one somewhere in a JSON object.

Nothing is guessed: what is no number, or is in another unit than the settings say, is a Misfit with the reason.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any

from benchd.core.format.plain_text import printable
from benchd.core.units import Dimension, known_unit, to_core_value

PAYLOAD_MOST_BYTES = 16_384  # a firmware's report of all its sensors has some 2 kB; common practice, no source
KEYS_NAMED = 6
REASON_MOST = 120  # letters; with the longest name it still fits a line, even where each takes three bytes
SENDS: dict[Dimension, tuple[str, float]] = {
    "temperature": ("Cel", 1.0), "pressure": ("Pa", 1000.0), "humidity": ("%RH", 1.0), "mass": ("g", 1.0),
    "voltage": ("V", 1.0), "current": ("A", 1.0),
}  # fmt: skip
"""Dimension -> (its SenML unit, that unit in the core's)."""
COUNTS = "counts"
_NUMBER = re.compile(r"\s*[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?\s*", re.ASCII)


class Misfit(Exception):
    """A payload without the number wanted; the text is the reason, for a person."""


def senml_unit(unit: str) -> str | None:
    """The SenML unit a number in `unit` is sent in; None for counts.  Raises ValueError for a unit not known."""
    return None if unit == COUNTS else SENDS[_known(unit)[0]][0]


def converted(value: float, unit: str) -> float:
    """A number in `unit`, in the SenML unit of its dimension (Cel, Pa, %RH, g, V, A).

    >>> converted(1013.25, "hPa"), converted(7.0, "counts")
    (101325.0, 7.0)
    """
    if unit == COUNTS:
        return value
    dimension, spelled = _known(unit)
    return to_core_value(value, dimension, spelled) * SENDS[dimension][1]


def is_same_unit(said: str, unit: str) -> bool:
    """Whether a payload's own word for its unit means the one configured."""
    known = known_unit(unit, tuple(SENDS))
    return said == unit or (known is not None and known == known_unit(said, tuple(SENDS)))


def _known(unit: str) -> tuple[Dimension, str]:
    found = known_unit(unit, tuple(SENDS))
    if found is None:
        raise ValueError(f'"{unit}" is no unit of temperature, pressure, humidity, mass, voltage or current')
    return found


def text_of(payload: bytes) -> str:
    """A payload as text.  Raises Misfit."""
    if len(payload) > PAYLOAD_MOST_BYTES:
        raise Misfit(f"a message of {len(payload)} bytes, at most {PAYLOAD_MOST_BYTES} are read")
    try:
        return payload.decode()
    except UnicodeDecodeError:
        raise Misfit("a message that is not text") from None


def at(text: str, key: str) -> Any:
    """What stands under a dotted key path of a JSON text; the text itself without one.  Raises Misfit."""
    if not key:
        return text.strip()
    try:
        node = json.loads(text)
    except (ValueError, RecursionError):
        raise Misfit(f"not JSON, so there is no {key} in it: {_short(text)}") from None
    parts = key.split(".")
    for place, part in enumerate(parts):
        rest = ".".join(parts[place:])
        if isinstance(node, dict) and rest in node:  # a key may have a dot in it
            return node[rest]
        node = _inner(node, part, ".".join(parts[:place]))
    return node


def _inner(node: Any, part: str, above: str) -> Any:
    where = f" in {above}" if above else ""
    if isinstance(node, dict):
        if part in node:
            return node[part]
        there = ", ".join(list(map(str, node))[:KEYS_NAMED]) or "nothing"
        raise Misfit(f"no key {part}{where}, only {there}")
    if isinstance(node, list):
        if part.isascii() and part.isdigit() and int(part) < len(node):
            return node[int(part)]
        raise Misfit(f"no item {part}{where}, which is a list of {len(node)}")
    raise Misfit(f"no key {part}{where}: {_shown(node)} has none")


def word(found: Any) -> str:
    """What was found, as a person writes it into a settings file: text as it is, else as JSON."""
    return found if isinstance(found, str) else json.dumps(found, ensure_ascii=False)[:200]


def number(found: Any) -> float:
    """A JSON number, or a text that is nothing but one.  Raises Misfit."""
    if isinstance(found, str) and len(found) <= 64 and _NUMBER.fullmatch(found):
        found = float(found)
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise Misfit(f"{_shown(found)} is no number")
    try:
        value = float(found)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise Misfit(f"{_shown(found)} is no finite number")
    return value


def _shown(found: Any) -> str:
    match found:
        case str():
            return f'"{_short(found)}"'
        case dict():
            return f"a table of {', '.join(list(map(str, found))[:KEYS_NAMED]) or 'nothing'}"
        case list():
            return f"a list of {len(found)}"
        case _:
            return _short(json.dumps(found)) if not isinstance(found, int) or found.bit_length() < 64 else "it"


def _short(text: str) -> str:
    shown = printable(text).strip()
    return shown if len(shown) <= 40 else f"{shown[:37]}..."


def said_of(reason: str) -> str:
    """A reason as a board's `fault` record carries it: printable, short, without the sign between two faults."""
    shown = "".join(sign if sign.isprintable() else " " for sign in printable(reason).replace(";", ","))
    return shown.strip()[:REASON_MOST].strip() or "not readable"
