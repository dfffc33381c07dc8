"""Everything a load's drawing shows, in the bench's units; reports/course_read.py reads it from the journal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from benchd.reports.drawing.paper import Point


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that happened at t [unix s]; `on` says whose curve its words stand beside."""

    t: float
    words: str
    on: str = "pot"


@dataclass(frozen=True, slots=True)
class Level:
    """A pressure that matters, in the drawing's unit."""

    value: float
    name: str


@dataclass(frozen=True, slots=True)
class MoldRow:
    """One mold's way out: the window held for it, when it was called, when pulled [unix s], and what it was.

    Its name says how it is pulled.
    """

    code: str
    name: str
    window: tuple[float, float, float] | None = None
    called_t: float | None = None
    pulled_t: float | None = None
    grade: str | None = None
    outcome: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A load from its first mix to the pot's opening.

    pressure: (t [unix s], value in `unit`); cups: one curve a pour, values in `temp_unit`; forecast: the kick's window
    (early, likely, late) as it stood when the pot closed; kicks: those found; hold: from at pressure to hold done.
    """

    name: str
    unit: str
    temp_unit: str
    zero_t: float
    end_t: float
    pressure: Sequence[Point] = ()
    cups: Sequence[Sequence[Point]] = ()
    levels: Sequence[Level] = ()
    hold: tuple[float, float] | None = None
    forecasts: Sequence[tuple[float, float, float]] = ()
    kicks: Sequence[float] = ()
    moments: Sequence[Moment] = field(default_factory=tuple)
    molds: Sequence[MoldRow] = ()

    @property
    def first_t(self) -> float:
        """Where the drawing begins: a little before the mix."""
        return self.zero_t - 0.02 * (self.end_t - self.zero_t)

    @property
    def last_t(self) -> float:
        """Where it ends: a little after the pot's opening."""
        return self.end_t + 0.02 * (self.end_t - self.zero_t)
