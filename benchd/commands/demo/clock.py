"""The demo's time, which is the simulated board's: slow at a pour, fast between loads, stopped at the end.

The clock never runs ahead of the board by more than one sampling, nor the board ahead of the watch by more than a few
seconds, nor of a word that is on its way to the phone, so that a busy machine makes the demo slower, not its numbers
wrong nor its words stale.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from benchd.runtime.clock import BenchClock

AHEAD_S = 0.25  # one sampling of the board
EASED_S = 1.0  # real seconds treated as continuous in a fast stretch, so that nothing in it looks like a pause
LAG_S = 3.0  # most the board may be ahead of the watch; a channel counts as silent after 5 s
PATIENCE_S = 5.0  # real seconds for a watch that hears nothing (a line may be damaged on purpose) and for a lost word


class Leash:
    """Keeps the board close to the watch and its words: `wait` on the board's thread, `heard` from the watch's.

    is_speaking: whether a word is on its way.  stepped_t: the bench time the engine has reached [unix s].
    """

    def __init__(
        self, start_t: float, is_speaking: Callable[[], bool] = lambda: False,
        stepped_t: Callable[[], float] = lambda: math.inf,
    ) -> None:  # fmt: skip
        self._start_t = self._seen_t = start_t
        self._given_up_t = -1.0
        self._is_speaking, self._stepped_t = is_speaking, stepped_t
        self._is_free = False

    def let_go(self) -> None:
        """Wait for nothing any more: the watch is over."""
        self._is_free = True

    def heard(self, t: float) -> None:
        """The watch has processed a reading of time t [unix s]."""
        self._seen_t = max(self._seen_t, t)

    def wait(self, spoke_s: float) -> None:
        """Wait until the watch has nearly reached what was sent at spoke_s [s since the start], for a limited time.

        An engine that is behind is waited for without limit: it steps on.  One that has stepped everything and read
        nothing may have been sent damaged lines.
        """
        until_s = time.monotonic() + PATIENCE_S
        while not self._is_free:
            t = self._start_t + spoke_s - LAG_S
            is_behind = self._stepped_t() < t
            is_unheard = self._seen_t < t and self._given_up_t != self._seen_t
            if not (is_behind or is_unheard or self._is_speaking()):
                return
            if is_behind:
                until_s = time.monotonic() + PATIENCE_S
            elif is_unheard and time.monotonic() > until_s:
                self._given_up_t = self._seen_t
            time.sleep(0.001)


class Words:
    """Counts the words said (on the watch's thread) and those that arrived (on the phone's)."""

    def __init__(self) -> None:
        self._said = self._arrived = 0
        self._due_s = 0.0

    def said(self) -> None:
        self._said += 1
        self._due_s = time.monotonic() + PATIENCE_S

    def arrived(self) -> None:
        self._arrived += 1

    @property
    def are_under_way(self) -> bool:
        """Is a word still to come?  One that has not come within PATIENCE_S [real s] no longer will."""
        return self._arrived < self._said and time.monotonic() < self._due_s


class PacedClock(BenchClock):
    """Bench time [unix s] = anchor_s + the time the board has reached, and up to AHEAD_S beyond it.

    `reached` is called on the board's thread; one assignment publishes each step, so no lock is needed.
    """

    def __init__(self, anchor_s: float, fastest: float, monotonic: Callable[[], float] = time.monotonic) -> None:
        super().__init__(fastest, anchor_s, monotonic=monotonic)
        self._anchor_t = anchor_s
        self._at = (0.0, 0.0, monotonic())
        self._eased = (fastest, monotonic())

    def reached(self, t_s: float, speed: float) -> None:
        """The board is t_s [s] into its script and continues at `speed` times real time."""
        now_s = self._monotonic()
        if speed < self.rate:
            self._eased = (self.rate, now_s + EASED_S)
        self._at = (t_s, speed, now_s)
        self.rate = speed

    def now(self) -> float:
        """Bench time [unix s]."""
        t_s, speed, since_s = self._at
        return self._anchor_t + t_s + min(AHEAD_S, speed * (self._monotonic() - since_s))

    def wall_s(self, bench_s: float) -> float:
        """How many wall seconds `bench_s` bench seconds take."""
        rate, until_s = self._eased
        return bench_s / (max(rate, self.rate) if self._monotonic() < until_s else self.rate)

    def wall_step_s(self) -> float | None:
        """Always None: this clock does not follow the wall clock."""
        return None
