"""A sheet to draw on: lines, shades, hatching and words as SVG, with an account of where words stand.

A sheet is as wide as its units; at 1 unit to 1 CSS px its words are 13 px tall.  Two widths are drawn of everything:
`WIDE` for a desk and print, `NARROW` for a phone, and the page shows the one that fits.  Colours are classes, so that
the page's light and dark, print, and a PNG each set their own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from textwrap import wrap

from benchd.reports.markup import markup

WIDE, NARROW = 760.0, 356.0
SIZE = 13.0
MARGIN = 16.0
"""Around a drawing that is a file of its own."""
BOLD = 1.13  # how much wider bold words are
LINE = 16.0
"""From one line of words to the next."""
Point = tuple[float, float]

INKS = {
    "light": {"ink": "#14181b", "soft": "#4a4f51", "rule": "#c9c4ba", "paper": "#fbfaf7", "shade": "#e9e3d4",
              "line": "#14181b", "warm": "#8a3b12"},
    "dark": {"ink": "#f4efe4", "soft": "#b9b8ae", "rule": "#4a5054", "paper": "#14181c", "shade": "#262d32",
             "line": "#f4efe4", "warm": "#f0b184"},
    "print": {"ink": "#000", "soft": "#333", "rule": "#bbb", "paper": "#fff", "shade": "#e8e8e8", "line": "#000",
              "warm": "#000"},
}  # fmt: skip

_RULES = (
    ("text", "fill:{ink};stroke:{paper};stroke-width:4px;stroke-linejoin:round;paint-order:stroke"),
    ("text.s", "fill:{soft}"), ("text.w", "fill:{warm}"), ("text.b", "font-weight:700"),
    (".g", "stroke:{rule};stroke-width:.8;fill:none"), (".x", "stroke:{soft};stroke-width:.9;fill:none"),
    (".e", "stroke:{ink};stroke-width:1.1;fill:none"),
    (".c", "stroke:{line};stroke-width:2.6;fill:none;stroke-linejoin:round"),
    (".t", "stroke:{warm};stroke-width:2.2;fill:none;stroke-linejoin:round"),
    (".l", "stroke:{ink};stroke-width:2.4;fill:none"),
    (".d", "stroke:{soft};stroke-width:1.3;stroke-dasharray:5 4;fill:none"),
    (".k", "stroke:{ink};stroke-width:3.4;fill:none"), (".h", "fill:{shade};stroke:none"),
    (".a", "fill:{paper}"), (".p", "fill:{paper};stroke:{ink};stroke-width:1.6"), (".m", "fill:{ink};stroke:none"),
)  # fmt: skip


def rules(ink: str, before: str = ".sheet ") -> str:
    """The style rules of a drawing in one of INKS, each selector after `before`."""
    return "".join(f"{before}{what}{{{how.format(**INKS[ink])}}}" for what, how in _RULES)


def style() -> str:
    """The rules for a page that follows the reader's light or dark, and prints black."""
    dark, prints = rules("dark"), rules("print")
    return f"{rules('light')}@media (prefers-color-scheme:dark){{{dark}}}@media print{{{prints}}}"


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps values low..high to places start..end; what lies outside stands at the edge."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low or 1.0)
        return self.start + min(1.0, max(0.0, share)) * (self.end - self.start)


