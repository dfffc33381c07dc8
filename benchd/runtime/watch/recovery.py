"""Restores the engine after a start: from checkpoint and tail, by silent replay, or anew; finds what was not told.

1. The newest checkpoint that fits is thawed and the inputs after it are stepped: the same effects get the same numbers,
   so those already saved are recognised and not published again.  An alert transition, or an utterance still in time,
   that was produced but never saved is published now.
2. If no checkpoint fits (another version of benchd), the inputs since the oldest open pour or load began are stepped
   silently, starting from the context in force.
3. After three starts within five minutes that failed in the replay or through the engine's own failure (a kill from
   outside does not count), or without a readable journal, the watch starts from scratch and says so; alerts that were
   on are withdrawn, since nothing would ever end them.

All stepping happens in the engine's thread; new inputs wait in the mailbox meanwhile.
"""

from __future__ import annotations

import contextlib
import json
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from benchd.core.findings import Effect
from benchd.core.model import Alert, Card, Input, Reading, Standing, Utterance
from benchd.core.state.codec import MOST_BYTES
from benchd.errors import JournalError
from benchd.runtime.files.expand import expand
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Checkpoint, Event, Reached, Writes
from benchd.runtime.journal.seal import LEAD_S, open_since
from benchd.runtime.watch.stepping import EngineLike, Numbered, run_inputs

RESTARTS_WITHIN_S = 300.0
MOST_RESTARTS = 3
CHUNK = 500
RunInThread = Callable[..., Awaitable[Any]]
IDLE_REPLAY_S = 900.0  # with nothing open, enough for the sensors' watchers to settle


@dataclass(frozen=True, slots=True)
class EngineMaker:
    """Makes an engine: from nothing, or from what `freeze` returned with the context and section tables of that time.

    `thaw` raises when they do not fit.
    """

    fresh: Callable[[], EngineLike]
    thaw: Callable[[bytes, Sequence[Standing]], EngineLike]


@dataclass(slots=True)
class Recovered:
    """An engine ready to continue after input `seq`, with the consequences of the time it was away."""

    engine: EngineLike
    seq: int
    since_t: float
    how: str
    produced: list[Numbered] = field(default_factory=list)
    states: list[Effect] = field(default_factory=list)
    standing: list[Alert] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)


def first_number(now: float) -> int:
    """A number above any that an unreadable journal can hold (no journal grows by 1,000 a second)."""
    return int(now) * 1000


