"""Draws each mold's way out of a load: the window held for it, when it was called, when pulled, and how it was."""

from __future__ import annotations

from benchd.reports.clocks import clock
from benchd.reports.drawing.course import Course, MoldRow
from benchd.reports.drawing.legend import Key, legend, mark
from benchd.reports.drawing.paper import BOLD, LINE, Box, Scale, Sheet, clock_ticks, width_of

HEAD_H = 22.0
KEYS = (Key("hatch", "window"), Key("likely", "likely"), Key("called", "due called"), Key("good", "good"),
        Key("second", "second"), Key("scrap", "scrap"))  # fmt: skip


def _row_h(sheet: Sheet) -> float:
    return 40.0 if sheet.is_narrow else 30.0


def molds_height(sheet: Sheet, course: Course) -> float:
    """How tall the molds stand, their clock and key with them [units]."""
    key_rows = 3 if sheet.is_narrow else 1
    return HEAD_H + _row_h(sheet) * len(course.molds) + 24 + key_rows * (LINE + 3)


def draw_molds(sheet: Sheet, course: Course, top: float) -> None:
    """Draw the rows from `top` on, the clock below them, then the key."""
    ends = [t for row in course.molds for t in (row.called_t, row.pulled_t, (row.window or (0, 0, 0))[2]) if t]
    last_t = max([course.last_t, *ends])
    names = 2.0 if sheet.is_narrow else 16 + max(width_of(f"{row.code} {row.name}") for row in course.molds)
    words = BOLD * max(width_of(_said(row)) for row in course.molds)
    right = sheet.width - 12 if sheet.is_narrow else sheet.width - words - 18
    t = Scale(course.zero_t, last_t, names if not sheet.is_narrow else 8.0, right)
    sheet.words(2, top + 12, "Molds", "start", "b")
    foot = top + HEAD_H + _row_h(sheet) * len(course.molds)
    if course.hold:
        sheet.rect(Box(t(course.zero_t), top + HEAD_H - 2, t(course.end_t), foot), "h")
        sheet.words(
            t(course.zero_t) + 4 if not sheet.is_narrow else 60.0, top + 12, "in the pot (shaded)", "start", "s"
        )
    for n, row in enumerate(course.molds):
        _row(sheet, row, t, top + HEAD_H + _row_h(sheet) * n, right)
    _axis(sheet, course, t, foot, last_t)
    legend(sheet, KEYS, 2, foot + 24)


def _said(row: MoldRow) -> str:
    return row.outcome or ("pulled" if row.pulled_t is not None else "")


def _row(sheet: Sheet, row: MoldRow, t: Scale, top: float, right: float) -> None:
    y = top + _row_h(sheet) - 13
    sheet.line(t.start, top + _row_h(sheet) - 1, right, top + _row_h(sheet) - 1, "g")
    name, said = f"{row.code} {row.name}", _said(row)
    if sheet.is_narrow:
        sheet.words(t.start, top + 12, name)
        sheet.words(sheet.width - 2, top + 12, said, "end", "b")
    else:
        sheet.words(2, y + 4.5, name)
        sheet.words(right + 14, y + 4.5, said, "start", "b")
    if row.window:
        early, likely, late = row.window
        sheet.hatch(Box(t(early), y - 7, t(late), y + 7))
        mark(sheet, "likely", t(likely), y, 7.0)
    if row.called_t is not None:
        mark(sheet, "called", t(row.called_t), y - 5, 4.5)
    if row.pulled_t is not None:
        mark(sheet, row.grade or "ungraded", t(row.pulled_t), y + 2)


def _axis(sheet: Sheet, course: Course, t: Scale, y: float, last_t: float) -> None:
    step_s = clock_ticks(last_t - course.zero_t, 4 if sheet.is_narrow else 6)
    sheet.line(t.start, y, t.end, y, "e")
    at_s = 0.0
    while course.zero_t + at_s <= last_t:
        x = t(course.zero_t + at_s)
        sheet.line(x, y, x, y + 5, "e")
        half = width_of(clock(at_s)) / 2
        sheet.words(min(max(x, half + 2), sheet.width - half - 2), y + 18, clock(at_s), "middle", "s")
        at_s += step_s
