"""Decodes a stretch of the journal's lines again into readings and marks, as the engine saw them."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from benchd.core.bench import Bench
from benchd.core.bench.context import bench_from_context
from benchd.core.format.mark_form import happened
from benchd.core.intake.intake import Intake
from benchd.core.model import Context, Line, Mark, RawLine, Reading
from benchd.runtime.journal.reader import Logbook

SLICE = 200  # inputs decoded before the event loop gets a turn


async def decoded(book: Logbook, bench: Bench, since_t: float, until_t: float) -> AsyncIterator[Reading | Mark]:
    """Readings and marks with since_t <= t <= until_t [unix s], in order.

    `bench` applies where no context was in force yet.

    Yields to the event loop in between.  Raises JournalError.
    """
    intake, seen = Intake(), 0
    intake.configure(await book.bench_at(since_t, bench))
    async for _, item in book.inputs_between(since_t, until_t):
        match item:
            case Context():
                intake.configure(bench_from_context(item))
            case Mark():
                yield happened(item)
            case Line() | RawLine():
                for reading in intake.take(item)[0]:
                    yield reading
        seen += 1
        if seen % SLICE == 0:
            await asyncio.sleep(0)
