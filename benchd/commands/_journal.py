"""The journal that a command reads, with the bench and the zone its lines are shown in: one way for all commands."""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from benchd.core.bench import Bench
from benchd.core.bench.local_day import DAY_S
from benchd.errors import SettingsError
from benchd.plugins import load_settings
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.printing.bench_zone import BenchZone
from benchd.runtime.printing.terminal import complain
from benchd.settings import Loaded
from benchd.settings.moment import is_relative


def add_journal(parser: argparse.ArgumentParser) -> None:
    """The option that names a journal's file."""
    parser.add_argument("--journal", type=Path, help="the journal's file itself")


@dataclass(frozen=True, slots=True)
class AskedJournal:
    """A journal's path, and the settings it is read with; None: those it holds itself."""

    path: Path
    loaded: Loaded | None

    async def bench_and_zone(self, journal: Journal) -> tuple[Bench, tzinfo]:
        """The bench, for its units and names, and its zone: from the settings, else as the journal knew them last."""
        if self.loaded is not None:
            return self.loaded.bench, ZoneInfo(self.loaded.timezone)
        book = Logbook(journal)
        bench = await book.bench_at(await book.last_t(), Bench(id="bench", shop="", name="Bench"))
        return bench, BenchZone(bench)


def asked_journal(args: argparse.Namespace) -> AskedJournal:
    """From --config and --journal; a --journal has its own settings unless -c names others.  Raises SettingsError."""
    if args.journal is not None and not args.is_bench_named:
        return AskedJournal(args.journal, None)
    try:
        loaded = load_settings(args.config)
    except SettingsError:
        if args.journal is None:
            raise
        return AskedJournal(args.journal, None)
    return AskedJournal(args.journal or loaded.journal_path, loaded)


async def reckoned_from(journal: Journal, written: Iterable[str | None], zone: tzinfo) -> float:
    """The time that "2 h ago" and "09:40" count from [unix s]: now, or where a journal of another day ends.

    The second is said on standard error: a kept demo, or a backup, is looked at by its own days.
    """
    last_t, now_t = await Logbook(journal).last_t(), time.time()
    if last_t == 0.0 or last_t > now_t - DAY_S:
        return max(now_t, last_t)
    if any(text is not None and is_relative(text) for text in written):
        complain(f"the journal ends {shown_time(last_t, zone)}; times count from there")
    return last_t


def shown_time(t: float, zone: tzinfo) -> str:
    """A date and time on the bench's clock."""
    return f"{datetime.fromtimestamp(t, zone):%Y-%m-%d %H:%M}"
