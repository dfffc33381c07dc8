"""The journal's trouble state: what was lost meanwhile, and the news that the engine must get of it.

What happens to the journal is an input like any other: News when it fails, when it is back and when it was begun again,
and a Gap for the inputs that were stepped but not kept.  Only a successful commit ends the trouble.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

from benchd.core.model import Gap, Input, News
from benchd.runtime.contracts import Health

BEATS = 8


class Patience:
    """Calls `lost` once something has taken most_s [s] of this process's running time, unless cancelled before.

    Counted in beats: of a pause of the whole process (a starved or suspended computer) only one beat counts, since what
    is waited for stood still too and is not late for a reason of its own.
    """

    def __init__(self, most_s: float, lost: Callable[[], None]) -> None:
        self._loop, self._beat_s, self._lost, self._left = asyncio.get_running_loop(), most_s / BEATS, lost, BEATS
        self._timer = self._loop.call_later(self._beat_s, self._beat)

    def _beat(self) -> None:
        self._left -= 1
        if self._left:
            self._timer = self._loop.call_later(self._beat_s, self._beat)
        else:
            self._lost()

    def cancel(self) -> None:
        """It has come: wait no longer."""
        self._timer.cancel()


class Trouble:
    """The journal's state.  `why` is empty while all is well; `nudge` wakes the reader of the news.

    `is_told`: the engine has the trouble alert on, perhaps left by an earlier run that was killed.
    """

    def __init__(self, health: Health, nudge: Callable[[], None]) -> None:
        self.why = ""
        self.is_told = False
        self.lost = 0
        self._lost_since = 0.0
        self._news: list[News] = []
        self._health, self._nudge = health, nudge

    def __bool__(self) -> bool:
        return bool(self.why)

    def begin(self, why: str) -> None:
        """The journal cannot be written; reported once however often it is tried."""
        self._health.journal_ok, self._health.last_error = False, f"journal: {why}"
        if not self.why:
            self.why, self.is_told = why, True
            self._news.append(News(0.0, "journal", True, why))
            self._nudge()

    def end(self) -> None:
        """A commit succeeded."""
        if self.why or self.is_told:
            self.why, self.is_told = "", False
            self._health.journal_ok = True
            self._news.append(News(0.0, "journal", False, "saving again"))
            self._nudge()

    def notice(self, why: str) -> None:
        """Report something about the journal that is no trouble now: a file set aside, a start without replay."""
        self._health.last_error = why
        self._news.append(News(0.0, "journal-changed", True, why))
        self._nudge()

    def lose(self, t: float) -> None:
        """One input of time `t` is stepped but not kept."""
        self._lost_since = self._lost_since if self.lost else t
        self.lost += 1
        self._health.dropped["journal"] = self._health.dropped.get("journal", 0) + 1

    def news(self, t: float) -> list[Input]:
        """The news to step next; each is returned once."""
        fresh: list[Input] = [replace(news, t=t) for news in self._news]
        self._news.clear()
        return fresh

    def close_hole(self, t: float) -> Gap:
        """The Gap that replaces what was lost; from here on inputs are kept again."""
        gap = Gap(t, self._lost_since, "journal", self.lost)
        self.lost = 0
        return gap
