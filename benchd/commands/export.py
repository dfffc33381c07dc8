"""`benchd export`: writes a load, a time span or the whole journal as a recording, or as readings in CSV or SenML."""

from __future__ import annotations

import argparse
import asyncio
import csv
import json
import time
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any

from benchd.commands._journal import AskedJournal, add_journal, asked_journal, reckoned_from
from benchd.core.bench import ROLES, Bench
from benchd.core.bench.context import bench_from_context
from benchd.core.engine import Engine
from benchd.core.format.printed import format_number
from benchd.core.format.record import END_OF_TIME_T, from_record
from benchd.core.intake.intake import Intake
from benchd.core.model import Context, Line, RawLine, Reading
from benchd.errors import JournalError
from benchd.plugins import watcher_plan
from benchd.runtime.files.whole_file import not_written, whole_text
from benchd.runtime.history.numbered import named
from benchd.runtime.journal.age.keep import GONE, gone_from, no_longer_kept
from benchd.runtime.journal.asked import there, to_read
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.printing.terminal import Printed, Progress, Writable, complain
from benchd.runtime.recordings.day_tables import midnight_after, plain_cell, write_nights
from benchd.runtime.recordings.extract import extract, extract_load, load_span
from benchd.runtime.recordings.senml import Pack, base_name, record, resolved
from benchd.runtime.watch.recovery import EngineMaker
from benchd.settings.config_option import add_config
from benchd.settings.moment import HOW, as_written, moment

HELP = "write a load, a span or everything from the journal, as a recording, a CSV table or SenML"
LATE_S = 300.0  # after midnight: the watch has the day's last minute in the journal by then
EXAMPLE = "benchd export recording --load last -o load.jsonl"
MAKER = EngineMaker(
    lambda: Engine(watcher_plan), lambda state, standing: Engine.thaw(state, watcher_plan, standing)
)  # fmt: skip
HEADER = ("t", "utc", "channel", "role", "of", "value", "unit", "quality", "why")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument(
        "form", choices=tuple(WRITERS),
        help="a recording to replay; or readings as a table, as one SenML array, or as SenML with one record per line",
    )  # fmt: skip
    add_config(parser)
    add_journal(parser)
    parser.add_argument("--load", metavar="LOAD", help="one load with all that belongs to it: last, its number, its id")
    parser.add_argument("--since", type=as_written, metavar="T", help=f"from this time on, on the bench's clock: {HOW}")
    parser.add_argument("--until", type=as_written, metavar="T", help="up to this time")
    parser.add_argument("-o", "--output", type=Path, help="the file to write (default: standard output)")
    parser.add_argument(
        "--every", choices=("night",),
        help="csv: each night the finished day's pours, loads, parts and minutes into -o FOLDER, until stopped",
    )  # fmt: skip
    parser.add_argument("--once", action="store_true", help="with --every: write what is due now, then end")
    parser.add_argument(
        "--without-state", action="store_true",
        help="leave out what the engine knew before the load (a replay then begins as if nothing had been before it)",
    )  # fmt: skip
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.load is not None and (args.since is not None or args.until is not None):
        args.parser.error("--load says its own span: leave --since and --until out")
    asked = asked_journal(args)
    there(asked.path)
    if args.every is not None or args.once:
        return _every_night(args, asked)
    with _out(args.output) as out:
        writer = WRITERS[args.form](out)
        lines = asyncio.run(_export(asked, args, writer.write))
        writer.end()
    complain(f"{lines} {'lines' if args.form == 'recording' else 'readings'}")
    return 0


def _every_night(args: argparse.Namespace, asked: AskedJournal) -> int:
    """Write the tables of each finished day, now and then each night; one that fails is tried again the next night."""
    if args.every is None or args.form != "csv" or args.output is None:
        args.parser.error("write: export csv --every night -o FOLDER")
    if args.load is not None or args.since is not None or args.until is not None:
        args.parser.error("--every night says its own span: leave --load, --since and --until out")
    zone = asyncio.run(_zone(asked))
    while True:
        try:
            days = write_nights(asked.path, args.output, zone, time.time())
            complain(f"written to {args.output}: {', '.join(days) or 'nothing is due'}")
        except JournalError as error:
            if args.once:
                raise
            complain(f"{error}; tried again tomorrow")
        if args.once:
            return 0
        time.sleep(max(1.0, midnight_after(time.time(), zone) + LATE_S - time.time()))


async def _zone(asked: AskedJournal) -> tzinfo:
    async with to_read(asked.path) as journal:
        return (await asked.bench_and_zone(journal))[1]


