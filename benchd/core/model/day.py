"""What the engine is given of its day: the run sheet, and in an extract of a recording what the day had before.

The sheet says which loads come next, of what, and which pour took which.  The whole of it, with times and margins, is
the plan's (shelf/plan/sheet.py); this is what a bare mix needs.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.stored import stored


@stored("sheet-step")
@dataclass(frozen=True, slots=True)
class SheetStep:
    """A step before a load's mix, from when on it is due [unix s]."""

    id: str
    what: str
    t: float
    mold: str | None = None


@stored("sheet-load")
@dataclass(frozen=True, slots=True)
class SheetLoad:
    """One load as planned; `pour` is the pour that took it."""

    number: int
    molds: tuple[str, ...]
    pot: str | None = None
    cup: str | None = None
    lot: str | None = None
    a_g: float | None = None
    b_g: float | None = None
    pour: str | None = None
    steps: tuple[SheetStep, ...] = ()


@dataclass(frozen=True, slots=True)
class DaySheet:
    """An input: from t on this sheet is the day's; one without an id says that there is none."""

    t: float
    id: str = ""
    made_t: float = 0.0
    loads: tuple[SheetLoad, ...] = ()


@dataclass(frozen=True, slots=True)
class DayBefore:
    """How many pours and loads the local day had before."""

    pours: int
    loads: int