@dataclass(frozen=True, slots=True)
class Box:
    """Where words stand, in units."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        """Whether the two overlap."""
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )

    def holds(self, x: float, y: float) -> bool:
        """Whether a point lies in it."""
        return self.left <= x <= self.right and self.top <= y <= self.bottom


_NARROW_SIGNS, _BROAD_SIGNS = "iljtfr.,:;'|!()[] ", "mwMW%@"


def width_of(words: str, size: float = SIZE) -> float:
    """About how wide words are, in units: by the widest face a system is likely to set them in, so seldom wider."""

    def em(sign: str) -> float:
        if sign in _NARROW_SIGNS:
            return 0.39
        return 0.96 if sign in _BROAD_SIGNS else 0.7 if sign.isupper() else 0.63

    return size * sum(em(sign) for sign in words)


@dataclass(slots=True)
class Sheet:
    """What is drawn, in order; `name` is what a screen reader says of it."""

    width: float
    height: float
    name: str
    parts: list[str] = field(default_factory=list)
    boxes: list[Box] = field(default_factory=list)

    @property
    def is_narrow(self) -> bool:
        """Whether it is drawn for a phone."""
        return self.width <= NARROW

    def path(self, d: str, css: str) -> None:
        """A line or a shape by its path data."""
        self.parts.append(f'<path class="{css}" d="{d}"/>')

    def line(self, x1: float, y1: float, x2: float, y2: float, css: str) -> None:
        """A straight line."""
        self.path(f"M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}", css)

    def curve(self, places: Sequence[Point], css: str) -> None:
        """A line through places; nothing for fewer than two."""
        if len(places) > 1:
            self.path("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in places), css)

    def rect(self, box: Box, css: str) -> None:
        """A filled box."""
        width, height = max(0.5, box.right - box.left), max(0.5, box.bottom - box.top)
        self.parts.append(
            f'<rect class="{css}" x="{box.left:.1f}" y="{box.top:.1f}" width="{width:.1f}" height="{height:.1f}"/>'
        )

    def hatch(self, box: Box, step: float = 7.0) -> None:
        """Diagonal strokes across a box, its edges drawn: doubt.  As plain lines, since a pattern needs an id."""
        width, height, strokes = max(2.0, box.right - box.left), box.bottom - box.top, []
        offset = -height + step / 2
        while offset < width:
            x1, x2 = max(0.0, offset), min(width, offset + height)
            y1, y2 = box.bottom - (x1 - offset), box.bottom - (x2 - offset)
            strokes.append(f"M{box.left + x1:.1f} {y1:.1f}L{box.left + x2:.1f} {y2:.1f}")
            offset += step
        self.path("".join(strokes), "x")
        self.path(
            f"M{box.left:.1f} {box.top:.1f}V{box.bottom:.1f}M{box.left + width:.1f} {box.top:.1f}V{box.bottom:.1f}", "e"
        )

    def box_of(
        self, x: float, y: float, words: str, anchor: str = "start", size: float = SIZE, is_bold: bool = False
    ) -> Box:
        """Where words set at x, their foot at y, would stand."""
        width = width_of(words, size) * (BOLD if is_bold else 1.0)
        left = {"start": x, "middle": x - width / 2, "end": x - width}[anchor]
        return Box(left, y - size * 0.82, left + width, y + size * 0.26)

    def is_free(self, box: Box) -> bool:
        """Whether it lies on the sheet and meets no words."""
        inside = box.left >= 0 and box.right <= self.width and box.top >= 0 and box.bottom <= self.height
        return inside and not any(box.meets(other) for other in self.boxes)

    def words(self, x: float, y: float, words: str, anchor: str = "start", css: str = "", size: float = SIZE) -> None:
        """Words with their foot at y; where they stand is noted."""
        self.boxes.append(self.box_of(x, y, words, anchor, size, css == "b"))
        name = f' class="{css}"' if css else ""
        big = f' font-size="{size:g}"' if size != SIZE else ""
        turn = f' text-anchor="{anchor}"' if anchor != "start" else ""
        self.parts.append(f'<text{name}{big} x="{x:.1f}" y="{y:.1f}"{turn}>{markup(words)}</text>')

    def headed(self, *lines: tuple[str, float]) -> float:
        """Set lines of words (words, size) at the top, broken where they are too wide; the foot of the last.

        The first is bold.
        """
        y = 0.0
        for n, (words, size) in enumerate(lines):
            room = self.width / (size * 0.66 * (1.0 if n else BOLD))
            for line in wrap(words, int(room)) if words else []:
                y += size + 5
                self.words(2, y, line, "start", "" if n else "b", size)
        return y + 4 if y else 0.0

    def svg(self, css: str = "sheet", ink: str = "") -> str:
        """The drawing as an <svg>; with `ink`, one of INKS or "both", it is a file of its own, on its own ground."""
        margin = MARGIN if ink else 0.0
        width, height = self.width + 2 * margin, self.height + 2 * margin
        own, space = "", ' xmlns="http://www.w3.org/2000/svg"' if ink else ""  # a page needs no namespace
        if ink:
            dark = f"@media (prefers-color-scheme:dark){{{rules('dark', '')}}}" if ink == "both" else ""
            own = f"<style>{rules('light' if ink == 'both' else ink, '')}{dark}</style>"
            own += f'<rect class="a" x="{-margin:g}" y="{-margin:g}" width="{width:g}" height="{height:g}"/>'
        return (
            f'<svg{space} class="{css}" '
            f'viewBox="{-margin:g} {-margin:g} {width:g} {height:g}" width="{width:g}" height="{height:g}" role="img" '
            f'aria-label="{markup(self.name)}" font-family="system-ui, \'DejaVu Sans\', sans-serif" '
            f'font-size="{SIZE:g}">{own}{"".join(self.parts)}</svg>'
        )


def nice(rough: float) -> float:
    """The next 1, 2 or 5 times a power of ten that is not smaller."""
    base = 10.0 ** math.floor(math.log10(max(rough, 1e-9)))
    return next(base * m for m in (1, 2, 5, 10) if base * m >= rough * 0.999)


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round values from low to high, at most about `most`."""
    step = nice((high - low) / most)
    first = math.ceil(low / step - 1e-9)
    return [step * n for n in range(first, math.floor(high / step + 1e-9) + 1)]


CLOCK_STEPS_S = (15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)


def clock_ticks(span_s: float, most: int) -> float:
    """The step [s] of a clock's axis with at most so many marks."""
    return float(next((s for s in CLOCK_STEPS_S if span_s / s <= most), 86400 * math.ceil(span_s / 86400 / most)))


def spread(places: Sequence[float], apart: float, low: float, high: float) -> list[float]:
    """Places in the same order, moved as little as needed to be `apart`, within low..high."""
    order = sorted(range(len(places)), key=lambda i: places[i])
    out = list(places)
    for before, at in pairwise(order):
        out[at] = max(out[at], out[before] + apart)
    over = max((out[at] for at in order), default=high) - high
    if over > 0:
        out[order[-1]] = high
        for after, at in pairwise(reversed(order)):
            out[at] = min(out[at], out[after] - apart)
    return [max(low, y) for y in out]
