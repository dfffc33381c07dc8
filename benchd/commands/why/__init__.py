"""`benchd why`: explains an alert: its cause, numbers, thresholds and their sources, what was said and acknowledged."""

from __future__ import annotations

import argparse
import asyncio
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from benchd.commands._journal import AskedJournal, add_journal, asked_journal
from benchd.commands.why.thresholds import Threshold, thresholds
from benchd.core.alarm.alerts import concerns
from benchd.core.alarm.phrases import PHRASES, Phrase
from benchd.core.bench import Bench
from benchd.core.bench.context import bench_from_context
from benchd.core.model import Context, Subject
from benchd.errors import BenchdError, DecodeError, no_such
from benchd.runtime.journal.asked import there, to_read
from benchd.runtime.journal.effects import finding_from
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook, Told
from benchd.runtime.printing.finding_words import FindingWords, names_of
from benchd.runtime.printing.plain_lines import mix_clock, subject_name
from benchd.runtime.printing.terminal import say
from benchd.settings.config_option import add_config

HELP = "explain an alert: what was found, its numbers, the threshold and its source, what was said and heard"
EXAMPLE = "benchd why pot-leaking-fast"
_SLOT = re.compile(r"\{(\w+)\}")
MIX_WITHIN_S = 12 * 3600.0  # a pour is over at the latest 12 h after its mix


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("alert", nargs="?", metavar="ALERT", help="its code, as in pot-leaking-fast; none: list them")
    parser.add_argument("about", nargs="?", metavar="ID", help="the pot, cup, mold or channel it was about")
    add_config(parser)
    add_journal(parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.alert is None:
        say(*listing())
        return 0
    rows = [p for p in PHRASES if p.code == args.alert.lower()]
    if not rows:
        raise BenchdError(no_such("alert", args.alert, {p.code for p in PHRASES}, "benchd why lists them"))
    return asyncio.run(_explain(asked_journal(args), rows, args.about))


async def _explain(asked: AskedJournal, rows: Sequence[Phrase], about: str | None) -> int:
    async with to_read(there(asked.path)) as journal:
        bench, zone = await asked.bench_and_zone(journal)
        by_name = {name.lower(): id for (_, id), name in names_of(bench).items()}
        id = about and by_name.get(about.lower(), about.lower())
        found = await episode(journal, rows[0].code, id)
    known = ids_of(found.bench or bench)
    if id and found.anchor is None and id not in known:
        raise BenchdError(no_such("pot, cup, mold or channel", id, known))
    say(*explained(rows, found, Shown(found.bench or bench, zone)))
    return 0 if found.began or found.words else 1


def ids_of(bench: Bench) -> set[str]:
    """What an alert of this bench may be about."""
    sources = {source for source, _ in bench.sources}
    here = {pot.id for pot in bench.pots} | {cup.id for cup in bench.cups} | {mold.id for mold in bench.molds}
    return {bench.id} | sources | here | {channel.id for channel in bench.channels}


def spelled(phrase: Phrase) -> str:
    """A phrase's words; in angle brackets what is filled in."""
    plain = phrase.words.replace("{Late}", "Late. Lid and air now.").replace("{is}", "is")
    return _SLOT.sub(lambda slot: f"<{slot[1].lower()}>", plain)


def listing() -> Iterator[str]:
    """Every code, most urgent first."""
    for code in dict.fromkeys(p.code for p in PHRASES):
        first = next(p for p in PHRASES if p.code == code)
        yield f"P{first.priority}  {code:<18} {spelled(first)}"


# ------------------------------------------------------------------------------------------------- from the journal


@dataclass(slots=True)
class Episode:
    """The last occurrence of an alert: its changes, the finding behind it, its utterances, the bench it applied to."""

    began: Told | None = None
    changes: list[Told] = field(default_factory=list)
    finding: Told | None = None
    words: list[Told] = field(default_factory=list)
    bench: Bench | None = None
    mixed_t: float | None = None
    """When the pour that it was about was mixed [unix s]."""

    @property
    def anchor(self) -> Told | None:
        """Where it began, or for a call the first time it was said."""
        return self.began or (self.words[0] if self.words else None)


async def episode(journal: Journal, code: str, about: str | None) -> Episode:
    """The newest occurrence of this alert (or call).  Raises JournalError."""
    book, found = Logbook(journal), Episode()
    async for row in book.effects(kind="alert", names=(code,)):
        if about is not None and _subject(row).id != about:
            continue
        starts = row.body["active"] and not (found.changes and found.changes[-1].body["active"])
        if starts:
            found.began, found.changes = row, []
        found.changes += [row] if found.began is not None else []
    await _add_words(book, found, code, about)
    anchor = found.anchor
    if anchor is not None:
        found.finding = await _finding(book, code, anchor)
        found.mixed_t = await _mixed_t(book, anchor)
        for _, standing in await book.standing(anchor.seq):
            if isinstance(standing, Context):
                found.bench = bench_from_context(standing)
    return found


async def _mixed_t(book: Logbook, anchor: Told) -> float | None:
    """When the pour that it was about was mixed [unix s]: the newest open one of its cup or pot."""
    mixed_t = None
    names = ("pour_started", "pour_revised", "pour_ended")
    async for row in book.effects(kind="finding", names=names, since_t=anchor.t - MIX_WITHIN_S, until_t=anchor.t):
        if concerns(_subject(row), _subject(anchor)) or concerns(_subject(anchor), _subject(row)):
            mixed_t = None if row.name == "pour_ended" else float(row.body["mix_t"])
    return mixed_t


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


class Shown:
    """Times, quantities and findings as one bench shows them."""

    def __init__(self, bench: Bench, zone: tzinfo) -> None:
        self.bench, self._zone = bench, zone

    def at(self, t: float) -> str:
        """A date and a time of day."""
        return f"{datetime.fromtimestamp(t, self._zone):%Y-%m-%d %H:%M:%S}"

    def words(self, mixed_t: float | None = None) -> FindingWords:
        """Says findings; on the mix clock where the mix is known."""

        def clock(t: float, subject: Subject) -> str:
            return f"{datetime.fromtimestamp(t, self._zone):%H:%M:%S}" if mixed_t is None else mix_clock(t - mixed_t)

        return FindingWords(self.bench.pressure_unit, self.bench.temperature_unit, clock, names_of(self.bench))


def explained(rows: Sequence[Phrase], found: Episode, shown: Shown) -> Iterator[str]:
    """The whole answer, line by line."""
    phrase = next((p for p in rows if found.finding and p.finding == found.finding.name), rows[0])
    yield f'{phrase.code}: priority {phrase.priority} {phrase.kind}, says "{spelled(phrase)}"'
    yield f"  words and when: {phrase.basis}; when: {phrase.when.replace('_', ' ')}"
    if found.anchor is None:
        yield "  it has never come, as far as this journal goes"
    else:
        yield from _what(found, found.anchor, shown)
    yield "  thresholds:"
    limits = thresholds(phrase.finding, found.bench)
    yield from (f"    {_threshold(t, shown)}" for t in limits)
    yield from (f"    {line}" for line in _pot_limits(phrase, found, shown))
    if not limits:
        yield "    none: it is said as it happens"
    ends = [phrase.clear] if phrase.clear else []
    ends += [f"on {', '.join(phrase.ends_on).replace('_', ' ')}"] if phrase.ends_on else []
    yield f"  ends: {'; or '.join(ends) if ends else 'it is said once and holds no state'}"
    yield from _history(found, shown)


def _what(found: Episode, anchor: Told, shown: Shown) -> Iterator[str]:
    clock = "" if found.mixed_t is None else f", {mix_clock(anchor.t - found.mixed_t)} after the mix"
    yield f"  came {shown.at(anchor.t)}{clock}, about {subject_name(_subject(anchor), names_of(shown.bench))}"
    if found.finding is not None:
        try:
            finding = finding_from(found.finding.name, found.finding.body)
        except DecodeError:
            yield f"  found: {found.finding.name.replace('_', ' ')}, written by another version"
        else:
            yield f"  found: {shown.words(found.mixed_t)(finding)}"


def _threshold(t: Threshold, shown: Shown) -> str:
    """The setting in the bench's units, its name as [tune] takes it, and its source."""
    said = str(t.value)
    if isinstance(t.value, int | float) and not isinstance(t.value, bool):
        said = shown.words().number(t.name, float(t.value)) or f"{t.value:.4g}"
    mine = f", your [tune.{t.watcher}]" if t.is_tuned else ""
    return f"{t.watcher}.{t.name}: {said}{mine}: {t.source or 'no source written'}"


def _pot_limits(phrase: Phrase, found: Episode, shown: Shown) -> Iterator[str]:
    """The pot's own numbers, as its owner wrote them, where the finding is judged against them."""
    keys = {"pot_over_limit": "limit", "pot_over_relief": "relief", "pot_below_floor": "floor"}
    key = keys.get(phrase.finding)
    pot = found.bench.pot(_subject(found.anchor).pot) if found.bench and found.anchor else None
    if key and pot is not None:
        value = shown.words().pressure(getattr(pot, key + "_kpa"))
        yield f"[pot.{pot.id}] {key}: {value}: bench.toml, or its default from the mark"


def _history(found: Episode, shown: Shown) -> Iterator[str]:
    for row in found.words:
        yield f'  said {shown.at(row.t)}: "{row.body["say"]}"'
    was: dict[str, Any] = {}
    for row in found.changes:
        body = row.body
        if body["heard"] and not was.get("heard"):
            yield f"  heard {shown.at(row.t)}"
        if body.get("shelved_until") and body["shelved_until"] != was.get("shelved_until"):
            yield f"  shelved {shown.at(row.t)} until {shown.at(body['shelved_until'])}"
        if not body["active"] and was.get("active"):
            yield f"  over {shown.at(row.t)}" + ("" if body["heard"] else ", unheard")
        was = body
    if found.changes and found.changes[-1].body["active"]:
        yield "  still on, as far as this journal goes"
