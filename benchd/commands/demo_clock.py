"""What time is it in the demo?  The simulated board's own time: slow at a pour, quick between loads, still at the end.

The clock never runs ahead of the board by more than one sampling, so that a busy machine makes the demo slower, not
its numbers wrong.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from benchd.runtime.clock import BenchClock

AHEAD_S = 0.25  # one sampling of the board
EASED_S = 1.0  # real seconds in which a quick stretch still counts as one, so that none of it looks like a pause


class PacedClock(BenchClock):
    """Bench time [unix s] = anchor_s + what the board has reached, and up to AHEAD_S beyond it.

    `reached` is called on the board's thread; one assignment publishes each step, so no lock is needed.
    """

    def __init__(self, anchor_s: float, fastest: float, monotonic: Callable[[], float] = time.monotonic) -> None:
        super().__init__(fastest, anchor_s, monotonic=monotonic)
        self._anchor_t = anchor_s
        self._at = (0.0, 0.0, monotonic())
        self._eased = (fastest, monotonic())

    def reached(self, t_s: float, speed: float) -> None:
        """The board is t_s [s] into its script and goes on at `speed` times life's."""
        now_s = self._monotonic()
        if speed < self.rate:
            self._eased = (self.rate, now_s + EASED_S)
        self._at = (t_s, speed, now_s)
        self.rate = speed

    def now(self) -> float:
        t_s, speed, since_s = self._at
        return self._anchor_t + t_s + min(AHEAD_S, speed * (self._monotonic() - since_s))

    def wall_s(self, bench_s: float) -> float:
        rate, until_s = self._eased
        return bench_s / (max(rate, self.rate) if self._monotonic() < until_s else self.rate)

    def wall_step_s(self) -> float | None:
        """Never: this clock has nothing to do with the wall's."""
        return None
