"""Keeps what a cup's probe could have shown: how often it reads, where its record has holes, how long it was hot."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from benchd.stored import stored

ENOUGH = 4
MOST_PAUSE_S = 60.0
EDGE_S = 2.0


@stored("probe-look")
@dataclass(slots=True)
class ProbeLook:
    """Feed `see` each good reading.  hole: begin and end of the record's last hole [unix s]."""

    hole_s: float
    hole: tuple[float, float] | None = None
    last_t: float | None = None
    hot_since: float | None = None
    is_hot_told: bool = False
    _pauses: deque[float] = field(default_factory=lambda: deque(maxlen=9))

    def see(self, t: float) -> None:
        """One good reading at t [unix s]; a pause much longer than usual is a hole."""
        if self.last_t is not None and t > self.last_t:
            pause_s, every_s = t - self.last_t, self.every_s
            if pause_s > self.hole_s and (every_s is None or pause_s > 2.5 * every_s):
                self.hole = (self.last_t, t)
            if pause_s <= MOST_PAUSE_S:
                self._pauses.append(pause_s)
        self.last_t = t if self.last_t is None else max(t, self.last_t)

    @property
    def every_s(self) -> float | None:
        """The usual time from reading to reading [s], the median of the last nine; None before four are known."""
        if len(self._pauses) < ENOUGH:
            return None
        return sorted(self._pauses)[len(self._pauses) // 2]

    def widened(self, early: float, late: float) -> tuple[float, float]:
        """A window [unix s] neither of whose edges lies in the last hole: what is unseen there is not narrowed down."""
        if self.hole is None:
            return early, late
        begin_t, end_t = self.hole
        is_early_in, is_late_in = begin_t - EDGE_S < early < end_t + EDGE_S, begin_t - EDGE_S < late < end_t + EDGE_S
        return min(early, begin_t) if is_early_in else early, max(late, end_t) if is_late_in else late

    def is_found_hot(self, t: float, is_hot: bool, for_s: float) -> bool:
        """True once, when the cup has been hot for `for_s` [s]; is_hot: now, with nobody's pour to explain it."""
        if not is_hot:
            self.hot_since, self.is_hot_told = None, False
            return False
        self.hot_since = t if self.hot_since is None else self.hot_since
        if self.is_hot_told or t - self.hot_since < for_s:
            return False
        self.is_hot_told = True
        return True
