"""Does the journal lose what its owner wants lost, a month at a time, never more, and say so, killed wherever it is?"""

from __future__ import annotations

import asyncio
import inspect
import logging
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from runtime.journal_fakes import T0, context

from benchd.core.casting.retold import PHASE_NAMES, POURS_AND_KICKS
from benchd.core.findings import FINDINGS, KickForecast, LoadClosed, PotHold, PourStarted
from benchd.core.model import Alert, Line, Mark, Subject, Utterance
from benchd.errors import JournalError
from benchd.page import book
from benchd.plugins import load_settings
from benchd.reports import records_read
from benchd.reports.index import make_report
from benchd.reports.writer import to_text
from benchd.runtime.history.past import TEACHING
from benchd.runtime.journal.age.keep import GONE, LEAST_MONTHS, MONTH_S, PASSING, Keep, gone_from, learned_pours
from benchd.runtime.journal.age.retention import Retention
from benchd.runtime.journal.age.trim import Trim
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.packed_lines import pack
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Event, MinuteRow, Statement, Writes
from benchd.runtime.journal.schema import views as views_module

ROOT = Path(__file__).parents[2]
MONTHS = 20
NOW = T0 + MONTHS * MONTH_S
LEAST = Keep(3, 14, 14, 14)
COUNTS = {
    "lines": "SELECT count(*) FROM blocks",
    "minutes": "SELECT count(*) FROM minutes",
    "words": "SELECT count(*) FROM effects WHERE kind = 'utterance'",
    "alerts": "SELECT count(*) FROM effects WHERE kind = 'alert'",
    "forecasts": "SELECT count(*) FROM effects WHERE name = 'kick_forecast'",
    "records": "SELECT count(*) FROM effects WHERE name IN ('pour_started', 'load_closed', 'pot_hold')",
    "marks": "SELECT count(*) FROM inputs WHERE kind = 'mark'",
}


def load_at(t: float, number: int) -> list[Event]:
    """One load's findings, words and alerts."""
    about = Subject(bench="north", pot="barrel", cup="cup-1", pour=f"cup-1-{int(t)}", load=f"barrel-{int(t) + 115}")
    alerts = [
        Alert(t=t + 130, alert=code, active=True, heard=False, priority=priority, subject=about, text="Look.")
        for code, priority in (("kick-soon", 1), ("room-damp", 3))
    ]
    over = [Alert(t=t + 150, alert=a.alert, active=False, heard=True, priority=a.priority, subject=about, text="Over.")
            for a in alerts]  # fmt: skip
    return [
        PourStarted(t=t, subject=about, mix_t=t, lot=None, molds=("m01",), inferred=False, number=number),
        *(KickForecast(t=t + s, subject=about, at=t + 170, early=t + 150, late=t + 190, confidence="low", basis="label")
          for s in (30.0, 60.0)),
        LoadClosed(t=t + 115, subject=about, pours=(about.pour or "",), number=number),
        *alerts,
        PotHold(t=t + 140, subject=about, verdict="tight-to", kpa=285.0, kpa_per_min=1.0, low=0.5, high=1.5,
                smallest_seen=1.4),
        *over,
        Utterance(t=t + 160, say="Lid now.", priority=1, tone="calm", say_until=t + 190, subject=about),
    ]  # fmt: skip


