"""Writes readings as SenML (RFC 8428) for other programs.

`pack`: one JSON array, the first record with the base name and the base time, the rest relative to it.
`resolved`: one record per line, each an array of its own with its full name and absolute time (section 4.6), so that a
file can be cut anywhere.  Units are those of RFC 8428's registry: Cel, Pa, %RH, g.  A reading with a fault has no
value: it is written as a text, named after the channel with `/fault`.
"""

from __future__ import annotations

import json
import re
from typing import Any

from benchd.core.model import Quality, Reading

UNITS = {"C": ("Cel", 1.0), "kPa": ("Pa", 1000.0), "%RH": ("%RH", 1.0), "g": ("g", 1.0)}
VALUE_DIGITS = 7  # significant digits written; sensors give four
LEAST_ABSOLUTE_T = 2**28  # a smaller time would be read as "so long ago" (section 4.5.3)


def base_name(shop: str, bench: str) -> str:
    """`benchd/<shop>/<bench>/`, reduced to the characters allowed in a SenML name (section 4.5.1)."""
    return "/".join(_named(part) for part in ("benchd", shop, bench)) + "/"


def record(reading: Reading, unit: str) -> dict[str, Any] | None:
    """The record of one reading, with absolute time and full name; None where it has neither value nor fault.

    unit: the core's.  A reading from before July 1978, whose time would be read as relative, gives None too.
    """
    if reading.t < LEAST_ABSOLUTE_T:
        return None
    name = _named(reading.channel)
    if reading.value is None or reading.quality is Quality.FAULT:
        return {"n": f"{name}/fault", "vs": reading.why, "t": round(reading.t, 3)} if reading.why else None
    senml, factor = UNITS[unit]
    value = float(f"{reading.value * factor:.{VALUE_DIGITS}g}")
    return {"n": name, "u": senml, "v": value, "t": round(reading.t, 3)}


class Pack:
    """Writes one SenML array piece by piece: `add` each record, `end` once."""

    def __init__(self, base: str) -> None:
        self._base = base
        self._base_t: float | None = None

    def add(self, record: dict[str, Any]) -> str:
        """The text of one more record."""
        if self._base_t is None:
            self._base_t = float(record["t"])
            first = {"bn": self._base, "bt": self._base_t, **{k: v for k, v in record.items() if k != "t"}}
            return "[" + _json(first)
        since = round(record["t"] - self._base_t, 3)
        rest = {k: v for k, v in record.items() if k != "t"}
        return ",\n" + _json(rest | {"t": since} if since else rest)

    def end(self) -> str:
        """The text that closes the array; the whole empty array when nothing was added."""
        return "]\n" if self._base_t is not None else "[]\n"


def resolved(base: str, record: dict[str, Any]) -> str:
    """One record as a line of its own."""
    return "[" + _json(record | {"n": base + record["n"]}) + "]\n"


def _named(text: str) -> str:
    """The text reduced to the characters allowed in a SenML name, beginning with a letter or digit."""
    clean = re.sub(r"[^A-Za-z0-9:./_-]", "_", text)
    return clean if re.match(r"[A-Za-z0-9]", clean) else f"x{clean}"


def _json(record: dict[str, Any]) -> str:
    return json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
