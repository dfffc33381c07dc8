"""Draws a load on one sheet: pressure and the cup's temperature over one clock, and each mold's way out below.

From top to bottom: the pressure with the levels that matter named at its right edge, the cup under the same clock, then
the molds on a clock of their own, since parts come out long after the pot is open.  The hold is shaded; the kick as it
was forecast when the pot closed is hatched, the kick found a heavy line through both curves.
"""

from __future__ import annotations

from benchd.reports.clocks import clock
from benchd.reports.drawing.course import Course, Level
from benchd.reports.drawing.flags import Flag, rows_from, set_flags
from benchd.reports.drawing.legend import Key, legend
from benchd.reports.drawing.mold_rows import draw_molds, molds_height
from benchd.reports.drawing.paper import (
    LINE,
    SIZE,
    Box,
    Point,
    Scale,
    Sheet,
    clock_ticks,
    nice,
    spread,
    ticks,
    width_of,
)

TOP = 30.0
CLOCK_H = 22.0
GAP_H = 26.0


def load_sheet(course: Course, width: float, title: str = "", said: str = "") -> Sheet:
    """The drawing at a width of paper.py; `title` and `said` stand at its top, for a sheet that hangs alone."""
    sheet = Sheet(width, 1e4, f"{course.name}: pressure and the cup's temperature over one clock, each mold below")
    head = sheet.headed((title, 17.0), (said, SIZE))
    names = max([0.0, *(width_of(_named(course, level)) for level in course.levels)])
    left, right = 34.0 if sheet.is_narrow else 44.0, width - 12 - names
    pot_h, cup_h = (216.0, 128.0) if sheet.is_narrow else (230.0, 140.0)
    pot = Box(left, head + TOP, right, head + TOP + pot_h)
    cup = Box(left, pot.bottom + GAP_H, right, pot.bottom + GAP_H + cup_h) if course.cups else pot
    t = Scale(course.first_t, course.last_t, left, right)
    _behind(sheet, course, t, pot, cup)
    keys, left_over = _pot(sheet, course, t, pot)
    if course.cups:
        _cup(sheet, course, t, cup)
        keys.append(Key("t", f"cup, {course.temp_unit}"))
    _clock_axis(sheet, course, t, cup.bottom)
    at = cup.bottom + CLOCK_H + 8
    keys += _kick_keys(course)
    at = legend(sheet, keys, 2, at, left_over)
    if course.molds:
        draw_molds(sheet, course, at + 10)
        at += 10 + molds_height(sheet, course)
    sheet.height = at + 4
    return sheet


def _kick_keys(course: Course) -> list[Key]:
    keys = [Key("h", "hold")] if course.hold else []
    if course.forecasts:
        keys.append(Key("hatch", "kick expected at lid time"))
    return keys + ([Key("k", "kick found")] if course.kicks else [])


def _behind(sheet: Sheet, course: Course, t: Scale, pot: Box, cup: Box) -> None:
    """The hold's shade, the forecast's hatching, the clock's lines, the kick found."""
    if course.hold:
        sheet.rect(Box(t(course.hold[0]), pot.top, t(course.hold[1]), pot.bottom), "h")
    for early, likely, late in course.forecasts:
        for panel in (pot, cup) if course.cups else (pot,):
            sheet.hatch(Box(t(early), panel.top, t(late), panel.bottom))
            sheet.line(t(likely), panel.top, t(likely), panel.bottom, "d")
    for kick_t in course.kicks:
        sheet.line(t(kick_t), pot.top - 4, t(kick_t), cup.bottom, "k")
        sheet.words(t(kick_t), pot.top - 9, f"kick {clock(kick_t - course.zero_t)}", "middle", "b")


def _y_axis(sheet: Sheet, panel: Box, scale: Scale, unit: str, most: int) -> None:
    for value in ticks(scale.low, scale.high, most):
        y = scale(value)
        sheet.line(panel.left, y, panel.right, y, "g")
        sheet.words(panel.left - 5, y + 4.5, f"{value:g}", "end", "s")
    sheet.line(panel.left, panel.bottom, panel.right, panel.bottom, "e")
    sheet.words(2, panel.top - 9, unit, "start", "s")


