"""Keeps since when a pot's inlet has been shut, and which of the seconds since may be judged for a leak.

The seconds around the closing are the warmest and the least known.  The careful window begins some time after the
closing; an early one, from a marked closing on, serves fast leaks only and is replaced by it.  Air let in, a vent or a
gauge that reads wrong close both.  Whole minutes are counted from the closing, or from pressure while no closing is
known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchd.physics.pot_observer import PotObserver
from benchd.stored import stored
from benchd.watchers.leak.tune import Settings


@stored("shut-pot")
@dataclass(slots=True)
class ShutPot:
    """Times in unix s: the last air let in, pressure reached, the closing.

    is_marked: the caster said that it is shut; paused: during a vent or a lost gauge.
    """

    observer: PotObserver
    tune: Settings
    fill_t: float | None = None
    up_t: float | None = None
    isolated_t: float | None = None
    is_marked: bool = False
    paused: bool = False
    widen_t: float = math.inf
    count_t: float = 0.0
    minute: int = 0

    def up(self, since: float) -> None:
        """The pot is at pressure since then."""
        self.up_t = self.count_t = since
        self.observer.up()
        self.fill_t = since if self.fill_t is None else self.fill_t

    def fed_again(self, t: float) -> None:
        """The regulator feeds a fed pot: its minutes continue."""
        self.fill_t = t
        self._open(t)

    def refed(self, t: float) -> None:
        """Air came in: the inlet's state is unknown and the window begins again."""
        self.isolated_t, self.is_marked, self.count_t, self.minute = None, False, t, 0
        self._open(t)

    def _open(self, t: float) -> None:
        self.observer.fill(t)
        self.observer.window(t + self.tune.after_shut_s)

    def isolated(self, since: float, now_t: float, *, marked: bool) -> None:
        """The inlet has been shut since then, by mark or as seen."""
        self.isolated_t = self.count_t = since
        self.is_marked = marked
        self.minute = int((now_t - since) // 60.0)
        self.observer.shut(since)
        self.observer.window(since + (self.tune.early_s if marked else 0.0))
        self.widen_t = since + self.tune.early_until_s if marked else math.inf

    def disturbed(self, t: float, *, on: bool) -> None:
        """A vent, a failing seal or a false gauge begins or ends: afterwards the gas temperature is unknown."""
        self.paused, self.fill_t = on, t
        self.observer.window(math.inf)
        if not on:
            self.observer.unseen(t)
            self.observer.window(t + self.tune.after_shut_s)

    def over(self, t: float) -> None:
        """The pot is empty."""
        self.refed(t)
        self.observer.forget()
        self.up_t = self.fill_t = None
        self.paused = False

    def widen(self, t: float) -> None:
        """Replace the early window by the careful one when its time has come."""
        if t >= self.widen_t and self.isolated_t is not None:
            self.widen_t = math.inf
            self.observer.window(self.isolated_t + self.tune.after_shut_s)

    def minute_is_full(self, t: float) -> bool:
        """Whether a minute has just become full, true once each; its verdict comes five seconds before the next bin."""
        minute = int((t + 5.0 - self.count_t) // 60.0)
        whole = minute > self.minute
        self.minute = max(minute, self.minute)
        return whole

    def settled(self, t: float, settle_s: float) -> bool:
        """Whether settle_s [s] have passed since air last came in."""
        return self.fill_t is None or t - self.fill_t >= settle_s
