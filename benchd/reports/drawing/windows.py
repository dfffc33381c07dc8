"""Draws what came against what was foretold: each event at its place within its own window, a row a kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchd.reports.drawing.legend import Key, legend, mark
from benchd.reports.drawing.paper import LINE, Box, Scale, Sheet, width_of

REACH = 2.4  # windows shown to each side; what lies further out stands at the edge
ACROSS, R = 13.0, 5.0
MOST_HIGH = 8  # marks over one another before they are set closer


@dataclass(frozen=True, slots=True)
class Came:
    """One event: -1 the window's early edge, 0 its likely time, 1 its late edge.

    side: it is known to have been at that place, or only before or after it.
    """

    place: float
    side: Literal["at", "before", "after"] = "at"
    is_wrong: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """The events of one kind."""

    name: str
    came: Sequence[Came]


def windows_drawing(rows: Sequence[Row], title: str, width: float, is_alone: bool = False) -> Sheet:
    """The rows over one scale of windows; marks that would cover one another stand above one another."""
    sheet = Sheet(width, 1e4, title)
    y = sheet.headed((title, 15.0)) if is_alone else 4.0
    left = 8.0 if sheet.is_narrow else 16.0 + max(width_of(row.name) for row in rows)
    scale = Scale(-REACH, REACH, left, width - 8.0)
    top = y
    for row in rows:
        places = _stacked(row.came, scale)
        step = ACROSS if max(places, default=0) < MOST_HIGH else ACROSS * MOST_HIGH / (max(places) + 1)
        high = (max(places, default=0) + 1) * step + 10.0
        y += LINE + 6 if sheet.is_narrow else 6.0
        foot = y + high
        sheet.rect(Box(scale(-1.0), y, scale(1.0), foot), "h")
        sheet.line(scale(0.0), y, scale(0.0), foot, "d")
        sheet.line(left, foot, width - 8.0, foot, "x")
        sheet.words(2, y - 5 if sheet.is_narrow else foot - 6, row.name)
        for came, place in zip(row.came, places, strict=True):
            _event(sheet, came, scale(came.place), foot - 8.0 - place * step)
        y = foot
    _axis(sheet, scale, top, y)
    keys = [Key("h", "window, 9 in 10"), Key("good", "came within"), Key("scrap", "outside")]
    if any(came.side != "at" for row in rows for came in row.came):
        keys.append(Key("x", "pulled there: it was before, or after, that"))
    sheet.height = legend(sheet, keys, 2, y + 26) + 4
    return sheet


def _stacked(came: Sequence[Came], scale: Scale) -> list[int]:
    """How many marks lie below each, so that none covers another."""
    out: list[int] = []
    for n, each in enumerate(came):
        near = {out[m] for m in range(n) if abs(scale(came[m].place) - scale(each.place)) < _room(came[m], each)}
        out.append(next(level for level in range(n + 1) if level not in near))
    return out


def _room(one: Came, other: Came) -> float:
    """How far apart two marks on one line have to be; one with an arm needs more."""
    return 2 * R + 3.0 + (14.0 if one.side != "at" or other.side != "at" else 0.0)


def _event(sheet: Sheet, came: Came, x: float, y: float) -> None:
    if came.side != "at":
        arm = -R - 8.0 if came.side == "before" else R + 8.0
        tip = 4.0 if arm < 0 else -4.0
        sheet.line(x, y, x + arm, y, "e")
        sheet.path(f"M{x + arm + tip:.1f} {y - 3:.1f}L{x + arm:.1f} {y:.1f}L{x + arm + tip:.1f} {y + 3:.1f}", "e")
    mark(sheet, "scrap" if came.is_wrong else "good", x, y, R - 0.5)


def _axis(sheet: Sheet, scale: Scale, top: float, foot: float) -> None:
    names = ((-1.0, "early edge"), (0.0, "likely"), (1.0, "late edge"))
    for place, words in names:
        sheet.line(scale(place), foot, scale(place), foot + 5, "e")
        sheet.words(scale(place), foot + 18, words, "middle", "s")
    for place, words, anchor in ((-REACH, "sooner", "start"), (REACH, "later", "end")):
        box = sheet.box_of(scale(place), foot + 18, words, anchor)
        if sheet.is_free(box):
            sheet.words(scale(place), foot + 18, words, anchor, "s")
