"""The invented studio's whole day as a journal: what reports are drawn from in these tests."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from recordings import day

from benchd.core.engine import Engine
from benchd.core.findings import Effect, Finding
from benchd.core.model import Alert, MarkAnswer, Utterance
from benchd.plugins import watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes


def write_day(path: Path) -> list[Effect]:
    """Step the three recorded loads through one engine and write what a daemon would have written; all effects."""
    writes, engine, number, found = Writes(), Engine(watcher_plan), 0, list[Effect]()
    for seq, item in enumerate(day.inputs(), 1):
        writes.add_input(seq, item)
        effects = engine.step(item)
        found += effects
        for effect in effects:
            if isinstance(effect, Finding | Alert | Utterance | MarkAnswer):
                number += 1
                writes.add_effect(number, seq, effect)

    async def save() -> None:
        async with Journal(path) as journal:
            await journal.write(writes)

    asyncio.run(save())
    return found


if __name__ == "__main__":
    write_day(Path(sys.argv[1]))
