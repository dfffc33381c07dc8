"""The key under a drawing: a sample of each line and shape beside what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.reports.drawing.flags import Flag
from benchd.reports.drawing.paper import LINE, Box, Sheet, width_of

SAMPLE = 22.0
PAD = 16.0


@dataclass(frozen=True, slots=True)
class Key:
    """A sample, by the class it is drawn with or a shape's name, and its meaning."""

    sample: str
    words: str


def legend(sheet: Sheet, keys: Sequence[Key], left: float, top: float, more: Sequence[Flag] = ()) -> float:
    """Draw the keys in rows from `top` on, then the words that found no place in the drawing; the foot of the last."""
    x, y = left, top + 12
    for key in keys:
        wide = SAMPLE + 6 + width_of(key.words)
        if x > left and x + wide > sheet.width - 2:
            x, y = left, y + LINE + 3
        _sample(sheet, key.sample, x, y)
        sheet.words(x + SAMPLE + 6, y, key.words)
        x += wide + PAD
    for flag in more:
        y += LINE + 2
        sheet.words(left, y, flag.words)
    return y + 4


def _sample(sheet: Sheet, sample: str, x: float, y: float) -> None:
    box = Box(x, y - 11, x + SAMPLE, y + 2)
    if sample == "hatch":
        sheet.hatch(box)
    elif sample in ("h",):
        sheet.rect(box, sample)
    elif sample == "k":
        sheet.line(x + SAMPLE / 2, box.top, x + SAMPLE / 2, box.bottom, "k")
    elif sample in MARKS:
        mark(sheet, sample, x + SAMPLE / 2, y - 4.5)
    else:
        sheet.line(x, y - 4.5, x + SAMPLE, y - 4.5, sample)


MARKS = ("good", "second", "scrap", "ungraded", "called", "likely")


def circle(x: float, y: float, r: float) -> str:
    """The path of a circle."""
    return f"M{x - r:.1f} {y:.1f}a{r:g} {r:g} 0 1 0 {2 * r:g} 0a{r:g} {r:g} 0 1 0 {-2 * r:g} 0"


def mark(sheet: Sheet, kind: str, x: float, y: float, r: float = 5.5) -> None:
    """A shape for what became of a part: full, half full, a cross, empty; called: a triangle on its tip."""
    round_ = circle(x, y, r)
    match kind:
        case "good":
            sheet.path(round_, "m")
        case "second":
            sheet.path(round_, "p")
            sheet.path(f"M{x - r:.1f} {y:.1f}a{r:g} {r:g} 0 0 0 {2 * r:g} 0Z", "m")
        case "scrap":
            sheet.path(
                f"M{x - r:.1f} {y - r:.1f}L{x + r:.1f} {y + r:.1f}M{x - r:.1f} {y + r:.1f}L{x + r:.1f} {y - r:.1f}", "k"
            )
        case "called":
            sheet.path(f"M{x - r:.1f} {y - r:.1f}h{2 * r}L{x:.1f} {y + r:.1f}Z", "p")
        case "likely":
            sheet.path(f"M{x - 2:.1f} {y - r - 1:.1f}h4v{2 * r + 2}h-4Z", "m")
        case _:
            sheet.path(round_, "p")
