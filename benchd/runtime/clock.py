"""Bench time: an anchor plus monotonic time multiplied by a rate.  The shell has no other source of bench time.

Bench time never jumps with the wall clock: a wall-clock step is detected (`wall_step_s`) and recorded as an input.
Sockets, keepalives and backoff use wall time; ticks, times to live, repeats and countdowns use bench time.
"""

from __future__ import annotations

import time
from collections.abc import Callable

STEP_SEEN_S = 2.0  # a wall step smaller than this is drift; common practice


class BenchClock:
    """Bench time [unix s] = anchor_s + rate x monotonic time since construction.

    `not_before_s` keeps bench time ahead of what the journal already holds when the wall clock is behind at startup.
    """

    def __init__(
        self,
        rate: float = 1.0,
        anchor_s: float | None = None,
        not_before_s: float = 0.0,
        monotonic: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.rate = rate
        self._monotonic = monotonic
        self._wall = wall
        wall_now_s = wall()
        self._anchor_s = max(wall_now_s if anchor_s is None else anchor_s, not_before_s)
        self._start_s = monotonic()
        self._offset_s = wall_now_s - self._anchor_s

    def now(self) -> float:
        """Bench time [unix s]."""
        return self._anchor_s + self.rate * (self._monotonic() - self._start_s)

    def wall_s(self, bench_s: float) -> float:
        """How many wall seconds `bench_s` bench seconds take."""
        return bench_s / self.rate

    @property
    def offset_s(self) -> float:
        """Wall minus bench time as last noticed [s]."""
        return self._offset_s

    def wall_step_s(self) -> float | None:
        """The new wall-minus-bench offset if the wall clock stepped since last asked, else None (at rate 1 only)."""
        if self.rate != 1.0:
            return None
        offset = self._wall() - self.now()
        if abs(offset - self._offset_s) < STEP_SEEN_S:
            return None
        self._offset_s = offset
        return offset
