"""`benchd import`: add a recording to a journal, so that reports and `learn` include its loads.

A recording without a context is taken as one of the bench in the configuration.
"""  # noqa: N999  the command's own name, loaded by it

from __future__ import annotations

import argparse
import asyncio
from datetime import UTC, datetime
from functools import partial
from itertools import chain
from pathlib import Path

from benchd.commands.replay import begun_with, understood
from benchd.core.format.record import ReadCounts, heading_bench, read_recording
from benchd.core.model import Context, Input
from benchd.errors import BenchdError, JournalError, RecordingError
from benchd.plugins import load_settings
from benchd.runtime.printing.terminal import Progress, complain, say
from benchd.runtime.recordings.importing import take_in, with_head
from benchd.settings.config_option import add_config

HELP = "take a recording into a journal, for reports and learning; the same one only once"
EXAMPLE = "benchd import load-1.jsonl --journal elsewhere.db"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("file", type=Path, metavar="FILE", help="what `benchd export recording` wrote")
    add_config(parser)
    parser.add_argument("--journal", type=Path, help="the journal's file itself; made if it is not there")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    path = args.journal or load_settings(args.config).journal_path
    if args.journal is None:
        path.parent.mkdir(parents=True, exist_ok=True)  # where a first `benchd run` would make it
    if not path.parent.is_dir():
        raise JournalError(f"{path.parent}: no such folder; make it first")
    counts = ReadCounts()
    try:
        with open(args.file, encoding="utf-8", errors="surrogateescape") as lines:
            first = next(lines, "")
            with Progress() as progress:
                read = progress.each(read_recording(chain([first], lines), counts), "inputs read")
                items = list(understood(read))
    except OSError as error:
        remedy = "give what `benchd export recording` wrote"
        raise RecordingError(f"{args.file}: {error.strerror or error}; {remedy}") from error
    except RecordingError as error:
        raise RecordingError(f"{args.file}: {error}") from error
    if counts.bad:
        complain(f"{counts.bad} bad lines left out (first: {counts.first_bad})")
    items = _with_context(items, first, args.config)
    with Progress() as progress:
        shown = partial(progress.each, text=f"of {len(items)} inputs taken in")
        taken = asyncio.run(take_in(path, items, begun_with(first, with_head(items)[0]), shown))
    first, last = (datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%d %H:%M") for t in (taken.first_t, taken.last_t))
    say(f"{path}: {taken.inputs} inputs and {taken.effects} findings, alerts and words, {first} to {last} UTC")
    return 0


def _with_context(items: list[Input], first_line: str, config: Path) -> list[Input]:
    """The items with the configured bench's context before them if they bring none of their own."""
    if not items or any(isinstance(item, Context) for item in with_head(items)[0]):
        return items
    try:
        loaded = load_settings(config)
    except BenchdError as error:
        why = "the recording does not begin with its context"
        raise JournalError(f"{why}: name its bench's configuration with -c ({error})") from error
    told = heading_bench(first_line)
    if told not in (None, loaded.bench.id):
        raise JournalError(f"the recording is of bench {told!r}, {config} of {loaded.bench.id!r}: name its own")
    return [loaded.context(min(item.t for item in items)), *items]
