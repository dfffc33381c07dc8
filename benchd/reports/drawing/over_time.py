"""Draws what was counted or timed over days: marks at their dates, levels across, the doubt of each as a bar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.reports.drawing.legend import Key, circle, legend, mark
from benchd.reports.drawing.paper import LINE, Box, Scale, Sheet, nice, spread, ticks

TOP = 26.0
MOST_R, LEAST_R, LEAST_BAD_R = 5.5, 2.2, 3.6
BAD = ("second", "scrap")


@dataclass(frozen=True, slots=True)
class Dot:
    """A value at t [unix s], its shape (legend.mark), its doubt low..high and what it is held against, if any."""

    t: float
    value: float
    shape: str = "good"
    low: float | None = None
    high: float | None = None
    against: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OverTime:
    """Dots over days; the axis begins at `lowest`.

    `dates` names each day by its first moment, `levels` are (value, name).
    """

    name: str
    unit: str
    dots: Sequence[Dot]
    dates: dict[float, str]
    levels: Sequence[tuple[float, str]] = ()
    keys: Sequence[Key] = ()
    lowest: float = 0.0


def over_time(drawn: OverTime, width: float, title: str = "") -> Sheet:
    """The drawing at a width of paper.py."""
    sheet = Sheet(width, 1e4, drawn.name)
    head = sheet.headed((title, 15.0))
    right = width - (76.0 if drawn.levels else 14.0)
    panel = Box(40.0, head + TOP, right, head + TOP + (170.0 if sheet.is_narrow else 200.0))
    values = [v for dot in drawn.dots for v in (dot.value, dot.high, dot.against) if v is not None]
    values += [value for value, _ in drawn.levels]
    top = max([*values, 1e-6])
    y = Scale(drawn.lowest, top + 0.08 * (top - drawn.lowest), panel.bottom, panel.top)
    t = _days(drawn, panel)
    for value in ticks(y.low, y.high, 3):
        sheet.line(panel.left, y(value), panel.right, y(value), "g")
        sheet.words(panel.left - 5, y(value) + 4.5, f"{value:g}", "end", "s")
    sheet.words(2, panel.top - 10, drawn.unit, "start", "s")
    _levels(sheet, drawn, y, panel)
    size = _size(len(drawn.dots), panel)
    for dot in sorted(drawn.dots, key=lambda dot: dot.shape in BAD):
        _dot(sheet, dot, t, y, size)
    _dates(sheet, drawn, t, panel)
    foot = legend(sheet, drawn.keys, 2, panel.bottom + 28) if drawn.keys else panel.bottom + 24
    sheet.height = foot + 4
    return sheet


def _days(drawn: OverTime, panel: Box) -> Scale:
    first, last = min(dot.t for dot in drawn.dots), max(dot.t for dot in drawn.dots)
    pad = max(0.04 * (last - first), 1800.0)
    return Scale(first - pad, last + pad, panel.left, panel.right)


def _levels(sheet: Sheet, drawn: OverTime, y: Scale, panel: Box) -> None:
    wanted = [y(value) for value, _ in drawn.levels]
    for (_, name), at, foot in zip(
        drawn.levels, wanted, spread(wanted, LINE - 1, panel.top, panel.bottom), strict=True
    ):
        sheet.line(panel.left, at, panel.right, at, "d")
        sheet.path(f"M{panel.right:.1f} {at:.1f}L{panel.right + 5:.1f} {foot:.1f}", "e")
        sheet.words(panel.right + 7, foot + 4.5, name)


def _size(count: int, panel: Box) -> float:
    """The radius of a mark: a year's stand closer than a day's, and each is to be told from the next."""
    return min(MOST_R, max(LEAST_R, 0.7 * (panel.right - panel.left) / count))


def _dot(sheet: Sheet, dot: Dot, t: Scale, y: Scale, r: float) -> None:
    x = t(dot.t)
    if dot.low is not None and dot.high is not None:
        low, high = y(dot.low), y(dot.high)
        caps = f"M{x - 4:.1f} {low:.1f}h8M{x - 4:.1f} {high:.1f}h8" if r == MOST_R else ""
        sheet.path(f"M{x:.1f} {low:.1f}V{high:.1f}{caps}", "e" if caps else "x")
    if dot.against is not None:
        sheet.line(x - r - 2.5, y(dot.against), x + r + 2.5, y(dot.against), "l")
    if dot.shape in BAD:  # what went wrong stands clear of what lies under it
        r = max(r, LEAST_BAD_R)
        sheet.path(circle(x, y(dot.value), r + 1.5), "a")
    mark(sheet, dot.shape, x, y(dot.value), r)


def _dates(sheet: Sheet, drawn: OverTime, t: Scale, panel: Box) -> None:
    """Under the first, the last and what has room between them."""
    sheet.line(panel.left, panel.bottom, panel.right, panel.bottom, "e")
    order = list(drawn.dates.items())
    for place, (at, words) in enumerate([*order[:1], *order[-1:], *order[1:-1]]):
        x = min(max(t(at), panel.left), panel.right)
        for anchor in ("middle", "start") if place == 0 else ("middle",):  # the axis's own number is left of the first
            box = sheet.box_of(x, panel.bottom + 18, words, anchor)
            room = Box(box.left - (8 if anchor == "middle" else 0), box.top, box.right + 8, box.bottom)
            if sheet.is_free(room) and room.right <= sheet.width:
                sheet.line(x, panel.bottom, x, panel.bottom + 5, "e")
                sheet.words(x, panel.bottom + 18, words, anchor, "s")
                break


def bars(name: str, rows: Sequence[tuple[str, Sequence[tuple[str, int]], str]], width: float, title: str = "") -> Sheet:
    """Counts as rows of shapes, one a part: (name, [(shape, how many)], what stands behind)."""
    sheet = Sheet(width, 1e4, name)
    head = sheet.headed((title, 15.0))
    left = 14 + max(sheet.box_of(0, 0, words).right for words, _, _ in rows)
    most = max(sum(n for _, n in counts) for _, counts, _ in rows)
    behind = max(sheet.box_of(0, 0, words).right for _, _, words in rows)
    under = sheet.is_narrow  # molds stand below their row
    room = width - left - 8 - (0 if under else behind + 10)
    each = nice(-(-most // max(1, int(room // 15)))) if most * 15 > room else 1
    y = head + 22.0
    for words, counts, molds in rows:
        sheet.words(2, y, words)
        x = left + 6
        for shape, count in counts:
            for _ in range(round(count / each)):
                mark(sheet, shape, x, y - 4.5)
                x += 15
        if under:
            sheet.words(left, y + LINE, molds, "start", "s")
        else:
            sheet.words(x + 4, y, molds, "start", "s")
        y += 26 + (LINE if under else 0)
    keys = [Key("second", "second"), Key("scrap", "scrap")]
    sheet.height = legend(sheet, keys, 2, y - 6) + 4
    return sheet
