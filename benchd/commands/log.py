"""`benchd log`: prints the journal as lines for a person: marks, findings, alerts, utterances."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from benchd.commands.export import moment
from benchd.core.findings import Finding, KickForecast
from benchd.core.format.printed import tidy
from benchd.core.format.record import from_record, to_record
from benchd.core.model import Mark
from benchd.errors import DecodeError, SettingsError
from benchd.plugins import load_settings
from benchd.runtime.journal.asked import there, to_read
from benchd.runtime.journal.effects import effect_from
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook, Told
from benchd.runtime.printing.log_lines import quoted
from benchd.runtime.printing.plain_lines import PlainLines, Style
from benchd.runtime.printing.terminal import is_colored, say
from benchd.settings.config_option import add_config

HELP = "list what the journal holds: marks, findings, alerts and words"
EXAMPLE = "benchd log --since 2026-01-05T09:40 --only words,alerts"
KINDS = {"marks": ("mark", "answer"), "findings": ("finding",), "alerts": ("alert",), "words": ("utterance",)}
LOOK_EVERY_S = 0.5
ABOUT = ("t", "finding", "subject", "pot", "load", "cup", "pour", "mold", "channel")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    parser.add_argument("--journal", type=Path, help="the journal's file itself")
    parser.add_argument("--since", type=moment, metavar="T", help="from here: unix seconds, or 2026-01-05T09:40 (UTC)")
    parser.add_argument("--load", metavar="ID", help="one load")
    parser.add_argument("--pour", metavar="ID", help="one pour")
    parser.add_argument("--only", type=_kinds, metavar="KINDS", default=tuple(KINDS), help=f"of {', '.join(KINDS)}")
    parser.add_argument("-f", "--follow", action="store_true", help="go on as the journal grows, until Ctrl-C")


def _kinds(written: str) -> tuple[str, ...]:
    asked = tuple(word for word in written.split(",") if word)
    if not asked or any(word not in KINDS for word in asked):
        raise argparse.ArgumentTypeError(f"write one or more of {', '.join(KINDS)}, with commas between")
    return asked


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    path, style = _where_and_how(args)
    there(path)
    asyncio.run(_list(path, Wanted(args.since, args.load, args.pour, args.only), style, args.follow))
    return 0


def _where_and_how(args: argparse.Namespace) -> tuple[Path, Style]:
    """The journal and the format of its lines: from the bench, or, with --journal and no config, in UTC and psi."""
    colored = is_colored(sys.stdout)
    if args.journal is not None and not args.config.exists():
        return args.journal, Style(zone=ZoneInfo("UTC"), colored=colored)
    try:
        loaded = load_settings(args.config)
    except SettingsError:
        if args.journal is None:
            raise
        return args.journal, Style(zone=ZoneInfo("UTC"), colored=colored)
    bench = loaded.bench
    style = Style(bench.pressure_unit, bench.temperature_unit, ZoneInfo(loaded.timezone), colored)
    return args.journal or loaded.journal_path, style


@dataclass(frozen=True, slots=True)
class Wanted:
    """The part of the journal to print."""

    since_t: float | None
    load: str | None
    pour: str | None
    only: tuple[str, ...]

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of effects to print."""
        return tuple(kind for word in self.only for kind in KINDS[word])


async def _list(path: Path, wanted: Wanted, style: Style, follow: bool) -> None:
    lines, number, seq = Lines(style), 0, 0
    async with to_read(path) as journal:
        while True:
            async for at_number, at_seq, t, line in listed(journal, wanted, lines, number, seq):
                number, seq = max(number, at_number), max(seq, at_seq)
                for text in (lines.new_day(t), line) if line is not None else ():
                    if text is not None:
                        say(text)
            sys.stdout.flush()
            if not follow:
                return
            await asyncio.sleep(LOOK_EVERY_S)


async def listed(
    journal: Journal, wanted: Wanted, lines: Lines, after_number: int, after_seq: int
) -> AsyncIterator[tuple[int, int, float, str | None]]:
    """(effect's number or 0, mark's seq or 0, time, line) of everything wanted and new, in the order it happened."""
    marks = await _marks(journal, wanted, after_seq)
    effects = Logbook(journal).effects(
        load=wanted.load, pour=wanted.pour, since_t=wanted.since_t, after_number=after_number
    )
    async for told in effects:
        while marks and marks[0][0] <= told.seq:
            seq, mark = marks.pop(0)
            yield 0, seq, mark.t, lines.mark(mark)
        yield told.number, 0, told.t, lines.told(told) if told.kind in wanted.kinds else None
    for seq, mark in marks:
        yield 0, seq, mark.t, lines.mark(mark)


async def _marks(journal: Journal, wanted: Wanted, after_seq: int) -> list[tuple[int, Mark]]:
    """The wanted marks; for a load or pour those made while it was open."""
    if "mark" not in wanted.kinds:
        return []
    begin_t, end_t = wanted.since_t or 0.0, 1e12
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
        self._zone = style.zone
        self._day = ""

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
        line = self._plain.line(effect)
        if line is None and isinstance(effect, Finding) and not isinstance(effect, KickForecast):
            return self._bare(told.t, "- ", _spelled(told.name, told.body))
        return line

    def mark(self, mark: Mark) -> str:
        """The line of a mark."""
        keys: Mapping[str, Any] = to_record(mark)["mark"]
        more = " ".join(f"{k}={_listed(v)}" for k, v in keys.items() if k not in ("t", "verb", "id", "by"))
        by = f" by {mark.by}" if mark.by else ""
        return self._bare(mark.t, "< ", f"mark {mark.verb} {more}".strip() + by)

    def _bare(self, t: float, sign: str, text: str) -> str:
        return f"{datetime.fromtimestamp(t, self._zone):%H:%M:%S}        {sign} {text}"


def _spelled(name: str, body: Mapping[str, Any]) -> str:
    """A finding that has no phrase: its subject, then its keys and values."""
    subject = body.get("subject", {})
    whom = next((subject[k] for k in ("channel", "mold", "cup", "pot", "bench") if k in subject), "")
    more = [f"{key}={_listed(value)}" for key, value in body.items() if key not in ABOUT and value is not None]
    return f"{name.replace('_', ' ')} {whom}: {' '.join(more)}".rstrip(": ")


def _listed(value: Any) -> str:
    return ",".join(map(str, value)) if isinstance(value, list | tuple) else quoted(tidy("value", value))
