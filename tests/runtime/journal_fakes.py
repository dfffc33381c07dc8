"""A small deterministic engine, and a watch built around it, for the tests of the shell."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from of_kind import as_kind

from benchd.core.findings import BenchNotice, Effect, KickForecast, PourEnded, PourStarted
from benchd.core.format.record import from_record
from benchd.core.model import (
    Alert,
    Card,
    Context,
    Gap,
    Input,
    Line,
    Mark,
    MarkAnswer,
    News,
    Reading,
    Status,
    Subject,
    Utterance,
)
from benchd.core.model.learned import Learned
from benchd.runtime.bulletin import Bulletin, Subscription
from benchd.runtime.contracts import Health, OutboxRow
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.outbox import JournalOutbox
from benchd.runtime.journal.packed_lines import unpack
from benchd.runtime.journal.rows import Statement
from benchd.runtime.watch.mailbox import Mailbox
from benchd.runtime.watch.pipeline import Pipeline
from benchd.runtime.watch.recovery import EngineMaker, Recovered
from benchd.runtime.watch.saver import Timing

T0 = 1_767_607_331.0
BENCH = Subject(bench="north")
POT = Subject(bench="north", pot="barrel")


class FakeEngine:
    """Words in a line's text say what follows: "p1", "p3", "say", "find", "boom"; a number is a reading.

    A finding also comes of every 60th tick, so that lost or repeated ticks show.
    """

    def __init__(self) -> None:
        self.now = 0.0
        self.told = 0
        self.lines = 0
        self.gaps: list[list[float | str | int]] = []
        self.ticks = 0
        self.pours: list[str] = []
        self.active = False

    @property
    def is_busy(self) -> bool:
        return bool(self.pours)

    @property
    def is_pouring(self) -> bool:
        return self.is_busy

    def step(self, item: Input) -> list[Effect]:
        effects = [] if isinstance(item, Gap) or not self.now else self._ticks(item.t)
        self.now = max(self.now, item.t)
        return self._counted(effects + self._take(item))

    def advance(self, t: float) -> list[Effect]:
        return self._counted(self._ticks(t)) if t > self.now > 0 else []

    def _counted(self, effects: list[Effect]) -> list[Effect]:
        self.told += sum(not isinstance(e, Reading | Card) for e in effects)
        return effects

    def _ticks(self, t: float) -> list[Effect]:
        out: list[Effect] = []
        for second in range(math.floor(self.now) + 1, math.floor(t) + 1):
            self.ticks += 1
            if self.ticks % 60 == 0:
                out.append(BenchNotice(t=float(second), subject=BENCH, what="lines", why=f"tick {self.ticks}"))
        self.now = max(self.now, t)
        return out

    def _take(self, item: Input) -> list[Effect]:
        t = self.now
        match item:
            case Line():
                self.lines += 1
                return self._line(t, item.line)
            case Mark(verb="mix"):
                pour = f"cup-1-{int(t)}"
                self.pours.append(pour)
                subject = Subject(bench="north", cup="cup-1", pour=pour)
                number = len(self.pours)
                started = PourStarted(t=t, subject=subject, mix_t=t, lot=None, molds=(), inferred=False, number=number)
                return [MarkAnswer(t=t, id=item.id, verb="mix", ok=True, why=""), started]
            case Mark(verb="end") if self.pours:
                subject = Subject(bench="north", cup="cup-1", pour=self.pours.pop())
                answer = MarkAnswer(t=t, id=item.id, verb="end", ok=True, why="")
                return [answer, PourEnded(t=t, subject=subject, why="marked")]
            case Mark():
                return [MarkAnswer(t=t, id=item.id, verb=item.verb, ok=True, why="")]
            case Status():
                return [BenchNotice(t=t, subject=BENCH, what="source", why=item.why, active=not item.up)]
            case News():
                return [BenchNotice(t=t, subject=BENCH, what=item.what, why=item.why, active=item.active)]
            case Gap():
                self.gaps.append([item.t, item.since, item.why, item.lost])
                return [BenchNotice(t=t, subject=BENCH, what="gap", why=item.why, count=item.lost)]
        return []

    def _line(self, t: float, text: str) -> list[Effect]:
        word = text.split(" ")[0]
        if word in ("p1", "p3"):
            self.active = not self.active
            code = "pot-over-relief" if word == "p1" else "room-damp"
            return [
                Alert(t=t, alert=code, active=self.active, heard=False, priority=int(word[1]), subject=POT, text=text)
            ]
        if word == "say":
            return [Utterance(t=t, say=text, priority=2, tone="two", say_until=t + 20.0, subject=POT, code="lid-now")]
        if word == "find":
            cup = Subject(bench="north", cup="cup-1")
            return [
                KickForecast(t=t, subject=cup, at=t + 9, early=t, late=t + 20, confidence="low", basis="label"),
                Card(t=t, of="pour", id="cup-1", body={"lines": self.lines}),
            ]
        if word == "boom":
            raise RuntimeError("boom")
        value = float(word) if word.replace(".", "", 1).isdigit() else None
        return [Reading(t, "cup-1-temperature", "cup_temperature", "cup-1", value, value)]

    def freeze(self) -> bytes:
        return json.dumps(self.__dict__).encode()

    @classmethod
    def thaw(cls, blob: bytes, standing: Sequence[object] = ()) -> FakeEngine:
        engine = cls()
        engine.__dict__.update(json.loads(blob))
        return engine


MAKER = EngineMaker(FakeEngine, FakeEngine.thaw)
QUICK = Timing(
    pouring_commit_s=0.02,
    busy_commit_s=0.02,
    idle_commit_s=0.05,
    early_s=0.1,
    stuck_s=10.0,
    retry_s=0.03,
    retry_most_s=0.1,
)
"""A commit may take long on a busy machine: called hung after 0.3 s it put its news among the inputs a test counts."""
HASTY = replace(QUICK, stuck_s=0.3)


def alarm_rule(effect: Effect) -> OutboxRow | None:
    """What a broker outlet would ask for: every alert transition arrives."""
    if not isinstance(effect, Alert):
        return None
    return OutboxRow(f"alert/{effect.alert}", effect.text, effect.priority, effect.alert, effect.t)


class Watch:
    """One running watch over a journal at `path`; bench time is moved by hand (`t`)."""

    def __init__(
        self,
        path: Path,
        timing: Timing = QUICK,
        maker: EngineMaker = MAKER,
        t: float = T0,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.t = t
        self.mailbox, self.bulletin, self.health = Mailbox(), Bulletin(), Health()
        self.journal = Journal(path, busy_s=0.05)
        self.outbox = JournalOutbox(lambda: self.t, [alarm_rule], self.health)
        self.ready = asyncio.Event()
        self.pipeline = Pipeline(
            self.mailbox, self.journal, maker, self.bulletin, self.outbox, self.health, lambda: self.t,
            timing=timing, wall=wall, on_ready=lambda found: self._on_ready(found),
        )  # fmt: skip
        self.ear: Subscription = self.bulletin.subscribe(100_000)

    def _on_ready(self, recovered: Recovered) -> None:
        self.recovered = recovered
        self.state_at_start = json.loads(recovered.engine.freeze())
        self.ready.set()

    @property
    def engine(self) -> FakeEngine:
        return as_kind(FakeEngine, self.recovered.engine)

    def line(self, text: str, dt: float = 0.5) -> None:
        self.t += dt
        self.mailbox.put(Line(self.t, "board", text))

    def mark(self, verb: str, dt: float = 0.5) -> None:
        self.t += dt
        self.mailbox.put(Mark(t=self.t, verb=verb, id=f"{verb}-{self.t}"))

    def heard(self) -> list[tuple[Effect, int, bool]]:
        """Events told since last asked: (effect, number, unsaved); alarms that stood before have no number."""
        told = [(p.effect, p.id, p.unsaved) for p in self.ear._events if p.id]
        self.ear._events.clear()
        return told


def settled(watch: Watch, seq: int) -> Callable[[], bool]:
    """Everything up to input `seq` stepped and committed."""
    saver = watch.pipeline.saver
    return lambda: watch.pipeline.seq >= seq and not saver._next.writes and not saver._flight.writes


def inputs_kept(path: Path) -> list[tuple[int, Input]]:
    """The inputs a journal holds, with their numbers, read beside whoever writes it."""
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        rows = [
            (seq, from_record(json.loads(body))) for seq, body in db.execute("SELECT seq, body FROM inputs") if body
        ]
        rows += [row for (body,) in db.execute("SELECT body FROM bundles WHERE count > 0") for row in unpack(body)]
    return sorted(rows, key=lambda row: row[0])


def query(path: Path, sql: str) -> list[tuple[Any, ...]]:
    """What a journal holds, read beside whoever writes it."""
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return db.execute(sql).fetchall()


async def until(condition: Callable[[], object], at_most_s: float = 30.0) -> None:
    """Wait for a condition; an AssertionError if it never comes."""
    end_s = time.monotonic() + at_most_s
    while not condition():
        assert time.monotonic() < end_s, "it never came"
        await asyncio.sleep(0.005)


@asynccontextmanager
async def watching(watch: Watch, *, clean: bool = True) -> AsyncIterator[Watch]:
    """Run the watch; on leaving, end it in order (`clean`) or as a crash would leave it (nothing more is saved)."""
    async with asyncio.TaskGroup() as group:
        task = group.create_task(watch.pipeline.run())
        await watch.ready.wait()
        try:
            yield watch
        finally:
            if clean:
                watch.mailbox.close()
                await task
                await watch.journal.close(is_clean=True)
            else:
                await _crash(watch, task)


async def _crash(watch: Watch, task: asyncio.Task[None]) -> None:
    """As kill -9: the connection goes, whatever was only in memory is lost."""
    watch.pipeline.saver.timing = Timing(last_commit_s=0.0)
    if watch.journal._db is not None:
        await watch.journal._drop()

    async def refuse(statements: Sequence[Statement]) -> None:
        raise asyncio.CancelledError

    watch.journal.commit = refuse  # type: ignore[method-assign]
    task.cancel()
    await asyncio.wait([task])
    watch.journal._writer.release()  # as the kernel does
    if watch.journal._db is not None:  # a commit under way had opened it anew: its thread would outlive the tests
        await watch.journal._drop()


def context(t: float = T0, hash: str = "h1") -> Context:
    return Context(t, {"id": "north", "shop": "shed", "name": "North"}, {}, {}, Learned(), ((0.0, 3600.0),), "0", hash)