async def fill(journal: Journal, *first: Event) -> None:
    """Two loads a month: findings, words, a mark, three minutes of a channel, one block of lines."""
    writes, blocks, number = Writes(), list[tuple[Any, ...]](), 0
    writes.add_input(1, context(T0))
    for effect in first:
        writes.add_effect(number := number + 1, 1, effect)
    for n in range(2 * MONTHS):
        t, seq = T0 + 0.5 * n * MONTH_S + 3600.0, 10 * n + 2
        writes.add_input(seq, Mark(t=t, verb="mix"))
        lines = [(seq + 1 + k, Line(t + 60.0 * k, "b1", str(k))) for k in range(3)]
        blocks.append((lines[0][0], lines[-1][0], lines[0][1].t, lines[-1][1].t, 3, pack(lines)))
        writes.minutes += [MinuteRow("room", int(t // 60) + k, 60, 20.0, 21.0, 22.0) for k in range(3)]
        for effect in load_at(t, n + 1):
            number += 1
            writes.add_effect(number, seq, effect)
    await journal.commit([*writes.statements(), ("INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?)", blocks)])
    await Retention(journal, lambda: NOW, lambda: False).sweep()  # moves the minutes, notes which alerts stand


async def counts(journal: Journal) -> dict[str, int]:
    return {what: int((await journal.rows(sql))[0][0]) for what, sql in COUNTS.items()}


def trim(journal: Journal, keep: Keep, pours: Sequence[str] = (), now: float = NOW, busy: bool = False) -> Trim:
    return Trim(journal, lambda: now, lambda: busy, lambda: (keep, pours))


async def trimmed(journal: Journal, keep: Keep, pours: Sequence[str] = ()) -> dict[str, int]:
    one = trim(journal, keep, pours)
    for _ in range(MONTHS + 2):
        await one.sweep()
    return await counts(journal)


async def test_unless_asked_nothing_goes(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal)
        before = await counts(journal)
        assert await trimmed(journal, Keep()) == before
        assert await Logbook(journal).meta(GONE) is None


async def test_what_is_older_goes_and_every_record_stays(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Loads of months 0, 0.5, ... 19.5; what is younger than 3 and 14 of 20 months stays."""
    caplog.set_level(logging.INFO, "benchd")
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal)
        before = await counts(journal)
        last = await Logbook(journal).last_number()
        after = await trimmed(journal, LEAST)
        whole = 2 * MONTHS
        assert before["lines"] == whole
        assert after["lines"] == 6
        assert after["minutes"] == 3 * 28
        assert after["words"] == 28
        assert after["forecasts"] == 2 * 28
        assert after["alerts"] == 2 * whole + 2 * 28  # the first priority's, and of the third what is young
        assert (after["records"], after["marks"]) == (before["records"], before["marks"])
        assert await Logbook(journal).last_number() == last
    assert "34 rows of raw lines" not in caplog.text  # a month at a time
    assert "2 rows of raw lines deleted, as [journal] keep_lines says" in caplog.text


async def test_a_sweep_takes_one_month_however_wrong_the_clock(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal)
        before = await counts(journal)
        await trim(journal, LEAST, now=NOW + 70 * 12 * MONTH_S).sweep()
        after = await counts(journal)
        assert before["lines"] - after["lines"] == 2
        assert before["words"] - after["words"] == 2


async def test_lines_that_a_resin_was_learned_from_stay(tmp_path: Path) -> None:
    pour = f"cup-1-{int(T0 + 2.5 * MONTH_S + 3600.0)}"
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal)
        assert (await trimmed(journal, LEAST, [pour]))["lines"] == 7
        first = await journal.rows("SELECT min(first_t) FROM blocks")
        assert first[0][0] == pytest.approx(float(pour.rpartition("-")[2]), abs=1.0)


def test_the_pours_of_a_cure_table_are_those_it_names() -> None:
    bench = load_settings(ROOT / "config" / "bench.toml").bench
    one = replace(bench.resins[0], cure={"pours": ["cup-1-1767571200", "cup-1-1767571300"]})
    assert learned_pours(replace(bench, resins=(*bench.resins[1:], one))) == ("cup-1-1767571200", "cup-1-1767571300")


def test_what_may_go_is_none_of_what_reports_and_lessons_read_for_good() -> None:
    """Each name is a finding's, and no report over many days, lesson, casting book or view has it."""
    assert set(PASSING) <= set(FINDINGS)
    for_good = {*records_read.POUR_FINDINGS, *records_read.LOAD_FINDINGS, *records_read.BENCH_FINDINGS, *TEACHING}
    for_good |= {*PHASE_NAMES, *POURS_AND_KICKS, *book.POUR_FINDINGS, *book.LOAD_FINDINGS, "part_pulled"}
    assert not for_good & set(PASSING)
    views = Path(inspect.getfile(views_module)).read_text("utf-8")
    assert not [name for name in PASSING if f"'{name}'" in views]


async def test_an_alert_that_stands_stays(tmp_path: Path) -> None:
    """One of another cup, of the first month, that nobody ended and nobody heard."""
    about = Subject(bench="north", cup="cup-9")
    alert = Alert(t=T0 + 60.0, alert="room-damp", active=True, heard=False, priority=3, subject=about, text="Look.")
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, alert)
        standing = set(await Logbook(journal).standing_by_number())
        assert standing == {1}
        await trimmed(journal, LEAST)
        assert set(await Logbook(journal).standing_by_number()) == standing


async def test_while_something_is_open_nothing_goes(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal)
        before = await counts(journal)
        assert await trim(journal, LEAST, busy=True).sweep() == {}
        assert await counts(journal) == before


class Dying(Journal):
    """A journal whose process is killed after so many commits."""

    left = 10**9

    async def commit(self, statements: Sequence[Statement]) -> None:
        if self.left <= 0:
            raise JournalError("killed")
        self.left -= 1
        await super().commit(statements)


def ends() -> Iterator[int]:
    yield from range(0, 9)
    yield from range(9, 60, 13)


async def test_killed_at_any_commit_it_claims_no_more_than_it_has_and_goes_on(tmp_path: Path) -> None:
    async with Journal(tmp_path / "whole.db") as journal:
        await fill(journal)
        wanted = await trimmed(journal, LEAST)
    journal = Dying(tmp_path / "j.db")
    async with journal:
        await fill(journal)
        oldest = {"lines": "SELECT min(last_t) FROM blocks", "minutes": "SELECT 60.0 * min(minute) FROM minutes",
                  "words": "SELECT min(t) FROM effects WHERE kind = 'utterance'",
                  "findings": "SELECT min(t) FROM effects WHERE name = 'kick_forecast'"}  # fmt: skip
        first = {kind: (await journal.rows(sql))[0][0] for kind, sql in oldest.items()}
        for end in ends():
            journal.left = end
            try:
                await trim(journal, LEAST).sweep()
            except JournalError:
                journal.left = 10**9
            gone = gone_from(await Logbook(journal).meta(GONE))
            for kind, sql in oldest.items():
                ((now_oldest,),) = await journal.rows(sql)
                if now_oldest > first[kind]:
                    assert any(one.may_t >= first[kind] and name == kind for name, one in gone.items())
        journal.left = 10**9
        assert await trimmed(journal, LEAST) == wanted


async def test_a_report_of_a_trimmed_load_is_whole_and_says_what_is_gone(tmp_path: Path) -> None:
    bench = load_settings(ROOT / "config" / "bench.toml").bench
    load = f"barrel-{int(T0 + 3600.0) + 115}"
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal)
        before = to_text(await make_report(journal, bench, "load", load, NOW))
        await trimmed(journal, LEAST)
        after = to_text(await make_report(journal, bench, "load", load, NOW))
        young = to_text(await make_report(journal, bench, "load", "last", NOW))
    assert "No longer kept" not in before + young
    assert "No longer kept of this time: raw lines (kept from " in after
    assert "words and lesser alerts (kept from " in after
    for told in ("kick-soon", "alarms"):
        assert (told in before, told in after) == (True, True)


def test_no_age_is_shorter_than_what_is_read_back() -> None:
    from benchd.reports.index import BACK_S
    from benchd.runtime.history.past import LOOKED_BACK_S, LOTS_BACK_S
    from benchd.runtime.history.teach import PULLS_BACK_S

    assert LEAST_MONTHS["lines"] * MONTH_S > LOOKED_BACK_S
    for kind in ("minutes", "words", "findings"):
        assert LEAST_MONTHS[kind] * MONTH_S > max(BACK_S, LOTS_BACK_S, PULLS_BACK_S)


def test_a_damaged_note_of_what_is_gone_claims_nothing() -> None:
    for text in (None, "", "[]", "{}", '{"lines": 3}', '{"lines": ["a", 1]}', "no"):
        assert gone_from(text) == {}
    assert asyncio.iscoroutinefunction(Trim.sweep)
