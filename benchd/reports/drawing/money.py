"""Draws where the money went: a bar for each mold, as long as its casts cost, cut into what it went into."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchd.reports.drawing.paper import LINE, Box, Scale, Sheet, ticks, width_of

LOOKS = {"part": "m", "gates": "h", "cup": "p", "lost": "hatch", "mold": "bars"}
NAMES = {"part": "good parts", "gates": "their gates", "cup": "their cup", "lost": "not good", "mold": "mold's wear"}
ROW_WIDE, ROW_NARROW, BAR = 26.0, 40.0, 14.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One mold: its name, its money by kind (LOOKS), and the words at the bar's end."""

    name: str
    money: Mapping[str, float]
    words: str


def money_drawing(bars: Sequence[Bar], title: str, width: float, is_alone: bool = False) -> Sheet:
    """The bars, longest first as given, over one scale of money, with a key."""
    is_narrow = width < 400.0
    row = ROW_NARROW if is_narrow else ROW_WIDE
    kinds = [kind for kind in LOOKS if any(bar.money.get(kind, 0.0) > 0.0 for bar in bars)]
    sheet = Sheet(width, 0.0, title)
    top = sheet.headed((title, 15.0)) if is_alone else 4.0
    names = 4.0 if is_narrow else 14 + max(width_of(bar.name) for bar in bars)
    right = width - 10 - (0.0 if is_narrow else max(width_of(bar.words) for bar in bars) + 8)
    most = max(sum(bar.money.values()) for bar in bars)
    scale = Scale(0.0, most, names, right)
    for n, bar in enumerate(bars):
        _bar(sheet, bar, scale, top + row * n + row - BAR - 4)
    foot = top + row * len(bars) + 4
    sheet.line(scale.start, foot, scale.end, foot, "e")
    for value in ticks(0.0, most, 3 if is_narrow else 6):
        x, words = scale(value), f"{value:g}"
        sheet.line(x, foot, x, foot + 5, "e")
        half = width_of(words) / 2 + 2
        sheet.words(min(max(x, half), width - half), foot + 18, words, "middle", "s")
    sheet.height = _key(sheet, kinds, foot + 24) + 6
    return sheet


def _key(sheet: Sheet, kinds: Sequence[str], top: float) -> float:
    """The key, with boxes as they are in the bars."""
    x, y = 2.0, top + 12
    for kind in kinds:
        wide = 28 + width_of(NAMES[kind])
        if x > 2 and x + wide > sheet.width - 2:
            x, y = 2.0, y + LINE + 3
        _fill(sheet, kind, Box(x, y - 11, x + 22, y + 2))
        sheet.words(x + 28, y, NAMES[kind])
        x += wide + 16
    return y + 4


def _bar(sheet: Sheet, bar: Bar, scale: Scale, y: float) -> None:
    at = 0.0
    for kind in LOOKS:
        money = bar.money.get(kind, 0.0)
        if money > 0.0:
            _fill(sheet, kind, Box(scale(at), y, scale(at + money), y + BAR))
            at += money
    if sheet.is_narrow:
        sheet.words(scale.start, y - 5, bar.name)
        sheet.words(sheet.width - 2, y - 5, bar.words, "end", "s")
    else:
        sheet.words(2, y + BAR - 3, bar.name)
        sheet.words(scale(at) + 8, y + BAR - 3, bar.words, "start", "s")


def _fill(sheet: Sheet, kind: str, box: Box) -> None:
    """A box that tells its kind by what fills it, in black and white too."""
    look = LOOKS[kind]
    if look == "hatch":
        sheet.hatch(box)
    elif look == "bars":
        sheet.rect(box, "p")
        x = box.left + 3
        while x < box.right:
            sheet.line(x, box.top, x, box.bottom, "x")
            x += 4
    else:
        sheet.rect(box, look)
        if look == "h":
            sheet.path(f"M{box.left:.1f} {box.top:.1f}H{box.right:.1f}V{box.bottom:.1f}H{box.left:.1f}Z", "x")
