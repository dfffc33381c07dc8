"""`benchd why`: explains an alert: its cause, numbers, thresholds and their sources, what was said and acknowledged."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from benchd.commands.why.thresholds import Threshold, thresholds
from benchd.core.alarm.alerts import concerns
from benchd.core.alarm.phrases import PHRASES, Phrase
from benchd.core.bench import Bench
from benchd.core.bench.context import bench_from_context
from benchd.core.model import Context, Subject
from benchd.errors import BenchdError, SettingsError
from benchd.plugins import load_settings
from benchd.runtime.journal.asked import there, to_read
from benchd.runtime.journal.reader import Logbook, Told
from benchd.runtime.printing.log_lines import quoted
from benchd.runtime.printing.terminal import say
from benchd.settings import did_you_mean
from benchd.settings.config_option import add_config

HELP = "explain an alert: what was found, its numbers, the threshold and its source, what was said and heard"
EXAMPLE = "benchd why pot-leaking-fast"
NOT_NUMBERS = ("t", "finding", "subject", "bench", "pot", "load", "cup", "pour", "mold", "channel", "active")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("alert", nargs="?", metavar="ALERT", help="its code, as in pot-leaking-fast; none: list them")
    parser.add_argument("about", nargs="?", metavar="ID", help="the pot, cup, mold or channel it was about")
    add_config(parser)
    parser.add_argument("--journal", type=Path, help="the journal's file itself")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.alert is None:
        say(*listing())
        return 0
    rows = [p for p in PHRASES if p.code == args.alert]
    if not rows:
        raise BenchdError(f'no alert "{args.alert}"; {did_you_mean(args.alert, [p.code for p in PHRASES])}')
    path, zone = _where(args)
    there(path)
    found = asyncio.run(episode(path, args.alert, args.about))
    say(*explained(rows, found, zone))
    return 0 if found.began or found.words else 1


def listing() -> Iterator[str]:
    """Every code, most urgent first."""
    for code in dict.fromkeys(p.code for p in PHRASES):
        first = next(p for p in PHRASES if p.code == code)
        yield f"P{first.priority}  {code:<18} {first.words}"


def _where(args: argparse.Namespace) -> tuple[Path, tzinfo]:
    try:
        loaded = load_settings(args.config)
    except SettingsError:
        if args.journal is None:
            raise
        return args.journal, UTC
    return args.journal or loaded.journal_path, ZoneInfo(loaded.timezone)


# ------------------------------------------------------------------------------------------------- from the journal


@dataclass(slots=True)
class Episode:
    """The last occurrence of an alert: its changes, the finding behind it, its utterances, the bench it applied to."""

    began: Told | None = None
    changes: list[Told] = field(default_factory=list)
    finding: Told | None = None
    words: list[Told] = field(default_factory=list)
    bench: Bench | None = None


async def episode(path: Path, code: str, about: str | None) -> Episode:
    """The newest occurrence of this alert (or call).  Raises JournalError."""
    async with to_read(path) as journal:
        book = Logbook(journal)
        found = Episode()
        async for row in book.effects(kind="alert", names=(code,)):
            if about is not None and _subject(row).id != about:
                continue
            starts = row.body["active"] and not (found.changes and found.changes[-1].body["active"])
            if starts:
                found.began, found.changes = row, []
            found.changes += [row] if found.began is not None else []
        await _add_words(book, found, code, about)
        anchor = found.began or (found.words[0] if found.words else None)
        if anchor is not None:
            found.finding = await _finding(book, code, anchor)
            for _, standing in await book.standing(anchor.seq):
                if isinstance(standing, Context):
                    found.bench = bench_from_context(standing)
    return found


async def _add_words(book: Logbook, found: Episode, code: str, about: str | None) -> None:
    """Add what was said about it since it began; for a call, which has no state, the last time."""
    since_t = found.began.t if found.began else None
    async for row in book.effects(kind="utterance", names=(code,), since_t=since_t):
        subject = _subject(row)
        same = found.began is None or subject.id == _subject(found.began).id
        if same and about in (None, subject.id):
            found.words = [*found.words, row] if found.began else [row]


async def _finding(book: Logbook, code: str, anchor: Told) -> Told | None:
    """The newest finding of a kind that causes this alert, up to its start, about the same subject."""
    kinds = tuple(dict.fromkeys(p.finding for p in PHRASES if p.code == code))
    last = None
    async for row in book.effects(kind="finding", names=kinds, until_t=anchor.t):
        same = concerns(_subject(row), _subject(anchor))
        if row.number <= anchor.number and same and row.body.get("active", True):
            last = row
    return last


def _subject(row: Told) -> Subject:
    return Subject(**row.body["subject"])


# --------------------------------------------------------------------------------------------------------- in words


def explained(rows: Sequence[Phrase], found: Episode, zone: tzinfo) -> Iterator[str]:
    """The whole answer, line by line."""
    phrase = next((p for p in rows if found.finding and p.finding == found.finding.name), rows[0])
    yield f'{phrase.code}: priority {phrase.priority} {phrase.kind}, says "{phrase.words}"'
    yield f"  words and when: {phrase.basis}; when: {phrase.when.replace('_', ' ')}"
    anchor = found.began or (found.words[0] if found.words else None)
    if anchor is None:
        yield "  it has never come, as far as this journal goes"
    else:
        yield from _what(found, anchor, zone)
    yield "  thresholds:"
    limits = thresholds(phrase.finding, found.bench)
    yield from (f"    {_threshold(t)}" for t in limits)
    yield from (f"    {line}" for line in _pot_limits(phrase, found))
    if not limits:
        yield "    none: it is told as it happens"
    ends = [phrase.clear] if phrase.clear else []
    ends += [f"on {', '.join(phrase.ends_on)}"] if phrase.ends_on else []
    yield f"  ends: {'; or '.join(ends) if ends else 'it is said once and holds no state'}"
    yield from _history(found, zone)


def _what(found: Episode, anchor: Told, zone: tzinfo) -> Iterator[str]:
    yield f"  came {_at(anchor.t, zone)} about {_subject(anchor).id}"
    if found.finding is not None:
        body = found.finding.body
        numbers = [f"{k} {quoted(v)}" for k, v in body.items() if k not in NOT_NUMBERS and v is not None]
        yield f"  found: {found.finding.name} at {_at(found.finding.t, zone)}: {', '.join(numbers) or 'no numbers'}"
    value, limit = anchor.body.get("value"), anchor.body.get("limit")
    if value is not None or limit is not None:
        yield f"  judged: value {quoted(value)}" + (f" against {quoted(limit)}" if limit is not None else "")


def _threshold(t: Threshold) -> str:
    value = f"{t.value:.4g}" if isinstance(t.value, float) else str(t.value)
    mine = f" (your [tune.{t.watcher}])" if t.is_tuned else ""
    return f"{t.watcher}.{t.name} = {value}{mine}: {t.source or 'no source written'}"


def _pot_limits(phrase: Phrase, found: Episode) -> Iterator[str]:
    """The pot's own numbers, as its owner wrote them, where the finding is judged against them."""
    keys = {"pot_over_limit": "limit", "pot_over_relief": "relief", "pot_below_floor": "floor"}
    key = keys.get(phrase.finding)
    anchor = found.began or (found.words[0] if found.words else None)
    pot = found.bench.pot(_subject(anchor).pot) if found.bench and anchor else None
    if key and pot is not None:
        yield f"[pot.{pot.id}] {key} = {getattr(pot, key + '_kpa'):.4g} kPa: bench.toml, or its default from the mark"


def _history(found: Episode, zone: tzinfo) -> Iterator[str]:
    for row in found.words:
        yield f'  said {_at(row.t, zone)}: "{row.body["say"]}"'
    was: dict[str, Any] = {}
    for row in found.changes:
        body = row.body
        if body["heard"] and not was.get("heard"):
            yield f"  heard {_at(row.t, zone)}"
        if body.get("shelved_until") and body["shelved_until"] != was.get("shelved_until"):
            yield f"  shelved {_at(row.t, zone)} until {_at(body['shelved_until'], zone)}"
        if not body["active"] and was.get("active"):
            yield f"  over {_at(row.t, zone)}" + ("" if body["heard"] else ", unheard")
        was = body
    if found.changes and found.changes[-1].body["active"]:
        yield "  still on, as far as this journal goes"


def _at(t: float, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(t, zone):%Y-%m-%d %H:%M:%S}"