class Recovery:
    """One start of the watch; `now` is bench time, `wall_s` unix time."""

    def __init__(self, journal: Journal, maker: EngineMaker, now: Callable[[], float], wall_s: float) -> None:
        self._journal, self._maker, self._now, self._wall_s = journal, maker, now, wall_s
        self._book = Logbook(journal)

    async def recover(self, run: RunInThread) -> Recovered:
        """The engine to continue with, whatever the journal holds; `run` calls a function in the engine's thread."""
        try:
            restarts = await self._note_start()
            last_number = await self._book.last_number()
            reached = await self._book.reached() or Reached(await self._book.last_seq(), 0.0, last_number)
            if restarts >= MOST_RESTARTS:
                why = f"{restarts} failed starts within five minutes, started without replay"
                return self._noting_damage(await self._anew(reached, last_number, why))
            if self._journal.is_displaced:
                return self._blind()
            found = await self._from_checkpoint(run, reached, last_number)
            return self._noting_damage(found or await self._silently(run, reached, last_number))
        except JournalError as error:
            return self._blind(f"the journal cannot be read ({error}), started without replay")

    def _noting_damage(self, found: Recovered) -> Recovered:
        if damaged := len(self._book.unreadable):
            what = "one entry of the journal" if damaged == 1 else f"{damaged} entries of the journal"
            found.notices.append(f"{what} cannot be read, left out")
        return found

    async def _note_start(self) -> int:
        """How many starts in the last five minutes failed in replay or in the engine; this one too until it is well."""
        known = _times_in(await self._book.meta("starts"))
        starts = [s for s in known if 0 <= self._wall_s - s <= RESTARTS_WITHIN_S]
        with contextlib.suppress(JournalError):  # a full disk can still be read from
            await self._journal.write(Writes(meta={"starts": json.dumps([*starts, self._wall_s])}))
        return len(starts)

    async def note_well(self) -> None:
        """Replay is over and new inputs are stepped: this start no longer counts as failed."""
        await self._set_starts(0)

    async def note_failed(self) -> None:
        """The engine raised: the input that caused it may be in the journal now and cause it again."""
        await self._set_starts(1)

    async def _set_starts(self, own: int) -> None:
        with contextlib.suppress(JournalError):
            starts = [s for s in _times_in(await self._book.meta("starts")) if s != self._wall_s]
            await self._journal.write(Writes(meta={"starts": json.dumps(starts + [self._wall_s] * own)}))

    def _blind(self, *notices: str) -> Recovered:
        """Start with no knowledge of the past: numbers begin above any that may have been used."""
        engine = self._maker.fresh()
        engine.told = first_number(self._now())
        return Recovered(engine, engine.told, 0.0, "anew", notices=list(notices))

    async def _anew(self, reached: Reached, last_number: int, why: str) -> Recovered:
        engine = self._maker.fresh()
        number = max(reached.told, last_number)
        withdrawn = []
        for alert in await self._book.standing_alerts():
            number += 1
            text = f"{alert.text} (the watch began again)"
            off = replace(alert, t=max(self._now(), reached.t), active=False, heard=True, text=text)
            withdrawn.append(Numbered(number, reached.seq, off))
        engine.told = number
        seq = max(reached.seq, await self._book.last_seq())
        return Recovered(engine, seq, await self._book.last_t(), "anew", produced=withdrawn, notices=[why])

    async def _from_checkpoint(self, run: RunInThread, reached: Reached, last_number: int) -> Recovered | None:
        for point in await self._book.checkpoints():
            standing = [item for _, item in await self._book.standing(point.seq)]
            engine = await run(thawed, self._maker, point, standing)
            if engine is not None:
                return await self._tail(run, engine, point, reached, last_number)
        return None

    async def _tail(
        self, run: RunInThread, engine: EngineLike, point: Checkpoint, reached: Reached, last_number: int
    ) -> Recovered:
        """Step what came after the checkpoint: first the inputs known to have been stepped, then those only saved."""
        known = max(reached.told, last_number)
        out = Recovered(engine, point.seq, point.t, "checkpoint")
        await self._step_range(run, out, point.seq, max(point.seq, reached.seq), silent=True)
        await run(_advance, engine, reached.t)
        if engine.told != known:
            out.notices.append(f"the replay gave other results ({engine.told} told, {known} saved)")
            engine.told = known
        await self._step_range(run, out, out.seq, None, silent=False)
        out.since_t = max(engine.now, reached.t)
        out.standing = await self._book.standing_alerts()
        return out

    async def _step_range(
        self, run: RunInThread, out: Recovered, after: int, upto: int | None, *, silent: bool
    ) -> None:
        chunk: list[tuple[int, Input]] = []

        async def step() -> None:
            stepped = await run(run_inputs, out.engine, list(chunk))
            chunk.clear()
            out.states = newest(out.states + stepped.states)
            out.produced += [] if silent else stepped.events

        async for row in self._book.inputs(after, upto):
            chunk.append(row)
            out.seq = row[0]
            if len(chunk) >= CHUNK:
                await step()
        if chunk:
            await step()

    async def _silently(self, run: RunInThread, reached: Reached, last_number: int) -> Recovered:
        """Without a checkpoint that fits: replay from the start of the oldest open pour or load, publishing nothing."""
        last_t = await self._book.last_t()
        engine = self._maker.fresh()
        out = Recovered(engine, 0, last_t, "anew" if last_t == 0.0 else "silent")
        if last_t == 0.0:
            return out
        opened = open_since(await self._book.phases(int(await self._book.meta("sealed_number") or 0)))
        start_t = opened - LEAD_S if opened is not None else last_t - IDLE_REPLAY_S
        after = await self._book.seq_before(start_t)
        standing = [(seq, replace(item, t=start_t)) for seq, item in await self._book.standing(after)]
        await run(run_inputs, engine, standing)
        out.seq = after
        await self._step_range(run, out, after, None, silent=True)
        await run(_advance, engine, reached.t)
        engine.told = max(reached.told, last_number)
        out.standing = await self._book.standing_alerts()
        return out


def _times_in(text: str | None) -> list[float]:
    """The times in a JSON array; none where it is damaged."""
    found: object = None
    with contextlib.suppress(ValueError, RecursionError):
        found = json.loads(text or "[]")
    return [t for t in found if isinstance(t, int | float)] if isinstance(found, list) else []


def thawed(maker: EngineMaker, point: Checkpoint, standing: Sequence[Standing]) -> EngineLike | None:
    try:
        return maker.thaw(expand(point.body, MOST_BYTES, "checkpoint"), standing)
    except Exception as error:  # whatever another version's state raises, the next way to recover is tried
        logging.getLogger("benchd").info("the checkpoint at input %d is not used: %r", point.seq, error)
        return None


def _advance(engine: EngineLike, t: float) -> None:
    if t > 0.0:
        engine.advance(t)


def newest(states: Sequence[Effect]) -> list[Effect]:
    """The last of each reading and card: state, of which only the newest counts."""
    last: dict[tuple[str, str], Effect] = {}
    for effect in states:
        match effect:
            case Reading():
                last[("read", effect.channel)] = effect
            case Card():
                last[(effect.of, effect.id)] = effect
    return list(last.values())


def is_still_worth_telling(effect: Event, now: float) -> bool:
    """Whether an effect produced before the restart but never saved is to be published now."""
    return isinstance(effect, Alert) or (isinstance(effect, Utterance) and effect.say_until >= now)
