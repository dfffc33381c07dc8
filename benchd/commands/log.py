"""`benchd log`: prints the journal as lines for a person: marks, findings, alerts, utterances."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import datetime

from benchd.commands._journal import add_journal, asked_journal, reckoned_from, shown_time
from benchd.core.format.record import from_record
from benchd.core.model import Mark
from benchd.errors import DecodeError
from benchd.runtime.history.numbered import named
from benchd.runtime.journal.asked import there, to_read
from benchd.runtime.journal.effects import effect_from
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook, Told
from benchd.runtime.printing.finding_words import names_of
from benchd.runtime.printing.mark_words import mark_words
from benchd.runtime.printing.plain_lines import PlainLines, Style
from benchd.runtime.printing.terminal import complain, is_colored, say
from benchd.settings.config_option import add_config
from benchd.settings.moment import HOW, as_written, moment

HELP = "list what the journal holds: marks, findings, alerts and words"
EXAMPLE = "benchd log --since 09:40 --only words,alerts"
KINDS = {"marks": ("mark", "answer"), "findings": ("finding",), "alerts": ("alert",), "words": ("utterance",)}
LOOK_EVERY_S = 0.5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    add_journal(parser)
    parser.add_argument("--since", type=as_written, metavar="T", help=f"from this time on, on the bench's clock: {HOW}")
    parser.add_argument("--until", type=as_written, metavar="T", help="up to this time")
    parser.add_argument("--load", metavar="LOAD", help="one load: last, its number (2, or 2@2026-01-05), or its id")
    parser.add_argument("--pour", metavar="POUR", help="one pour, in the same ways")
    parser.add_argument("--only", type=_kinds, metavar="KINDS", default=tuple(KINDS), help=f"of {', '.join(KINDS)}")
    parser.add_argument("-f", "--follow", action="store_true", help="keep printing as the journal grows, until Ctrl-C")


def _kinds(written: str) -> tuple[str, ...]:
    asked = tuple(word for word in written.split(",") if word)
    if not asked or any(word not in KINDS for word in asked):
        raise argparse.ArgumentTypeError(f"write one or more of {', '.join(KINDS)}, with commas between")
    return asked


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    asyncio.run(_listed(args))
    return 0


async def _listed(args: argparse.Namespace) -> None:
    found = asked_journal(args)
    async with to_read(there(found.path)) as journal:
        bench, zone = await found.bench_and_zone(journal)
        units, names = (bench.pressure_unit, bench.temperature_unit), names_of(bench)
        style = Style(*units, zone, is_colored(sys.stdout), every=True, names=names)
        now_t = await reckoned_from(journal, (args.since, args.until), zone)
        wanted = Wanted(
            None if args.since is None else moment(args.since, zone, now_t),
            None if args.until is None else moment(args.until, zone, now_t),
            None if args.load is None else await named(journal, bench, "load", args.load),
            None if args.pour is None else await named(journal, bench, "pour", args.pour),
            args.only,
        )
        if not await _print(journal, wanted, style, args.follow):
            ends = shown_time(await Logbook(journal).last_t(), zone)
            complain(f"nothing of that is in {found.path}, which ends {ends}")


@dataclass(frozen=True, slots=True)
class Wanted:
    """The part of the journal to print."""

    since_t: float | None
    until_t: float | None
    load: str | None
    pour: str | None
    only: tuple[str, ...]

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of effects to print."""
        return tuple(kind for word in self.only for kind in KINDS[word])


async def _print(journal: Journal, wanted: Wanted, style: Style, follow: bool) -> bool:
    """Print what is wanted; whether there was anything."""
    lines, number, seq, count = Lines(style), 0, 0, 0
    while True:
        async for at_number, at_seq, t, line in listed(journal, wanted, lines, number, seq):
            number, seq = max(number, at_number), max(seq, at_seq)
            for text in (lines.new_day(t), line) if line is not None else ():
                if text is not None:
                    count += 1
                    say(text)
        sys.stdout.flush()
        if not follow:
            if damaged := len(lines.unreadable):
                complain(f"{damaged} {'entry' if damaged == 1 else 'entries'} of the journal cannot be read, left out")
            return count > 0
        await asyncio.sleep(LOOK_EVERY_S)


