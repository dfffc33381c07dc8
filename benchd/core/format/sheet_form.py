"""Writes the day's run sheet to a recording and reads it back: {"id", "made_t", "loads": [..]}, or null for none.

A load is {"number", "molds": ["m02", ..], "pot", "cup", "lot", "a_g", "b_g", "pour", "steps"}; a step is
{"id", "what", "t", "mold"}; what is not known is left out.
Until 0.2.0 the whole sheet of the page travelled inside a context; its molds are objects with a key `mold`.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any

import msgspec

from benchd.core.model.day import DaySheet, SheetLoad, SheetStep


def sheet_body(sheet: DaySheet) -> dict[str, Any] | None:
    """The plain form; None for no sheet."""
    if not sheet.id:
        return None
    return {"id": sheet.id, "made_t": sheet.made_t, "loads": [_known(load) for load in sheet.loads]}


def _known(of: SheetLoad | SheetStep) -> dict[str, Any]:
    plain = {k: v for k, v in msgspec.to_builtins(of).items() if v not in (None, ())}
    return plain | ({"steps": [_known(step) for step in of.steps]} if isinstance(of, SheetLoad) and of.steps else {})


def sheet_from_body(t: float, plain: Mapping[str, Any] | None) -> DaySheet:
    """The sheet of a record at t [unix s].  Raises KeyError, TypeError or ValueError where it cannot be read."""
    if plain is None:
        return DaySheet(t)
    made_t = float(plain["made_t"])
    if not isfinite(made_t):
        raise ValueError("made at no time")
    return DaySheet(t, str(plain["id"]), made_t, tuple(_load(each) for each in plain["loads"]))


def sheet_in_context(t: float, plain: object) -> DaySheet:
    """The sheet of a context that carried one; none if it had none or one that cannot be read."""
    try:
        return sheet_from_body(t, plain if isinstance(plain, Mapping) else None)
    except (KeyError, TypeError, ValueError, AttributeError):
        return DaySheet(t)


def _load(plain: Mapping[str, Any]) -> SheetLoad:
    molds = tuple(str(each["mold"] if isinstance(each, Mapping) else each).lower() for each in plain["molds"])
    if not molds:
        raise ValueError("a load without molds")
    return SheetLoad(
        number=int(plain["number"]), molds=molds, pot=_text(plain.get("pot")), cup=_text(plain.get("cup")),
        lot=_text(plain.get("lot")), a_g=_grams(plain.get("a_g")), b_g=_grams(plain.get("b_g")),
        pour=_text(plain.get("pour")), steps=tuple(_step(each) for each in plain.get("steps", ())),
    )  # fmt: skip


def _step(plain: Mapping[str, Any]) -> SheetStep:
    t = float(plain["t"])
    if not isfinite(t):
        raise ValueError("a step at no time")
    return SheetStep(str(plain["id"]), str(plain["what"]), t, _text(plain.get("mold")))


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _grams(value: object) -> float | None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number and 0.0 < value < 1e6 else None  # type: ignore[operator,arg-type]