@contextmanager
def _out(path: Path | None) -> Iterator[Writable]:
    """Standard output, or a file that has its name once it is whole."""
    if path is None:
        yield Printed()
        return
    try:
        with whole_text(path) as file:
            yield file
    except OSError as error:
        raise JournalError(not_written(path, error)) from error


async def _export(asked: AskedJournal, args: argparse.Namespace, write: Callable[[str], int]) -> int:
    async with to_read(asked.path) as journal:
        count = 0
        with Progress() as progress:
            async for line in await _lines(journal, asked, args):
                count += write(line)
                progress.show(f"{count} written")
        return count


async def _lines(journal: Journal, asked: AskedJournal, args: argparse.Namespace) -> AsyncIterator[str]:
    book = Logbook(journal)
    bench, zone = await asked.bench_and_zone(journal)
    if args.load is not None:
        load = await named(journal, bench, "load", args.load)
        carries = args.form == "recording" and not args.without_state
        if said := no_longer_kept(gone_from(await book.meta(GONE)), (await load_span(book, load))[0]):
            complain(said)
        if carries:
            complain("going through what was before it, so that it replays the same")
        return extract_load(book, load, MAKER if carries else None)
    now_t = await reckoned_from(journal, (args.since, args.until), zone)
    since_t = 0.0 if args.since is None else moment(args.since, zone, now_t)
    return extract(book, since_t, END_OF_TIME_T if args.until is None else moment(args.until, zone, now_t))


class Recording:
    """Writes the lines unchanged."""

    def __init__(self, out: Writable) -> None:
        self._out = out

    def write(self, line: str) -> int:
        self._out.write(line + "\n")
        return 1

    def end(self) -> None:
        """Do nothing: a recording needs no end."""


class Readings(ABC):
    """The readings in a recording's lines, in the core's units; subclasses write them."""

    def __init__(self, out: Writable) -> None:
        self._out = out
        self._intake = Intake()
        self._is_headed = False

    def write(self, line: str) -> int:
        """Read one line of the recording; returns how many readings it wrote."""
        if not self._is_headed:
            self._is_headed = True  # the recording's own heading
            return 0
        item = from_record(json.loads(line))
        if isinstance(item, Context):
            bench = bench_from_context(item)
            self._intake.configure(bench)
            self.begin(bench)
        if not isinstance(item, Line | RawLine):
            return 0
        readings, _, _ = self._intake.take(item)
        return sum(self.add(reading) for reading in readings)

    @abstractmethod
    def begin(self, bench: Bench) -> None:
        """Take the bench to which the following readings belong."""

    @abstractmethod
    def add(self, reading: Reading) -> bool:
        """Write one reading; False when there was nothing to write."""

    @abstractmethod
    def end(self) -> None:
        """Write whatever ends the output."""


class LongTable(Readings):
    """Writes the readings as a long table."""

    def __init__(self, out: Writable) -> None:
        super().__init__(out)
        self._writer = csv.writer(out, lineterminator="\n")
        self._writer.writerow(HEADER)

    def begin(self, bench: Bench) -> None:
        """Do nothing: a table does not name its bench."""

    def add(self, reading: Reading) -> bool:
        self._writer.writerow(row(reading))
        return True

    def end(self) -> None:
        """Do nothing: a table needs no end."""


class SenmlLines(Readings):
    """Writes the readings as SenML, one resolved record per line."""

    base = ""

    def begin(self, bench: Bench) -> None:
        self.base = base_name(bench.shop, bench.id)

    def add(self, reading: Reading) -> bool:
        made = record(reading, ROLES[reading.role])
        if made is not None:
            self._out.write(self.text(made))
        return made is not None

    def text(self, made: dict[str, Any]) -> str:
        """One record as text."""
        return resolved(self.base, made)

    def end(self) -> None:
        """Do nothing: lines need no end."""


class Senml(SenmlLines):
    """Writes the readings as one SenML array."""

    _pack: Pack | None = None

    def text(self, made: dict[str, Any]) -> str:
        self._pack = self._pack or Pack(self.base)
        return self._pack.add(made)

    def end(self) -> None:
        self._out.write((self._pack or Pack("")).end())


WRITERS: dict[str, Callable[[Writable], Recording | Readings]] = {
    "recording": Recording, "csv": LongTable, "senml": Senml, "senml-lines": SenmlLines,
}  # fmt: skip


def row(reading: Reading) -> tuple[Any, ...]:
    """One reading's cells; text that a spreadsheet would run as a formula is made harmless."""
    utc = datetime.fromtimestamp(reading.t, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    value = "" if reading.value is None else format_number("value", reading.value)
    texts = (reading.channel, reading.role, reading.of)
    cells = (*map(plain_cell, texts), value, ROLES[reading.role], reading.quality.value, plain_cell(reading.why))
    return (f"{reading.t:.3f}", utc, *cells)
