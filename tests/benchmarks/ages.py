"""Long lives: what start, reports, lesson, page, export and backup cost after 1, 3 and 5 years, by one command.

    PYTHONPATH=tests python -m benchmarks.ages FOLDER

FOLDER keeps the drawn journals (benchmarks/years.py; 130, 400 and 670 MB), so that a second run need not write them.
Costs are seconds of a core, of this process or of the daemon's or the command's own; a start's also by the clock.
Each age has beside it the plainest reader of its file: one pass through the rows with sqlite3 and json.
"""

from __future__ import annotations

import asyncio
import json
import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Coroutine
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchmarks.floors import ReadySocket, cpu_s
from benchmarks.years import END_T, ROOT, write_years
from daemon import Daemon

from benchd.core.bench import Bench
from benchd.page.book import read_book
from benchd.plugins import load_settings
from benchd.reports.index import make_report
from benchd.reports.writer import to_html, to_text
from benchd.runtime.history.teach import FillsKnown, lessons
from benchd.runtime.journal.backup import write_backup
from benchd.runtime.journal.journal import Journal

AGES = (1, 3, 5)
ASKED = (("day", "last"), ("load", "last"), ("part", "last"), ("mold", "m01"), ("lot", "r-07"), ("leaks", "barrel"),
         ("scrap", "all"), ("shopping", "now"), ("tomorrow", "next"), ("week", "last"))  # fmt: skip
MONTH_S = 30 * 86_400.0


def spent_s(work: Coroutine[Any, Any, Any]) -> float:
    """What this coroutine uses of a processor, threads and all [s]."""
    since_s = time.process_time()
    asyncio.run(work)
    return time.process_time() - since_s


async def report(path: Path, bench: Bench, kind: str, id: str) -> None:
    async with Journal(path, read_only=True) as journal:
        document = await make_report(journal, bench, kind, id, END_T)
        assert len(to_text(document) + to_html(document)) > 1000


async def lesson(path: Path, bench: Bench, fills: FillsKnown) -> None:
    async with Journal(path, read_only=True) as journal:
        assert (await lessons(journal, bench, END_T, fills)).pots


async def book(path: Path) -> None:
    async with Journal(path, read_only=True) as journal:
        assert (await read_book(journal, END_T - MONTH_S, END_T)).pours


def plain_pass_s(path: Path) -> float:
    """The floor: every finding and mark read and parsed once."""
    since_s = time.process_time()
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        rows = sum(bool(json.loads(body)) for (body,) in db.execute("SELECT body FROM effects"))
    assert rows > 1000
    return time.process_time() - since_s


class Aged(Daemon):
    """A daemon on a copy of such a journal."""

    def given(self) -> dict[str, str]:
        return super().given() | {"NOTIFY_SOCKET": str(self.folder / "notify")}

    def ready(self) -> tuple[float, float]:
        """Start it; (processor, wall) seconds until it is ready."""
        with ReadySocket(self.folder) as manager:
            since_s = time.monotonic()
            process = self.begin()
            manager.wait()
            return cpu_s(process.pid), time.monotonic() - since_s


@dataclass(frozen=True)
class Starts:
    """(processor, wall) seconds: a start after a clean stop, and one after a kill."""

    clean: tuple[float, float]
    killed: tuple[float, float]


def starts(path: Path) -> Starts:
    with tempfile.TemporaryDirectory(dir=path.parent) as name:
        daemon = Aged(Path(name), is_forked=False)
        shutil.copy(path, daemon.journal)
        try:
            daemon.ready()  # the first has no checkpoint yet
            time.sleep(75.0)  # its first sweep is a minute after the start
            assert daemon.stop() == 0
            clean = daemon.ready()
            time.sleep(2.0)
            daemon.kill()
            killed = daemon.ready()
            assert daemon.process is not None
            daemon.process.send_signal(signal.SIGTERM)
            daemon.process.wait(30)
        finally:
            daemon.close()
    return Starts(clean, killed)


def command_s(*words: str) -> float:
    """What a command uses of a processor [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "benchd", *words], check=True, cwd=ROOT, capture_output=True, env=os.environ)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def row(path: Path, years: int, bench: Bench) -> str:
    """One age's line of the table."""
    took = {kind: spent_s(report(path, bench, kind, id)) for kind, id in ASKED}
    slowest = max(took, key=lambda kind: took[kind])
    fills = FillsKnown()
    first, next_ = (spent_s(lesson(path, bench, fills)) for _ in range(2))
    with tempfile.TemporaryDirectory(dir=path.parent) as name:
        export = command_s("export", "recording", "--journal", str(path), "--load", "last", "-o", f"{name}/load.jsonl")
        since_s = time.process_time()
        write_backup(Path(name) / "bench.zip", path, {}, END_T)
        backup_s = time.process_time() - since_s
    began = starts(path)
    return (
        f"| {years} | {path.stat().st_size / 1e6:.0f} MB | {began.clean[0]:.2f} ({began.clean[1]:.1f}) | "
        f"{began.killed[0]:.2f} ({began.killed[1]:.1f}) | {took['day']:.2f} | {took['load']:.2f} | "
        f"{slowest} {took[slowest]:.2f} | {first:.2f} | {next_:.2f} | {spent_s(book(path)):.3f} | {export:.1f} | "
        f"{backup_s:.1f} | {plain_pass_s(path):.2f} |"
    )


HEAD = (
    "| years | journal | start, clean: core (clock) | after a kill | report of a day | of a load | the slowest | "
    "first lesson | each later | page's book | export of a load | backup | plain pass |\n" + "|---" * 13 + "|"
)


def main(folder: Path) -> None:
    bench = load_settings(ROOT / "config" / "bench.toml").bench
    print(HEAD)
    for years in AGES:
        path = folder / f"y{years}.db"
        if not path.exists():
            asyncio.run(write_years(path, years))
        print(row(path, years, bench), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
