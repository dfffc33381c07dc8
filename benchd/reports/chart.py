"""Draws a curve as SVG: lines over time with levels across and moments down, in the page's own colours.

Nothing is distinguished by colour alone: levels are dashed and named, moments numbered into the legend below.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.reports.markup import markup

WIDTH, HEIGHT = 720, 380
LEFT, RIGHT, TOP, BOTTOM = 52, 14, 14, 34
DASHES = {"floor": "6 4", "limit": "10 4", "relief": "2 3", "target": "1 5"}
STEPS_S = (15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that happened at t [unix s]; a window from..until is drawn as a band."""

    t: float
    label: str
    from_t: float | None = None
    until_t: float | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """A value that matters, in the chart's unit."""

    value: float
    label: str


@dataclass(frozen=True, slots=True)
class Chart:
    """One curve: points (t [unix s], value in `unit`); times are shown from zero_t on."""

    title: str
    unit: str
    points: Sequence[tuple[float, float]]
    zero_t: float
    levels: Sequence[Level] = ()
    marks: Sequence[Moment] = ()

    def clock(self, t: float) -> str:
        """A time as the chart shows it, counted from zero_t."""
        return clock(t - self.zero_t)


def clock(seconds: float) -> str:
    """ "2:24" from 144 s, "-0:30", "1:02:05"; to the nearest second."""
    sign, whole = ("-" if seconds <= -0.5 else ""), round(abs(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{sign}{hours}:{minutes:02d}:{left:02d}" if hours else f"{sign}{minutes}:{left:02d}"


@dataclass(frozen=True, slots=True)
class _Frame:
    """Maps a time and a value to a place on the paper."""

    first_t: float
    last_t: float
    low: float
    high: float

    def x(self, t: float) -> float:
        share = (t - self.first_t) / max(1e-9, self.last_t - self.first_t)
        return LEFT + min(1.0, max(0.0, share)) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        share = (value - self.low) / max(1e-9, self.high - self.low)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)


def chart_svg(chart: Chart) -> str:
    """The chart as an <svg> with a legend of its moments; a sentence when there is nothing to draw."""
    if len(chart.points) < 2:
        return f"<p>{markup(chart.title)}: no readings were kept.</p>"
    frame = _frame(chart)
    parts = [*_grid(chart, frame), *_bands(chart, frame), *_levels(chart, frame), _curve(chart, frame)]
    parts += _moments(chart, frame)
    name = markup(f"{chart.title}, {chart.unit} over time")
    svg = f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{name}" font-size="13">{"".join(parts)}</svg>'
    return f'<div class="wide" tabindex="0">{svg}</div>' + _legend(chart)  # on a phone it is moved, not shrunk


def _frame(chart: Chart) -> _Frame:
    values = [v for _, v in chart.points] + [level.value for level in chart.levels]
    low, high = min(0.0, *values), max(values)
    return _Frame(chart.points[0][0], chart.points[-1][0], low, low + max(1e-6, (high - low) * 1.06))


def _grid(chart: Chart, frame: _Frame) -> list[str]:
    span_s = frame.last_t - frame.first_t
    step_s = next((s for s in STEPS_S if span_s / s <= 9), STEPS_S[-1])
    out = []
    at = math.ceil((frame.first_t - chart.zero_t) / step_s) * step_s
    while chart.zero_t + at <= frame.last_t:
        x = frame.x(chart.zero_t + at)
        out.append(f'<path d="M{x:.1f} {TOP}V{HEIGHT - BOTTOM}" stroke="var(--rule)" stroke-width=".6"/>')
        out.append(_label(x, HEIGHT - BOTTOM + 18, clock(at), "middle"))
        at += step_s
    step = _nice((frame.high - frame.low) / 5)
    value = math.ceil(frame.low / step) * step
    while value <= frame.high:
        y = frame.y(value)
        out.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="var(--rule)" stroke-width=".6"/>')
        out.append(_label(LEFT - 6, y + 4, f"{value:g}", "end"))
        value += step
    out.append(_label(LEFT - 6, TOP - 2, chart.unit, "end"))
    return out


def _nice(rough: float) -> float:
    base = 10.0 ** math.floor(math.log10(max(rough, 1e-9)))
    return next(base * m for m in (1, 2, 5, 10) if base * m >= rough)


def _levels(chart: Chart, frame: _Frame) -> list[str]:
    out = []
    for place, level in enumerate(sorted(chart.levels, key=lambda each: each.value)):
        y, dash = frame.y(level.value), DASHES.get(level.label.split()[0], "4 4")
        out.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="var(--soft)" stroke-dasharray="{dash}"/>')
        out.append(_label(LEFT + 6 + 64 * (place % 2), y - 4, level.label, "start"))
    return out


def _bands(chart: Chart, frame: _Frame) -> list[str]:
    out = []
    for mark in chart.marks:
        if mark.from_t is not None and mark.until_t is not None:
            x, right = frame.x(mark.from_t), frame.x(mark.until_t)
            size = f'width="{max(1.0, right - x):.1f}" height="{HEIGHT - TOP - BOTTOM}"'
            out.append(f'<rect x="{x:.1f}" y="{TOP}" {size} fill="var(--warn)" opacity=".16"/>')
    return out


def _curve(chart: Chart, frame: _Frame) -> str:
    path = "L".join(f"{frame.x(t):.1f} {frame.y(v):.1f}" for t, v in chart.points)
    return f'<path d="M{path}" fill="none" stroke="var(--line)" stroke-width="2.2" stroke-linejoin="round"/>'


def _moments(chart: Chart, frame: _Frame) -> list[str]:
    out, last_x, row = [], -1e9, 0
    for number, mark in enumerate(chart.marks, 1):
        if not frame.first_t <= mark.t <= frame.last_t:
            continue
        x = frame.x(mark.t)
        row = row + 1 if x - last_x < 20 else 0
        last_x, y = x, TOP + 12 + 20 * row
        out.append(f'<path d="M{x:.1f} {TOP}V{HEIGHT - BOTTOM}" stroke="var(--ink)" stroke-width="1"/>')
        out.append(f'<circle cx="{x:.1f}" cy="{y}" r="9" fill="var(--paper)" stroke="var(--ink)"/>')
        out.append(_label(x, y + 4.5, str(number), "middle"))
    return out


def _label(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="var(--ink)">{markup(words)}</text>'


def _legend(chart: Chart) -> str:
    items = "".join(f"<li>{markup(mark.label)} {markup(chart.clock(mark.t))}</li>" for mark in chart.marks)
    return f"<ol>{items}</ol>" if items else ""
