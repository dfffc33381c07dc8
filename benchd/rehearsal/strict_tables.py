"""Fills dataclasses from tables; unknown, wrong and missing keys become complaints, all at once."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, fields, replace
from typing import Any, TypeVar, get_type_hints

from benchd.errors import Complaint
from benchd.rehearsal.acts import PRESSES, WAYS

T = TypeVar("T")
ABOVE_ZERO = (
    "a_g", "b_g", "b_per_a", "cavity_ml", "cooling_s", "end_s", "free_l", "hz", "lag_s", "mass_g", "over_s",
    "rate_factor", "slow_s", "tank_l", "thick_mm", "thin_mm", "wall_j_k", "wall_mm",
)  # fmt: skip
CHOICES = {
    "tap": ("pot", "hose"),
    "kind": ("witness", "mixing", "residue"),
    "sleeve": ("foam", "plastic"),
    "way": WAYS,
    "press": PRESSES,
}


def nearest(word: str, known: Iterable[str]) -> str:
    """A remedy naming the nearest known word, or all of them."""
    options = sorted(known)
    close = difflib.get_close_matches(word, options, n=1)
    return f'did you mean "{close[0]}"?' if close else f"known: {', '.join(options)}"


def _kind_word(kind: Any) -> str:
    text = str(kind)
    if kind is bool:
        return "true or false"
    return "number" if "float" in text else "list of texts" if "tuple" in text else "text"


class StrictTables:
    """The tables of one file, and what is wrong with them."""

    def __init__(self, file: str, raw: Mapping[str, Any]) -> None:
        self.file = file
        self.raw = raw
        self.complaints: list[Complaint] = []

    def complain(self, key: str, problem: str, remedy: str = "") -> None:
        """Record a complaint about this key."""
        self.complaints.append(Complaint(self.file, key, problem, remedy))

    def table(self, key: str) -> dict[str, Any]:
        """The [key] table; empty, with a complaint, if it isn't one."""
        value = self.raw.get(key, {})
        if isinstance(value, dict):
            return value
        self.complain(key, "is not a table", f"write [{key}]")
        return {}

    def rows(self, key: str) -> list[dict[str, Any]]:
        """The [[key]] tables; none, with a complaint, if it isn't a list of them."""
        value = self.raw.get(key, [])
        if isinstance(value, list) and all(isinstance(row, dict) for row in value):
            return value
        self.complain(key, "is not a list of tables", f"write [[{key}]]")
        return []

    def values(self, cls: type[Any], table: Mapping[str, Any], place: str) -> dict[str, Any]:
        """The table's values by field of cls, each checked by `value`; an unknown key becomes a complaint."""
        hints = get_type_hints(cls)
        out: dict[str, Any] = {}
        for key, value in table.items():
            if key in hints:
                out[key] = self.value(value, hints[key], f"{place}.{key}")
            else:
                self.complain(f"{place}.{key}", "unknown key", nearest(key, hints))
        return out

    def value(self, value: Any, kind: Any, key: str) -> Any:
        """A value as this type; one that doesn't fit becomes a complaint and an empty value."""
        number = isinstance(value, int | float) and not isinstance(value, bool)
        text = str(kind)
        fits = (
            isinstance(value, bool) if kind is bool
            else number if "float" in text
            else isinstance(value, list) and all(isinstance(v, str) for v in value) if "tuple" in text
            else isinstance(value, str)
        )  # fmt: skip
        if not fits:
            self.complain(key, f"{value!r} does not fit", f"write a {_kind_word(kind)}")
            return 0.0 if "float" in text else () if "tuple" in text else ""
        name = key.rsplit(".", 1)[-1]
        if number and not (math.isfinite(value) and (value > 0.0 or name not in ABOVE_ZERO)):
            self.complain(key, f"{value!r} is not possible", "write a number above 0" if name in ABOVE_ZERO else "")
        choices = CHOICES.get(name)
        if choices and value not in choices:
            self.complain(key, f"{value!r} is not known", nearest(str(value), [c for c in choices if c]))
        return float(value) if number else tuple(value) if isinstance(value, list) else value

    def updated(self, base: T, table: Mapping[str, Any], place: str) -> T:
        """`base` with the table's values."""
        return replace(base, **self.values(type(base), table, place)) if table else base  # type: ignore[type-var]

    def made(self, cls: type[T], table: Mapping[str, Any], place: str) -> T | None:
        """A cls of the table's values; None, with a complaint, if a needed key is missing."""
        values = self.values(cls, table, place)
        needed = [f.name for f in fields(cls) if f.default is MISSING and f.default_factory is MISSING]  # type: ignore[arg-type]
        missing = [name for name in needed if name not in values]
        for name in missing:
            self.complain(f"{place}.{name}", "is missing")
        return None if missing else cls(**values)
