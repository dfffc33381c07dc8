"""Thins a series for display: the lowest and the highest of each stretch, so that a spike survives."""

from __future__ import annotations

from collections.abc import Sequence

Point = tuple[float, float]


def thinned(points: Sequence[Point], most: int) -> list[Point]:
    """About `most` of the points: the lowest and the highest of each of most/2 equal runs, in order.

    >>> thinned([(0.0, 1.0), (1.0, 9.0), (2.0, 1.5), (3.0, 2.0)], 2)
    [(0.0, 1.0), (1.0, 9.0)]
    """
    if len(points) <= most:
        return list(points)
    runs = max(1, most // 2)
    out: list[Point] = []
    for run in range(runs):
        part = points[run * len(points) // runs : (run + 1) * len(points) // runs]
        ends = (min(part, key=lambda p: p[1]), max(part, key=lambda p: p[1]))
        out += sorted(set(ends))
    return out
