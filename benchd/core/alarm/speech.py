"""The voice: decides what is said next, and when.  There is one, so that utterances never overlap.

Priority 1 interrupts at once; otherwise one utterance per 8 s.  P1 repeats until heard: every 10 s for two minutes,
every 30 s up to ten, then every 2 min; from two minutes on it also says how long it has lasted ("For six minutes."):
nobody does sums with the time of day in a mask.  P2 repeats after 60 s and then every 3 min; a phrase with `times` is
repeated quickly only that often, then every 3 min.  Calls (P3) are said once and dropped when they expire.  Between mix
and pressure only P1 and the phrases marked `mid_pour` are said, at any hour.  Quiet hours: P1, and P2 while a load is
closed or a cup was just mixed.  Calls that share a `merge` key and fall within 30 s are said as one.  Answers to the
caster's marks (repeat, may I leave, a refused press) are given at once.  A `patient` call that another cup's pour
hushes does not grow stale meanwhile, for ten minutes at most.  All times: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from benchd.core.alarm.alerts import Alarm, AlertBook
from benchd.core.alarm.phrases import Phrase, TextOf
from benchd.core.findings import DemoldReady, Finding, PrepDue
from benchd.core.model import Mark, Subject, Utterance
from benchd.core.units import number_words
from benchd.stored import stored

SPACING_S = 8.0
URGENT_SPACING_S = 4.0
P1_REPEATS = ((120.0, 10.0), (600.0, 30.0), (math.inf, 120.0))
"""(until so long unheard [s], repeated every [s])."""
SINCE_S = 120.0
BACK_S = 30.0  # one that was over for a moment and is back is not left unsaid for longer
P2_FIRST_REPEAT_S = 60.0
SLOW_REPEAT_S = 180.0
P1_STALE_S = 10.0
STALE_S = 30.0
MERGE_S = 30.0
PATIENT_S = 600.0
NEWEST = ("watch-yours",)
"""Calls that a later one of their code makes untrue."""
NEXT_LOAD = 9  # the rank of calls about what comes next: the air, the molds
LONGEST = 60  # characters; a repeat's "For two minutes." and the name of one of several pots come on top


@stored("call")
@dataclass(slots=True)
class Call:
    """A call waiting to be said: since when, and when it expires."""

    phrase: Phrase
    finding: Finding
    due_t: float
    stale_t: float


@dataclass(frozen=True, slots=True)
class Hush:
    """The conditions that keep the voice quiet now, and who has the watch."""

    mid_pour: bool
    quiet_hours: bool
    attended: bool
    first: str = ""
    """Whom alarms of priority 2 are for at their first saying (core/casting/watch.py); "" for all."""
    steps: tuple[str, ...] = ()
    """The steps before the next mix that are said and not done."""

    def allows(self, phrase: Phrase) -> bool:
        """Whether a phrase may be said now."""
        if phrase.priority == 1:
            return True
        if self.mid_pour:  # the caster is pouring, at whatever hour
            return phrase.mid_pour
        return not self.quiet_hours or (phrase.priority == 2 and self.attended)


@stored("voice")
@dataclass(slots=True)
class Voice:
    """The queue of calls and the times of repeats."""

    calls: list[Call] = field(default_factory=list)
    last: Utterance | None = None
    _last_t: float = -1e12
    _last_priority: int = 9

    def expect(self, phrase: Phrase, finding: Finding, t: float) -> None:
        """Queue a call.  One with a merge key waits for others within 30 s; of those in NEWEST only the last is due."""
        self.calls = [c for c in self.calls if phrase.code not in NEWEST or c.phrase.code != phrase.code]
        wait_s = MERGE_S if phrase.merge and not phrase.calm else 0.0  # steps of one minute come together
        self.calls.append(Call(phrase, finding, t + wait_s, t + wait_s + phrase.stale_s))

    def forget(self, mark: Mark) -> None:
        """Drop what was yet to be said of a part that is out."""
        if mark.verb == "demolded":
            self.calls = [c for c in self.calls if not _is_about(c.finding, mark.mold)]

    def speak(self, t: float, book: AlertBook, hush: Hush, text_of: TextOf) -> list[Utterance]:
        """The one utterance that is due now, if any."""
        self._age(t, book, hush)
        alarm = next((a for a in book.speaking() if hush.allows(a.phrase) and self._is_due(a, t)), None)
        if alarm is not None and (alarm.phrase.priority == 1 or self._is_free(t)):
            to = hush.first if alarm.phrase.priority == 2 and not alarm.said_since_heard else ""
            alarm.said, alarm.said_t, alarm.said_since_heard = alarm.said + 1, t, True
            said = self._say(t, alarm.phrase, [alarm.condition], text_of, _lasting(alarm, t))
            return [replace(said, to=to)]
        if not self._is_free(t):
            return []
        ready = [c for c in self.calls if c.due_t <= t and hush.allows(c.phrase) and not _is_behind(c, book)]
        ready = [c for c in ready if not self._can_wait(c) and (not c.phrase.calm or _is_calm(book))]
        if not ready:
            return []
        first = min(ready, key=lambda c: (c.phrase.priority, not c.phrase.mid_pour, c.phrase.rank, c.due_t))
        together = (
            [first] if not first.phrase.merge else [c for c in self.calls if c.phrase.merge == first.phrase.merge]
        )
        self.calls = [c for c in self.calls if all(c is not d for d in together)]
        return [self._say(t, first.phrase, [c.finding for c in together], text_of)]

    def _age(self, t: float, book: AlertBook, hush: Hush) -> None:
        """Drop the calls that are stale; a patient one that a pour or a more urgent alarm holds back is not."""
        for call in self.calls:
            held = (hush.mid_pour and not hush.allows(call.phrase)) or _is_behind(call, book) or self._can_wait(call)
            held = held or (call.phrase.calm and not _is_calm(book))
            if held and call.phrase.patient and t - call.due_t < PATIENT_S:
                call.stale_t = max(call.stale_t, t + STALE_S)
        self.calls = [c for c in self.calls if c.stale_t > t and _still_holds(c.finding, hush)]

    def _can_wait(self, call: Call) -> bool:
        """Whether a call about the next load stands back for one about this load, also for one that is merging yet."""
        return call.phrase.rank >= NEXT_LOAD and any(c.phrase.rank < NEXT_LOAD for c in self.calls)

    def again(self, t: float) -> list[Utterance]:
        """Repeat the last utterance, if there was one."""
        if self.last is None:
            return []
        self._last_t = t
        return [replace(self.last, t=t, say_until=t + STALE_S)]

    def reply(self, t: float, say: str, subject: Subject) -> list[Utterance]:
        """Answer the caster's mark: at once, at any hour, and without affecting `again`."""
        self._last_t, self._last_priority = t, 3
        return [
            Utterance(
                t=t, say=say, priority=3, tone="chime", say_until=t + STALE_S, subject=subject, code="answer",
            )
        ]  # fmt: skip

    def _is_free(self, t: float) -> bool:
        return t - self._last_t >= SPACING_S

    def _is_due(self, alarm: Alarm, t: float) -> bool:
        if not alarm.said_since_heard:
            recent = self._last_priority == 1 and t - self._last_t < URGENT_SPACING_S
            return not recent
        return t - alarm.said_t >= _repeat_s(alarm)

    def _say(
        self, t: float, phrase: Phrase, findings: Sequence[Finding], text_of: TextOf, lasting: str = ""
    ) -> Utterance:
        stale_s = P1_STALE_S if phrase.priority == 1 else STALE_S
        said = Utterance(
            t=t, say=text_of(phrase, findings) + lasting, priority=phrase.priority, tone=phrase.sound,
            say_until=t + stale_s, subject=findings[0].subject, code=phrase.code,
        )  # fmt: skip
        self.last, self._last_t, self._last_priority = said, t, phrase.priority
        return said


