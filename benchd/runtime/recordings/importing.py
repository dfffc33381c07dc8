"""Imports a recording into a journal, so that reports and lessons include its loads.

It is stepped by an engine of its own, and its inputs are saved with all resulting effects, as if the bench had been
watched just then.  A journal is in order of time: a recording must be later than everything in the journal, or go into
a journal of its own.  The import is one transaction: complete or not at all.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path

from benchd.core.findings import Finding
from benchd.core.format.record import to_json
from benchd.core.model import Alert, Context, Input, MarkAnswer, Standing, Utterance
from benchd.errors import JournalError
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Reached, Writes
from benchd.runtime.watch.stepping import EngineLike

Shown = Callable[[list[Input]], Iterable[Input]]
"""Passes inputs on, and shows somebody how far they are."""


@dataclass(frozen=True, slots=True)
class TakenIn:
    """The result: numbers of inputs and effects, and the first and last time [unix s]."""

    inputs: int
    effects: int
    first_t: float
    last_t: float


async def take_in(path: Path, items: Iterable[Input], engine: EngineLike, shown: Shown = iter) -> TakenIn:
    """Add a recording's inputs, and the effects `engine` derives from them, to the journal at `path`, made if need be.

    engine: a new one, or one that continues from the state in the recording.  shown: follows them.

    Raises JournalError, saying why and what to do, when the recording is in the journal already, overlaps its time, is
    of another bench, or when a daemon has the journal open (JournalInUse); nothing is written then.
    """
    given = list(items)
    if not given or not isinstance(given[0], Context):
        raise JournalError("the recording does not begin with its context: export it with `benchd export recording`")
    first_t, last_t = given[0].t, max(item.t for item in given)
    journal = Journal(path)
    journal.claim()  # before reading it: its content must not change until the recording is in it
    try:
        if await asyncio.to_thread(path.exists):
            await _refuse_unfit(path, given)
        await journal.open()
        effects = await _add(journal, given, engine, shown)
    except BaseException:  # also Ctrl-C: not closed as clean
        await journal.close()
        raise
    await journal.close(is_clean=True)
    return TakenIn(len(given), effects, first_t, last_t)


async def _add(journal: Journal, given: list[Input], engine: EngineLike, shown: Shown) -> int:
    """Write everything in one transaction; returns the number of effects."""
    book = Logbook(journal)
    writes = await asyncio.to_thread(
        _written, given, shown, engine, await book.last_seq(), await book.last_number()
    )  # fmt: skip
    stale = ("DELETE FROM checkpoints", [()])  # they describe the time before it
    await journal.commit([*writes.statements(), stale])
    return len(writes.effects)


def with_head(items: Iterable[Input]) -> tuple[list[Standing], Iterator[Input]]:
    """(the context, sheet and section tables at the beginning of a recording, all of its items)."""
    rest, head = iter(items), list[Standing]()
    for item in rest:
        if not isinstance(item, Standing):
            return head, chain(head, [item], rest)
        head.append(item)
    return head, iter(head)


def after_head(items: Iterable[Input], engine: EngineLike) -> Iterator[Input]:
    """The items, without the initial context, sheet and tables if the engine continues from a state that had them."""
    is_head = engine.now > 0.0
    for item in items:
        is_head = is_head and isinstance(item, Standing)
        if not is_head:
            yield item


def _written(items: list[Input], shown: Shown, engine: EngineLike, seq: int, number: int) -> Writes:
    writes, known = Writes(), len(items) - sum(1 for _ in after_head(items, engine))
    for n, item in enumerate(shown(items)):
        seq += 1
        writes.add_input(seq, item)
        for effect in engine.step(item) if n >= known else ():
            if isinstance(effect, Finding | Alert | Utterance | MarkAnswer):
                number += 1
                writes.add_effect(number, seq, effect)
    writes.reached = Reached(seq, engine.now, number)
    return writes


async def _refuse_unfit(path: Path, given: list[Input]) -> None:
    own = "or take it into a journal of its own: --journal NEW.db"
    async with Journal(path, read_only=True) as journal:
        book = Logbook(journal)
        if await book.meta("closed") == "0":
            raise JournalError(
                f"{path}: is open in a running benchd, or was not closed: stop `benchd run` first, {own}"
            )
        bench, mine = await _bench_of(book), _bench(given[0])
        if bench and mine != bench:
            raise JournalError(f"{path}: holds bench {bench!r}, the recording is of {mine!r}: {own[3:]}")
        last_t, first_t = await book.last_t(), given[0].t
        if first_t >= last_t:
            return
        if await _is_there(book, given):
            raise JournalError(f"{path}: holds this recording already ({_day(first_t)}): nothing to do")
        raise JournalError(
            f"{path}: reaches to {_day(last_t)}, the recording begins {_day(first_t)}: import in order of time, {own}"
        )


async def _bench_of(book: Logbook) -> str:
    standing = await book.standing(await book.last_seq())
    return next((_bench(item) for _, item in standing if isinstance(item, Context)), "")


def _bench(item: Input) -> str:
    return str(item.config.get("id", "")) if isinstance(item, Context) else ""


async def _is_there(book: Logbook, given: list[Input]) -> bool:
    """Whether the journal holds every input of the recording except those at its beginning (context and tables)."""
    body = [item for item in given if item.t > given[0].t]
    if not body:
        return False
    held = {_text(item) async for _, item in book.inputs_between(body[0].t, body[-1].t)}
    return all(_text(item) in held for item in body)


def _text(item: Input) -> str:
    return json.dumps(json.loads(to_json(item)), sort_keys=True)


def _day(t: float) -> str:
    return datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%d %H:%M UTC")
