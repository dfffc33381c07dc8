"""Draws a day: all its loads on one line, the hour below, what came out beneath each.

Each load is its pot's pressure, filled; the kick a heavy line in it, the floor a thick line across.  Each part hangs
below at the time it was pulled, by the shape of its grade.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.reports.drawing.legend import Key, legend, mark
from benchd.reports.drawing.paper import Box, Point, Scale, Sheet, clock_ticks

HOUR_S = 3600.0
QUIET_S = 2400.0  # left out of the line when nothing happened for longer
AROUND_S = 240.0
BREAK = 18.0
KEYS = (Key("k", "kick"), Key("l", "floor"), Key("good", "good"), Key("second", "second"), Key("scrap", "scrap"))


@dataclass(frozen=True, slots=True)
class DayLoad:
    """One load: its number, clock, curve (t, value in the day's unit), kicks, floor; parts as (t, code, grade)."""

    name: str
    first_t: float
    last_t: float
    curve: Sequence[Point]
    kicks: Sequence[float]
    floor: float | None
    parts: Sequence[tuple[float, str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A day's loads in order; `midnight_t` [unix s] is where its hours are counted from."""

    name: str
    unit: str
    midnight_t: float
    loads: Sequence[DayLoad]


class Hours:
    """Maps the day's hours to places, leaving out the long ones in which nothing happened."""

    def __init__(self, spans: Sequence[tuple[float, float]], left: float, right: float) -> None:
        room = right - left - BREAK * (len(spans) - 1)
        total_s, x = sum(last - first for first, last in spans), left
        self.parts: list[Scale] = []
        for first, last in spans:
            wide = room * (last - first) / total_s
            self.parts.append(Scale(first, last, x, x + wide))
            x += wide + BREAK

    def __call__(self, t: float) -> float:
        return next((part for part in self.parts if t <= part.high), self.parts[-1])(t)


def day_strip(day: Day, width: float, title: str = "") -> Sheet:
    """The drawing at a width of paper.py."""
    sheet = Sheet(width, 1e4, f"{day.name}: the day's loads on one line, their pressure, kicks and parts")
    head = sheet.headed((title, 15.0))
    panel = Box(34.0, head + 30, width - 10, head + 30 + 120)
    t = Hours(_spans(day), panel.left, panel.right)
    top = max([v for load in day.loads for _, v in load.curve] + [load.floor or 0.0 for load in day.loads] + [1e-6])
    y = Scale(0.0, top * 1.08, panel.bottom, panel.top)
    sheet.words(2, panel.top - 12, day.unit, "start", "s")
    for value in {0.0, *(load.floor or 0.0 for load in day.loads)}:
        sheet.words(panel.left - 5, y(value) + 4.5, f"{value:.{1 if day.unit == 'bar' and value else 0}f}", "end", "s")
    for load in day.loads:
        _load(sheet, load, t, y, panel)
    _hours(sheet, day, t, panel)
    foot = _parts(sheet, day, t, panel.bottom + 34)
    sheet.height = legend(sheet, KEYS, 2, foot + 6) + 4
    return sheet


def _spans(day: Day) -> list[tuple[float, float]]:
    """The stretches in which something happened, with what is around them; QUIET_S apart at least."""
    out: list[tuple[float, float]] = []
    for load in day.loads:
        times = [load.first_t, load.last_t, *(t for t, _, _ in load.parts)]
        first, last = min(times) - AROUND_S, max(times) + AROUND_S
        if out and first - out[-1][1] < QUIET_S:
            out[-1] = (out[-1][0], max(last, out[-1][1]))
        else:
            out.append((first, last))
    return out


def _load(sheet: Sheet, load: DayLoad, t: Hours, y: Scale, panel: Box) -> None:
    places = [(t(at), y(v)) for at, v in load.curve]
    if len(places) > 1:
        line = "L".join(f"{x:.1f} {v:.1f}" for x, v in places)
        sheet.path(f"M{places[0][0]:.1f} {panel.bottom:.1f}L{line}L{places[-1][0]:.1f} {panel.bottom:.1f}Z", "h")
        sheet.curve(places, "c")
    if load.floor is not None:
        sheet.line(t(load.first_t) - 3, y(load.floor), t(load.last_t) + 3, y(load.floor), "l")
    for kick_t in load.kicks:
        sheet.line(t(kick_t), panel.top - 2, t(kick_t), panel.bottom, "k")
    x = t(load.first_t)
    for words in (load.name, load.name.rpartition(" ")[2]):
        if sheet.is_free(sheet.box_of(x, panel.top - 10, words)):
            sheet.words(x, panel.top - 10, words, "start", "b")
            break


def _hours(sheet: Sheet, day: Day, t: Hours, panel: Box) -> None:
    """The clock under each stretch; a break is drawn where hours are left out."""
    total_s = sum(part.high - part.low for part in t.parts)
    step_s = clock_ticks(total_s, 6 if sheet.is_narrow else 12)
    for n, part in enumerate(t.parts):
        sheet.line(part.start, panel.bottom, part.end, panel.bottom, "e")
        if n:
            x = part.start - BREAK / 2
            sheet.path(f"M{x - 6:.1f} {panel.bottom + 6:.1f}l6 -12M{x:.1f} {panel.bottom + 6:.1f}l6 -12", "e")
        at = day.midnight_t + -(-(part.low - day.midnight_t) // step_s) * step_s
        while at <= part.high:
            x, hour = part(at), (at - day.midnight_t) / HOUR_S
            sheet.line(x, panel.bottom, x, panel.bottom + 6, "e")
            words = f"{int(hour) % 24:02d}:{round(hour % 1 * 60):02d}"
            if sheet.is_free(sheet.box_of(x, panel.bottom + 19, words, "middle")):
                sheet.words(x, panel.bottom + 19, words, "middle", "s")
            at += step_s


def _parts(sheet: Sheet, day: Day, t: Hours, top: float) -> float:
    """Each part by its shape and code, in the first row where it meets none; the foot of the last row."""
    foot = top
    for load in day.loads:
        for at, code, grade in load.parts:
            wide = 12 + sheet.box_of(0, 0, code).right
            x, y = min(t(at), sheet.width - wide - 2), top + 8
            while not sheet.is_free(Box(x - 8, y - 8, x + wide, y + 8)):
                y += 18
            mark(sheet, grade, x, y)
            sheet.boxes.append(Box(x - 7, y - 7, x + 7, y + 7))
            sheet.words(x + 9, y + 4.5, code)
            foot = max(foot, y + 10)
    return foot