def _is_behind(call: Call, book: AlertBook) -> bool:
    """Whether an alarm stands that has to be over before this call is said."""
    return book.comes_before(call.phrase, call.finding.subject) is not None


def _repeat_s(alarm: Alarm) -> float:
    if alarm.phrase.times and alarm.said >= alarm.phrase.times:
        return SLOW_REPEAT_S
    if alarm.phrase.priority == 1:
        usual_s = next(every_s for until_s, every_s in P1_REPEATS if alarm.said_t - alarm.unheard_t < until_s)
        return min(usual_s, BACK_S) if alarm.back_t > alarm.said_t else usual_s
    return P2_FIRST_REPEAT_S if alarm.said == 1 else SLOW_REPEAT_S


def _lasting(alarm: Alarm, t: float) -> str:
    """How long a repeated P1 has lasted (" For six minutes."), "" for the first two minutes and at its first saying."""
    lasted_s = t - alarm.since_t
    if alarm.phrase.priority > 1 or not alarm.phrase.says_for or alarm.said < 2 or lasted_s < SINCE_S:
        return ""
    return f" For {lasting_words(lasted_s)}."


def lasting_words(seconds: float) -> str:
    """A time of two minutes or more in words, rounded down: to a minute, from ten on to ten, then "over an hour".

    >>> [lasting_words(s) for s in (130.0, 1500.0, 4000.0)]
    ['two minutes', 'twenty minutes', 'over an hour']
    """
    minutes = int(seconds // 60)
    if minutes >= 60:
        return "over an hour"
    return f"{number_words(minutes if minutes < 10 else minutes // 10 * 10)} minutes"


def _is_calm(book: AlertBook) -> bool:
    """Whether no alarm stands that somebody has to see to: one of priority 1, heard or not, or an unheard one of 2."""
    return book.is_quiet and not any(a.active and a.phrase.priority == 1 for a in book.alarms.values())


def _still_holds(finding: Finding, hush: Hush) -> bool:
    """Whether a call is still true: a step that is done, or of a load that is mixed or changed, is not."""
    return not isinstance(finding, PrepDue) or finding.step in hush.steps


def _is_about(finding: Finding, mold: str | None) -> bool:
    return isinstance(finding, DemoldReady) and finding.mold == mold
