"""The pure engine: steps one input and returns everything that follows from it.

    input -> intake -> readings -> watchers -> findings -> pours and loads -> watchers -> alerts -> voice

The engine never reads a clock: before an input at t it steps one tick for every whole second up to t, but for no more
than SILENCE_MOST_S after the previous input: a longer silence is a gap, live and in a replay alike.  Its state is a
plain value: `freeze` / `thaw` are a cache of a full replay, which a test proves equal at every cut.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

from benchd.core.alarm.alerts import AlertBook
from benchd.core.alarm.heard import heard
from benchd.core.alarm.speech import Hush, Voice
from benchd.core.bench import Bench
from benchd.core.bench.context import bench_after
from benchd.core.casting.books import Books
from benchd.core.casting.desk import Desk
from benchd.core.findings import BatchWeighed, BenchNotice, CupReacting, Effect, Event, Finding, LoadOpened
from benchd.core.format.mark_form import happened, raised
from benchd.core.intake.intake import Intake
from benchd.core.kept import Kept, Parts, in_force
from benchd.core.model import (
    Alert,
    Card,
    ClockStep,
    Context,
    Gap,
    Input,
    Mark,
    MarkAnswer,
    News,
    Quality,
    Reading,
    Standing,
    Status,
    Subject,
    Table,
    Tick,
    Utterance,
)
from benchd.core.model.day import DaySheet
from benchd.core.seat.roster import Roster
from benchd.core.seat.watcher import WatcherPlan
from benchd.core.wording import Wording
from benchd.errors import MarkRejected

PlanWatchers = Callable[[Bench], Sequence[WatcherPlan]]
MOST_EVENTS = 2000  # events one input may cause before the engine calls it a loop among watchers
_UNKNOWN = Bench(id="bench", shop="", name="")
SILENCE_MOST_S = 86_400.0  # the longest waits are a sheet, 16 h, and a pour, 12 h: after a day all have ended


class Engine:
    """Steps inputs in order; `told` counts the findings, alerts, utterances and mark answers produced so far."""

    def __init__(self, plan_watchers: PlanWatchers) -> None:
        self._plan_watchers = plan_watchers
        self.told = 0
        self.books = Books(_UNKNOWN)
        self.intake, self.alerts, self.voice, self.desk = Intake(), AlertBook(), Voice(), Desk()
        self._roster, self._words = Roster(), Wording(self.books)
        self._kept: Kept | None = None

    @property
    def now(self) -> float:
        """Bench time reached [unix s]; 0 before the first input."""
        return self.books.now

    @property
    def bench(self) -> Bench:
        """The bench of the last context."""
        return self.books.bench

    @property
    def is_busy(self) -> bool:
        """Whether a pour or a load is open."""
        return self.books.is_busy

    @property
    def is_pouring(self) -> bool:
        """Whether a cup was mixed that has not kicked yet."""
        return self.books.is_pouring

    # ------------------------------------------------------------------------------------------------ the two verbs

    def step(self, item: Input) -> list[Effect]:
        """The effects of one input, after the ticks up to its time, a gap's up to its begin; `now` is the earliest."""
        item = item if item.t >= self.now else raised(item, self.now)
        watched_t = min(item.since, item.t) if isinstance(item, Gap) else item.t
        effects = self._ticks(watched_t) + self._silence(watched_t) if self.now else []
        self.books.now = self.books.input_t = item.t
        return self._counted(effects + self._take(item))

    def advance(self, t: float) -> list[Effect]:
        """The effects of time passing to t without an input."""
        return self._counted(self._ticks(t)) if t > self.now > 0.0 else []

    def _counted(self, effects: list[Effect]) -> list[Effect]:
        self.told += sum(map(is_event, effects))
        return effects

    def _ticks(self, t: float) -> list[Effect]:
        effects: list[Effect] = []
        until_t = min(t, self.books.input_t + SILENCE_MOST_S)
        for second in range(math.floor(self.now) + 1, math.floor(until_t) + 1):
            self.books.now = float(second)
            effects += self._tick(float(second))
        self.books.now = max(self.now, t)
        return effects

    def _silence(self, t: float) -> list[Effect]:
        """Report a silence so long that its end was not watched."""
        silent_s = t - self.books.input_t
        if silent_s <= SILENCE_MOST_S:
            return []
        return self._settle([self._notice("gap", f"no input: {silent_s:.0f} s", 0)])

    # ------------------------------------------------------------------------------------------------------ inputs

    def _take(self, item: Input) -> list[Effect]:
        match item:
            case Mark():
                return self._mark(item)
            case Context():
                return self._context(item)
            case Status():
                return self._status(item)
            case News():
                return self._settle([self._notice(item.what, f"{item.what}: {item.why}", 0, item.active)])
            case Gap():
                self.intake.gap(item.why)
                return self._settle([self._notice("gap", f"{item.why}: {item.t - item.since:.0f} s", item.lost)])
            case ClockStep():
                return self._settle([self._notice("clock", f"wall clock is bench time {item.offset_s:+.1f} s", 0)])
            case Table():
                return self._settle([item])
            case DaySheet():
                self.books.sheet.configure(item)
                return []
            case _:
                readings, presses, notices = self.intake.take(item)
                effects = self._settle([*readings, *notices])
                at, beside = min((r.t for r in readings), default=item.t), self.intake.beside_switch(item, presses)
                for press in presses:
                    effects += self._mark(self.desk.pressed(press, at, self.books, self.alerts.is_quiet, beside))
                return effects

    def _notice(self, what: Any, why: str, count: int, active: bool = True, source: str | None = None) -> BenchNotice:
        subject = Subject(bench=self.bench.id, source=source)
        return BenchNotice(t=self.now, subject=subject, what=what, why=why, count=count, active=active)

    def _status(self, item: Status) -> list[Effect]:
        if item.lost:
            return self._settle(self.intake.left_out(item))
        why = f"{item.source}: {item.why or ('up' if item.up else 'gone')}"
        of = item.source if item.source in dict(self.bench.sources) else None  # unknown ones are without number
        return self._settle([self._notice("source", why, 0, not item.up, of), *self.intake.status(item)])

    def _context(self, item: Context) -> list[Effect]:
        self.books.bench = bench_after(self.bench, item)
        self.intake.configure(self.bench)
        self._roster.seat(self._plan_watchers(self.bench), keep_all=self.is_busy)
        if item.day is not None and not self.is_busy:
            self.books.pours.set_day(self.books.day, item.day.pours)
            self.books.loads.set_day(self.books.day, item.day.loads)
        if item.sheet is not None:
            self.books.sheet.configure(item.sheet)
        unchecked = [source for source, crc in self.bench.sources if crc == "none"]
        if not unchecked and ("unchecked-lines", self.bench.id) not in self.alerts.alarms:
            return []
        return self._settle([self._notice("unchecked-lines", ", ".join(unchecked), len(unchecked), bool(unchecked))])

    def _mark(self, mark: Mark) -> list[Effect]:
        mark = happened(mark)
        try:
            done = self.desk.take(mark, self.books)
            acknowledged = heard(self.alerts, mark, self.now, self._words)
        except MarkRejected as refusal:
            why = str(refusal)
            refused = MarkAnswer(t=self.now, id=mark.id, verb=mark.verb, ok=False, why=why)
            return [refused, *self._reply(self._words.refusal(why))] if mark.by == "switch" else [refused]
        answer = MarkAnswer(t=self.now, id=mark.id, verb=mark.verb, ok=True, why=done.why, same_as=done.same_as)
        if done.same_as:
            return [answer]
        effects: list[Effect] = [answer, *acknowledged]
        if mark.verb == "repeat":
            effects += self.voice.again(self.now)
        self.voice.forget(done.mark)
        return effects + (self._reply(done.say) if done.say else []) + self._settle([done.mark, *done.findings])

    def _reply(self, say: str) -> list[Utterance]:
        return self.voice.reply(self.now, say, Subject(bench=self.bench.id))

    # ------------------------------------------------------------------------------------------------------ events

    def _tick(self, t: float) -> list[Effect]:
        books = self.books
        told = [*books.tick(t), *self.intake.tick(t), *self.desk.prep.tick(books)]
        effects = self._settle([*self.intake.blind(t), Tick(t), *told])
        transitions = self.alerts.review(t, books.situation, self._words)
        self._count(transitions)
        effects += [*transitions, *self._speak(t)]
        effects += books.changed_cards(t)
        return effects

    def _settle(self, events: Iterable[Event]) -> list[Effect]:
        """Show each event to every part it concerns, then the findings that follow, until there are no more."""
        queue = deque(events)
        effects: list[Effect] = []
        seen, found = -len(queue), False  # a probe proved good after a flood brings thousands at once: no loop
        while queue:
            seen += 1
            if seen > MOST_EVENTS:
                raise RuntimeError(f"more than {MOST_EVENTS} events from one input: a loop among watchers")
            event = queue.popleft()
            if isinstance(event, Finding):
                found = True
                event, more = self._place(event)
                queue.extend(more)
                effects += self._tell(event if event.t >= self.now else replace(event, t=self.now))
            elif isinstance(event, Reading):
                effects.append(event)
                if event.quality is not Quality.FAULT:
                    self.books.facts.see_reading(event)
            queue.extend(self._roster.show(event))
        return effects + self._speak(self.now) if found else effects

    def _place(self, finding: Finding) -> tuple[Finding, list[Finding]]:
        """The finding with its subject filled in, and the findings it causes in pours and loads."""
        books = self.books
        finding = replace(finding, subject=books.filled(finding.subject))
        more: list[Finding] = []
        if isinstance(finding, CupReacting):
            more += self.desk.infer(finding, books)
        more += books.loads.see(finding, books.pours, books.day)
        more += books.pours.see(finding, self.bench.id)
        if isinstance(finding, LoadOpened):
            more += self.desk.close_emptied(finding, books)
        if isinstance(finding, BatchWeighed):
            books.weighed = finding
        finding = replace(finding, subject=books.filled(finding.subject))
        books.facts.see(finding)
        return finding, more

    def _tell(self, finding: Finding) -> list[Effect]:
        transitions, calls = self.alerts.see(finding, self.books.situation, self._words)
        self._count(transitions)
        for phrase in calls:
            self.voice.expect(phrase, finding, finding.t)
        if isinstance(finding, LoadOpened):
            self.books.facts.forget_load(finding.subject.pot)
        return [finding, *transitions]

    def _count(self, transitions: Sequence[Alert]) -> None:
        for alert in transitions:
            if self.alerts.is_news(alert):
                self.books.count_alarm(alert.subject)

    def _speak(self, t: float) -> list[Effect]:
        books = self.books
        first, steps = books.watch.first, self.desk.prep.open
        hush = Hush(books.is_mid_pour(), books.is_quiet(), books.is_attended(), first, steps)
        return list(self.voice.speak(t, self.alerts, hush, self._words))

    # ----------------------------------------------------------------------------------------------- checkpoints

    def freeze(self) -> bytes:
        """The whole state as bytes, for `thaw`.  Raises StateError where something in it cannot be kept."""
        if self._kept is None or self._kept.bench is not self.bench:
            self._kept = Kept(self.bench, self._plan_watchers(self.bench))
        parts: Parts = (self.books, self.intake, self.alerts, self.voice, self.desk)
        return self._kept.pack(self.told, self._roster.dump(), parts)

    @classmethod
    def thaw(cls, blob: bytes, plan_watchers: PlanWatchers, standing: Iterable[Standing] = ()) -> Engine:
        """The engine on which `freeze` was called, with the context and the section tables in force then.

        Raises StateError when the blob does not fit this version, or that context and those tables.
        """
        engine = cls(plan_watchers)
        bench, tables = in_force(standing, _UNKNOWN)
        plans = plan_watchers(bench)
        engine._kept = Kept(bench, plans, tables)
        engine.told, seated, parts = engine._kept.unpack(blob)
        engine.books, engine.intake, engine.alerts, engine.voice, engine.desk = parts
        engine._roster.restore(plans, seated)
        engine._words = Wording(engine.books)
        return engine


def is_event(effect: Effect) -> bool:
    """Whether this effect is an event (numbered, journalled), not a state (reading, card)."""
    return not isinstance(effect, Reading | Card)
