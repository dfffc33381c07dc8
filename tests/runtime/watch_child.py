"""A small watch in a process of its own, for tests that kill it or take its disk away; says what it does on stdout.

watch_child.py JOURNAL RUN [limit | short]
"""

from __future__ import annotations

import asyncio
import json
import os
import resource
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from runtime.journal_fakes import QUICK, T0, Watch, context, settled, until, watching

from benchd.core.model import Alert
from benchd.runtime.bulletin import Posted
from benchd.runtime.watch.saver import Timing


def say(*entry: object) -> None:
    os.write(1, (json.dumps(entry) + "\n").encode())


class Telling:
    """Says each word as it is told, at once."""

    def __init__(self, watch: Watch) -> None:
        self.unsaved: list[str] = []
        self._post = watch.bulletin.post
        watch.bulletin.post = self.post  # type: ignore[method-assign]

    def post(self, batch: Sequence[Posted]) -> None:
        self._post(batch)
        for posted in batch:
            if not isinstance(posted.effect, Alert) or not posted.id:
                continue  # an alarm that stood before the start is no new word
            if posted.unsaved:
                self.unsaved.append(posted.effect.text)
            else:
                say("told", posted.id, posted.effect.text)


async def go_on(watch: Watch, run: int) -> None:
    """Lines for ever; each fifth brings a word."""
    if run == 0:
        watch.mailbox.put(context())
        watch.mark("mix")
        await until(settled(watch, 2))
    engine = watch.engine
    say("ready", engine.lines, engine.is_busy)
    lines = engine.lines
    while True:
        for _ in range(5):
            lines += 1
            watch.line(str(lines), 0.1)
            say("put", lines, time.monotonic())
        lines += 1
        watch.line(f"p3 run {run} line {lines}", 0.1)
        await asyncio.sleep(0.01)


async def few(watch: Watch) -> None:
    for n in range(8):
        watch.line(f"p3 word {n}")
        await until(settled(watch, n + 1))


async def limited(watch: Watch, telling: Telling) -> None:
    """Let the file grow no more for a while."""
    watch.line("p3 before")
    await until(settled(watch, 1))
    size = os.stat(f"{watch.journal.path}-wal").st_size
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
    for n in range(20):
        watch.line(f"p3 limited {n}")
        await asyncio.sleep(0.01)
    await until(lambda: len(telling.unsaved) >= 20)
    say("limited", len(telling.unsaved), not watch.health.journal_ok)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    await until(lambda: watch.health.journal_ok)
    say("recovered")


async def main(path: Path, run: int, option: str) -> None:
    # each life starts an hour after the last, so that this is no crash loop
    watch = Watch(path, QUICK if option else Timing(), t=T0 + 3600 * run, wall=lambda: T0 + 3600 * run)
    telling = Telling(watch)
    async with watching(watch):
        if option == "limit":
            await limited(watch, telling)
        elif option == "short":
            await few(watch)
        else:
            await go_on(watch, run)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] if len(sys.argv) > 3 else ""))