def _pot(sheet: Sheet, course: Course, t: Scale, panel: Box) -> tuple[list[Key], list[Flag]]:
    top = max([v for _, v in course.pressure] + [level.value for level in course.levels] + [1e-6])
    scale = Scale(0.0, top * 1.05, panel.bottom, panel.top)
    _y_axis(sheet, panel, scale, course.unit, 3)
    _levels(sheet, course, scale, panel)
    places = [(t(at), scale(v)) for at, v in course.pressure if course.first_t <= at <= course.last_t]
    sheet.curve(places, "c")
    floor = next((level.value for level in course.levels if level.name == "floor"), 0.55 * top)
    flags = [_flag(course, moment.t, moment.words, places, t) for moment in course.moments if moment.on == "pot"]
    rows = rows_from(scale(floor) + 20, panel.bottom - 8)
    left_over = set_flags(sheet, flags, rows, places, Box(panel.left, panel.top, sheet.width, panel.bottom))
    return [Key("c", f"pot, {course.unit}")], left_over


def _flag(course: Course, at: float, words: str, places: list[Point], t: Scale) -> Flag:
    x = t(at)
    near = min(places, key=lambda place: abs(place[0] - x), default=(x, 0.0))
    return Flag(x, near[1], f"{words} {clock(at - course.zero_t)}")


def _levels(sheet: Sheet, course: Course, scale: Scale, panel: Box) -> None:
    """Each level across, its name at the right edge; names that would touch are moved apart and led to."""
    wanted = [scale(level.value) for level in course.levels]
    feet = spread(wanted, LINE - 1, panel.top + 2, panel.bottom)
    for level, y, foot in zip(course.levels, wanted, feet, strict=True):
        css = "l" if level.name in ("limit", "floor") else "d"
        sheet.line(panel.left, y, panel.right, y, css)
        sheet.path(f"M{panel.right:.1f} {y:.1f}L{panel.right + 7:.1f} {foot:.1f}", "e")
        sheet.words(panel.right + 9, foot + 4.5, _named(course, level))


def _named(course: Course, level: Level) -> str:
    return f"{level.name} {level.value:.{1 if course.unit == 'bar' else 0}f}"


def _cup(sheet: Sheet, course: Course, t: Scale, panel: Box) -> None:
    values = [v for cup in course.cups for _, v in cup]
    low, high = min(values), max(values)
    step = nice((high - low) / 3 + 1e-6)
    scale = Scale(step * (low // step), high + 0.12 * (high - low), panel.bottom, panel.top)
    _y_axis(sheet, panel, scale, course.temp_unit, 3)
    places: list[Point] = []
    for cup in course.cups:
        mine = [(t(at), scale(v)) for at, v in cup if course.first_t <= at <= course.last_t]
        sheet.curve(mine, "t")
        places += mine
    flags = [_flag(course, moment.t, moment.words, places, t) for moment in course.moments if moment.on == "cup"]
    rows = rows_from(panel.top + 14, panel.bottom - 6)
    set_flags(sheet, flags, rows, places, Box(panel.left, panel.top, sheet.width, panel.bottom))


def _clock_axis(sheet: Sheet, course: Course, t: Scale, y: float) -> None:
    span_s = course.last_t - course.first_t
    step_s = clock_ticks(span_s, 5 if sheet.is_narrow else 9)
    at_s = 0.0
    words = "after the mix"
    end = sheet.width - 2
    while course.zero_t + at_s <= course.last_t:
        x = t(course.zero_t + at_s)
        sheet.line(x, y, x, y + 5, "e")
        sheet.words(x, y + 19, clock(at_s), "middle", "s")
        at_s += step_s
    box = sheet.box_of(end, y + 19, words, "end")
    if sheet.is_free(box):
        sheet.words(end, y + 19, words, "end", "s")
