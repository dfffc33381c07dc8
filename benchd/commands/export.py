"""`benchd export`: take a load, a span or everything out of the journal, as a recording or as a table of readings."""

from __future__ import annotations

import argparse
import asyncio
import csv
import json
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

from benchd.core.bench import ROLES, bench_from_context
from benchd.core.intake import Intake
from benchd.core.model import Context, Line, RawLine, Reading
from benchd.core.printed import format_number
from benchd.core.record import from_record
from benchd.errors import JournalError
from benchd.plugins import load_settings
from benchd.runtime.extract import extract, extract_load
from benchd.runtime.journal import Journal
from benchd.runtime.logbook import Logbook

HELP = "write a load, a span or everything from the journal, as a recording or as a CSV table"
EXAMPLE = "benchd export recording --load barrel-2041 -o load-1.jsonl"
HEADER = ("t", "utc", "channel", "role", "of", "value", "unit", "quality", "why")

END_OF_TIME_T = 1e11  # no recorded time lies beyond (core/record.py)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("form", choices=("recording", "csv"), help="a recording to replay, or a table of readings")
    parser.add_argument(
        "-c", "--config", type=Path, default=Path("config/bench.toml"), help="bench.toml: says where the journal lies"
    )
    parser.add_argument("--journal", type=Path, help="the journal's file itself")
    parser.add_argument("--load", metavar="ID", help="one load, with all that belongs to it")
    parser.add_argument("--since", type=moment, metavar="T", help="from here: unix seconds, or 2026-01-05T09:40 (UTC)")
    parser.add_argument("--until", type=moment, metavar="T", help="to here")
    parser.add_argument("-o", "--output", type=Path, help="the file to write (default: standard output)")
    parser.set_defaults(parser=parser)


def moment(written: str) -> float:
    """Unix seconds from unix seconds or an ISO 8601 time, UTC unless it says otherwise.  Raises ValueError."""
    try:
        return float(written)
    except ValueError:
        at = datetime.fromisoformat(written)
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()


def run(args: argparse.Namespace) -> int:
    if args.load is not None and (args.since is not None or args.until is not None):
        args.parser.error("--load says its own span: leave --since and --until out")
    path = args.journal or load_settings(args.config).journal_path
    if not path.exists():
        raise JournalError(f"{path}: no journal there; `benchd run` writes one")
    with _out(args.output) as out:
        write = Recording(out).write if args.form == "recording" else Table(out).write
        lines = asyncio.run(_export(path, args, write))
    print(f"{lines} lines", file=sys.stderr)
    return 0


@contextmanager
def _out(path: Path | None) -> Iterator[TextIO]:
    if path is None:
        yield sys.stdout
        return
    try:
        with open(path, "w", encoding="utf-8", newline="") as file:
            yield file
    except OSError as error:
        raise JournalError(f"{path}: {error.strerror or error}") from error


async def _export(path: Path, args: argparse.Namespace, write: Any) -> int:
    async with Journal(path, read_only=True) as journal:
        count = 0
        async for line in _lines(Logbook(journal), args):
            count += write(line)
        return count


def _lines(book: Logbook, args: argparse.Namespace) -> AsyncIterator[str]:
    if args.load is not None:
        return extract_load(book, args.load)
    return extract(book, args.since or 0.0, args.until if args.until is not None else END_OF_TIME_T)


class Recording:
    """The lines as they are."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def write(self, line: str) -> int:
        self._out.write(line + "\n")
        return 1


class Table:
    """The readings in the lines, in the core's units, as a long table."""

    def __init__(self, out: TextIO) -> None:
        self._writer = csv.writer(out, lineterminator="\n")
        self._writer.writerow(HEADER)
        self._intake = Intake()
        self._is_headed = False

    def write(self, line: str) -> int:
        if not self._is_headed:
            self._is_headed = True  # the recording's own heading
            return 0
        item = from_record(json.loads(line))
        if isinstance(item, Context):
            self._intake.configure(bench_from_context(item))
        if not isinstance(item, Line | RawLine):
            return 0
        readings, _, _ = self._intake.take(item)
        for reading in readings:
            self._writer.writerow(row(reading))
        return len(readings)


def row(reading: Reading) -> tuple[Any, ...]:
    """One reading's cells; text that a spreadsheet would run as a formula is made plain."""
    utc = datetime.fromtimestamp(reading.t, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    value = "" if reading.value is None else format_number("value", reading.value)
    texts = (reading.channel, reading.role, reading.of)
    cells = (*map(_plain, texts), value, ROLES[reading.role], reading.quality.value, _plain(reading.why))
    return (f"{reading.t:.3f}", utc, *cells)


def _plain(text: str) -> str:
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
