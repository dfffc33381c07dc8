"""Sets words beside a curve, each with a line to its moment: none on other words, on another's line, or on the curve.

1. Each moment has its possible places: a row, to the right of its line or to the left.
2. As few rows as will do are tried first; within them the places are searched from the last moment to the first, going
   back where one finds none.
3. Words may cross the curve, which their halo allows, only when nothing else is left.  What finds no place even then is
   returned: it belongs into the key, not on top of something.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.reports.drawing.paper import LINE, Box, Point, Sheet

GAP = 4.0
MOST_TRIES = 12000  # places looked at for one number of rows


@dataclass(frozen=True, slots=True)
class Flag:
    """Words of a moment, at its place on the curve."""

    x: float
    y: float
    words: str


@dataclass(frozen=True, slots=True)
class _Place:
    flag: Flag
    x: float
    y: float
    anchor: str
    box: Box
    line: Box

    def meets(self, other: _Place) -> bool:
        return self.box.meets(other.box) or self.box.meets(other.line) or self.line.meets(other.box)


def set_flags(
    sheet: Sheet, flags: Sequence[Flag], rows: Sequence[float], curve: Sequence[Point], area: Box
) -> list[Flag]:
    """Draw the flags with their feet on `rows`, the nearest row first; those left without a place."""
    order = sorted(flags, key=lambda each: -each.x)
    for is_strict in (True, False):
        for count in range(1, len(rows) + 1):
            choices = [_places(sheet, flag, rows[:count], curve if is_strict else (), area) for flag in order]
            found = _search(choices, [], [MOST_TRIES])
            if found is not None:
                for place in found:
                    _draw(sheet, place)
                return []
    if not order:
        return []
    crowded = max(order, key=lambda flag: sum(abs(flag.x - other.x) < 40 for other in order))
    return [crowded, *set_flags(sheet, [flag for flag in flags if flag is not crowded], rows, curve, area)]


def _search(choices: Sequence[Sequence[_Place]], taken: list[_Place], tries: list[int]) -> list[_Place] | None:
    """One place of each, none meeting another; None when there are none, or the tries are used up."""
    if len(taken) == len(choices):
        return list(taken)
    for place in choices[len(taken)]:
        tries[0] -= 1
        if tries[0] < 0:
            return None
        if not any(place.meets(other) for other in taken):
            found = _search(choices, [*taken, place], tries)
            if found is not None:
                return found
    return None


def _places(sheet: Sheet, flag: Flag, rows: Sequence[float], curve: Sequence[Point], area: Box) -> list[_Place]:
    out = []
    for y in rows:
        for anchor, by in (("start", GAP), ("end", -GAP)):
            box = sheet.box_of(flag.x + by, y, flag.words, anchor)
            line = Box(flag.x - 2, min(flag.y, y - 11), flag.x + 2, max(flag.y, y + 3))
            inside = area.left <= box.left and box.right <= area.right
            clear = inside and sheet.is_free(box) and not any(line.meets(other) for other in sheet.boxes)
            if clear and not any(box.holds(*place) for place in curve):
                out.append(_Place(flag, flag.x + by, y, anchor, box, line))
    return out


def _draw(sheet: Sheet, place: _Place) -> None:
    flag = place.flag
    sheet.line(flag.x, flag.y, flag.x, place.y + 3 if place.y > flag.y else place.y - 11, "e")
    sheet.path(f"M{flag.x - 3:.1f} {flag.y:.1f}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0", "m")
    sheet.words(place.x, place.y, flag.words, place.anchor)


def rows_from(first_y: float, last_y: float) -> list[float]:
    """Feet of lines of words from first_y to last_y, downwards or upwards."""
    step = LINE if last_y > first_y else -LINE
    count = int(abs(last_y - first_y) // LINE) + 1
    return [first_y + step * n for n in range(count)]
