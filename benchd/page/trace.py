"""Keeps an hour of readings by channel in memory, one a second, thinned to what a screen can show.

Thinning keeps the lowest and the highest reading of each stretch, so that a spike survives it.
"""

from __future__ import annotations

from collections import deque

from benchd.core.model import Reading
from benchd.physics.decimation import Point, thinned

KEPT_S = 3600
MOST_CHANNELS = 64


class Trace:
    """Recent readings by channel: (t [unix s], value in the core's unit), oldest first, at most one a second."""

    def __init__(self, kept_s: int = KEPT_S) -> None:
        self._points: dict[str, deque[Point]] = {}
        self._kept_s = kept_s

    def see(self, reading: Reading) -> None:
        """Take a reading; the last one of each second counts, a faulty one is not kept."""
        if reading.value is None:
            return
        if reading.channel not in self._points and len(self._points) >= MOST_CHANNELS:
            return
        points = self._points.setdefault(reading.channel, deque(maxlen=self._kept_s))
        if points and int(points[-1][0]) == int(reading.t):
            points.pop()
        points.append((reading.t, reading.value))

    def between(self, channel: str, since_t: float, until_t: float, most: int = 400) -> list[Point]:
        """Readings with since_t <= t <= until_t, thinned to about `most`."""
        return thinned([p for p in self._points.get(channel, ()) if since_t <= p[0] <= until_t], most)

    def first_t(self, channel: str) -> float | None:
        """The oldest time kept [unix s]; None if there is none."""
        points = self._points.get(channel)
        return points[0][0] if points else None