async def listed(
    journal: Journal, wanted: Wanted, lines: Lines, after_number: int, after_seq: int
) -> AsyncIterator[tuple[int, int, float, str | None]]:
    """(effect's number or 0, mark's seq or 0, time, line) of everything wanted and new, in the order it happened."""
    marks = await _marks(journal, wanted, after_seq)
    book = Logbook(journal)
    effects = book.effects(
        load=wanted.load, pour=wanted.pour, since_t=wanted.since_t, until_t=wanted.until_t, after_number=after_number
    )
    async for told in effects:
        if after_number == 0:
            await _learn_pours(journal, lines, told.number)
            after_number = told.number
        while marks and marks[0][0] <= told.seq:
            seq, mark = marks.pop(0)
            yield 0, seq, mark.t, lines.mark(mark)
        yield told.number, 0, told.t, lines.told(told) if told.kind in wanted.kinds else None
    lines.unreadable |= book.unreadable
    for seq, mark in marks:
        yield 0, seq, mark.t, lines.mark(mark)


async def _learn_pours(journal: Journal, lines: Lines, before_number: int) -> None:
    """Let the mix clocks run that began before the first line."""
    async for told in Logbook(journal).effects(kind="finding", names=("pour_started", "pour_ended")):
        if told.number >= before_number:
            return
        lines.told(told)


async def _marks(journal: Journal, wanted: Wanted, after_seq: int) -> list[tuple[int, Mark]]:
    """The wanted marks; for a load or pour those made while it was open."""
    if "mark" not in wanted.kinds:
        return []
    begin_t, end_t = wanted.since_t or 0.0, 1e12 if wanted.until_t is None else wanted.until_t
    for column, id in (("load", wanted.load), ("pour", wanted.pour)):
        if id is not None:
            sql = f"SELECT min(t), max(t) FROM effects WHERE {column} = ?"
            ((first_t, last_t),) = await journal.rows(sql, (id,))
            if first_t is None:
                return []
            begin_t, end_t = max(begin_t, first_t), min(end_t, last_t)
    rows = await journal.rows(
        "SELECT seq, body FROM inputs WHERE kind = 'mark' AND seq > ? AND t BETWEEN ? AND ? ORDER BY seq",
        (after_seq, begin_t, end_t),
    )
    return [(seq, mark) for seq, body in rows if (mark := _mark(body)) is not None]


def _mark(body: str) -> Mark | None:
    try:
        item = from_record(json.loads(body))
    except (DecodeError, ValueError):
        return None
    return item if isinstance(item, Mark) else None


class Lines:
    """Formats one line for each entry of the journal."""

    def __init__(self, style: Style) -> None:
        self._plain = PlainLines(style)
        self._zone, self._names = style.zone, style.names
        self._day = ""
        self.unreadable: set[int] = set()
        """The numbers of the entries left out as damaged."""

    def new_day(self, t: float) -> str | None:
        """The date, when it differs from that of the line before."""
        day = datetime.fromtimestamp(t, self._zone).strftime("%A %Y-%m-%d")
        if day == self._day:
            return None
        self._day = day
        return day

    def told(self, told: Told) -> str | None:
        """The line of a stored effect; None for a forecast too soon after the last."""
        try:
            effect = effect_from(told.kind, told.name, told.body)
        except DecodeError:
            return self._bare(told.t, "? ", f"{told.kind} {told.name}: written by another version")
        return self._plain.line(effect)

    def mark(self, mark: Mark) -> str:
        """The line of a mark."""
        by = f" by {mark.by}" if mark.by else ""
        return self._bare(mark.t, "< ", f"mark {mark_words(mark, self._names)}{by}")

    def _bare(self, t: float, sign: str, text: str) -> str:
        return f"{datetime.fromtimestamp(t, self._zone):%H:%M:%S}        {sign} {text}"
