"""Keeps who has the watch, where two share a bench: taken or handed over by the mark `watch`.

1. `watch` alone takes it for whoever marked it, by the name its door knows; `watch` with a name gives it to that person
   or phone; `watch nobody` ends it.  Until somebody has it, nothing changes.
2. A watch handed to somebody is *sure* once that one gives a sign: any mark of that name.
3. Only a sure one changes who is alarmed: an alarm of priority 2 is for the holder first, and for all from its first
   repeat on.  Priority 1 is for all at once: it may be about whoever stands at the pot.  Calls are for all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from benchd.core.casting.people.hands import name_of
from benchd.core.findings import Finding, WatchHanded, WatchSure
from benchd.core.model import Mark, Subject
from benchd.errors import MarkRejected
from benchd.stored import stored

NOBODY = "nobody"
MOST_NAME = 40  # as a phone's name at pairing


def meant_by(mark: Mark) -> Mark:
    """A `watch` mark with the name it means; any other unchanged."""
    if mark.verb != "watch":
        return mark
    return replace(mark, text=(mark.text or "").strip() or name_of(mark.by))


@stored("watch-book")
@dataclass(slots=True)
class WatchBook:
    """Who has the watch ("" if nobody), since when [unix s], who had it before, and whether the holder has shown."""

    who: str = ""
    since_t: float = 0.0
    is_sure: bool = False
    was: str = ""
    _was_sure: bool = False
    _was_since_t: float = 0.0

    @property
    def first(self) -> str:
        """Whom alarms of priority 2 are for first; "" for all."""
        return self.who if self.is_sure else ""

    def take(self, mark: Mark, bench: str) -> tuple[list[Finding], str]:
        """One `watch` mark, its name filled in (`meant_by`): the findings and the answer.  Raises MarkRejected."""
        who = mark.text or ""
        if not who:
            raise MarkRejected("say who: benchd mark watch Ada; a paired phone is known by its name")
        if len(who) > MOST_NAME:
            raise MarkRejected(f"a name is at most {MOST_NAME} characters; shorten it")
        who = "" if who.casefold() == NOBODY else who
        if who.casefold() == self.who.casefold():
            return [], f"{who} has it already" if who else "nobody had it"
        is_sure = bool(who) and name_of(mark.by).casefold() == who.casefold()
        self._set(who, mark.t, is_sure, self.who)
        return [self._handed(mark.t, bench, mark.by)], self._told()

    def _set(self, who: str, since_t: float, is_sure: bool, was: str) -> None:
        self._was_sure, self._was_since_t = self.is_sure, self.since_t
        self.who, self.since_t, self.is_sure, self.was = who, since_t, is_sure, was

    def _handed(self, t: float, bench: str, by: str) -> Finding:
        return WatchHanded(t=t, subject=Subject(bench=bench), who=self.who, was=self.was, by=by, sure=self.is_sure)

    def _told(self) -> str:
        if not self.who:
            return "nobody has the watch; alarms are for all"
        has = f"{self.who} has the watch"
        return has if self.is_sure else f"{has} once a mark of {self.who}'s comes"

    def see(self, mark: Mark, bench: str) -> list[Finding]:
        """Any accepted mark: one by the holder makes a watch sure."""
        if self.is_sure or not self.who or name_of(mark.by).casefold() != self.who.casefold():
            return []
        self.is_sure = True
        return [WatchSure(t=mark.t, subject=Subject(bench=bench), who=self.who)]

    def undo(self, mark: Mark, bench: str) -> list[Finding]:
        """Give the watch back to who had it before."""
        before, since_t, was_sure = self.was, self._was_since_t, self._was_sure
        self._set(before, since_t, was_sure, self.who)
        return [self._handed(mark.t, bench, mark.by)]

    @property
    def card(self) -> dict[str, Any] | None:
        """What is shown of it; None while it was never taken."""
        if not self.who and not self.was:
            return None
        phase = "idle" if not self.who else "sure" if self.is_sure else "handed"
        return {"phase": phase, "who": self.who, "since_t": self.since_t}
