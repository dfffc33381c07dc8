"""Does the journal keep what it was given, hand it back whole, and come up over any file it finds?"""

from __future__ import annotations

import json
import os
import sqlite3
import stat
import zlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from runtime.journal_fakes import BENCH, POT, T0, context

from benchd.core.findings import LoadClosed, LoadOpened, PourEnded, PourStarted
from benchd.core.format.record import from_record
from benchd.core.model import (
    Alert,
    ClockStep,
    Context,
    Gap,
    Input,
    Line,
    Mark,
    News,
    RawLine,
    Status,
    Subject,
    Table,
    Utterance,
)
from benchd.core.model.day import DaySheet, SheetLoad
from benchd.errors import JournalError
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import KEPT_CHECKPOINTS, Checkpoint, Event, MinuteRow, Reached, Writes
from benchd.runtime.journal.schema import MIGRATIONS, prepare
from benchd.runtime.recordings.extract import extract, extract_load, load_span


def alert(t: float, *, active: bool = True, heard: bool = False) -> Alert:
    return Alert(t=t, alert="pot-leaking", active=active, heard=heard, priority=2, subject=POT, value=1.5, text="slow")


def every_kind() -> list[Input]:
    return [
        context(T0),
        Line(T0 + 1, "board", '[{"bn":"b1-","n":"cup","u":"Cel","v":23.4}] 00000000'),
        Line(T0 + 1, "wifi", "[]", "boards/b2"),
        RawLine(T0 + 2, "board", "//79"),
        Mark(t=T0 + 3, verb="mix", id="m1", cup="cup-1", molds=("m02", "m03"), a_g=159.5),
        Status(T0 + 4, "board", False, "unplugged"),
        News(T0 + 5, "listener", True, "nobody subscribes"),
        Gap(T0 + 9, T0 + 4, "paused", 3),
        ClockStep(T0 + 10, 3600.0),
        Table(T0 + 11, "fast", "t1", {"axes": [1, 2, 3]}),
    ]


async def fill(journal: Journal, inputs: list[Input], events: Sequence[Event] = (), first: int = 1) -> None:
    writes = Writes()
    for seq, item in enumerate(inputs, first):
        writes.add_input(seq, item)
    for number, effect in enumerate(events, 1):
        writes.add_effect(number, 1, effect)
    writes.reached = Reached(first + len(inputs) - 1, inputs[-1].t, len(events))
    await journal.write(writes)


async def test_every_kind_of_input_comes_back_equal(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind())
        back = [row async for row in Logbook(journal).inputs()]
    assert [seq for seq, _ in back] == list(range(1, 11))
    assert [item for _, item in back] == every_kind()


async def test_inputs_by_number_and_by_time(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind())
        book = Logbook(journal)
        assert [seq async for seq, _ in book.inputs(3, 5)] == [4, 5]
        assert [seq async for seq, _ in book.inputs_between(T0 + 1, T0 + 3)] == [2, 3, 4, 5]
        assert [seq async for seq, _ in book.inputs_between(T0 + 20, T0 + 30)] == []


async def test_long_answers_come_whole_over_several_pages(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, [Line(T0 + i / 10, "board", str(i)) for i in range(2500)])
        back = [item.line async for _, item in Logbook(journal).inputs() if isinstance(item, Line)]
    assert back == [str(i) for i in range(2500)]


async def test_the_file_is_for_its_owner_only_and_syncs_every_commit(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind())
        for name in ("j.db", "j.db-wal", "j.db-shm"):
            assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600, name
        assert await journal.rows("PRAGMA synchronous") == [(2,)]  # FULL, sqlite.org/pragma.html#pragma_synchronous
        assert await journal.rows("PRAGMA journal_mode") == [("wal",)]


async def test_effects_by_kind_name_pour_load_and_time(tmp_path: Path) -> None:
    pour = Subject(bench="north", cup="cup-1", pour="cup-1-7", load="barrel-9", pot="barrel")
    events: list[Event] = [
        PourStarted(t=T0, subject=pour, mix_t=T0, lot="r-07", molds=("m02",), inferred=False, number=1),
        alert(T0 + 5),
        Utterance(
            t=T0 + 6, say="Pot leaking", priority=2, tone="two", say_until=T0 + 30, subject=POT, code="pot-leaking"
        ),
        PourEnded(t=T0 + 9, subject=pour, why="marked"),
    ]
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind(), events)
        book = Logbook(journal)

        async def numbers(**filters: object) -> list[int]:
            return [e.number async for e in book.effects(**filters)]  # type: ignore[arg-type]

        assert await numbers() == [1, 2, 3, 4]
        assert await numbers(kind="alert") == [2]
        assert await numbers(names=("pour_started", "pour_ended")) == [1, 4]
        assert await numbers(pour="cup-1-7", load="barrel-9", since_t=T0 + 1) == [4]
        assert await numbers(until_t=T0 + 5) == [1, 2]
        first = await anext(book.effects())
        assert (first.name, first.body["molds"], first.body["pour"]) == ("pour_started", ["m02"], "cup-1-7")


async def test_an_effect_number_is_taken_once(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        for _ in range(2):
            await fill(journal, every_kind(), [alert(T0)])
        with pytest.raises(JournalError, match="effect 1 is in it already"):
            await fill(journal, every_kind(), [alert(T0 + 99)])
        assert [e.t async for e in Logbook(journal).effects()] == [T0]


async def test_standing_alerts_are_the_newest_that_are_on_or_unheard(tmp_path: Path) -> None:
    events: list[Event] = [alert(T0), alert(T0 + 1, active=False, heard=True)]
    other = Alert(t=T0 + 2, alert="room-damp", active=True, heard=True, priority=3, subject=BENCH)
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind(), [*events, other])
        assert await Logbook(journal).standing_alerts() == [other]


@pytest.mark.parametrize(
    "body", ["{", "", "[1]", "7", '{"t": 1.0}', '{"t": "soon", "alert": "x", "active": true, "heard": false}', "\x00"]
)
async def test_an_alert_that_cannot_be_read_is_left_out_and_counted(tmp_path: Path, body: str) -> None:
    other = Alert(t=T0 + 2, alert="room-damp", active=True, heard=True, priority=3, subject=BENCH)
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind(), [alert(T0), other])
        await journal.commit([("UPDATE effects SET body = ? WHERE number = 1", [(body,)])])
        book = Logbook(journal)
        assert await book.standing_alerts() == [other]
        assert book.unreadable == {1}


async def test_the_same_alarm_of_two_boards_stands_twice(tmp_path: Path) -> None:
    """As Subject.id tells them apart; the newer one alone used to outlast a restart."""
    boards = [Subject(bench="north", source=source) for source in ("board", "shelf-board")]
    down = [Alert(t=T0, alert="source-down", active=True, heard=False, priority=4, subject=of) for of in boards]
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind(), list(down))
        assert await Logbook(journal).standing_alerts() == down


async def test_only_the_last_few_checkpoints_stay_and_a_damaged_one_is_passed_over(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        for seq in range(1, 7):
            await journal.write(Writes(checkpoint=Checkpoint(seq, T0 + seq, seq, b"state %d" % seq)))
        assert [p.seq for p in await Logbook(journal).checkpoints()] == [6, 5, 4][:KEPT_CHECKPOINTS]
        await journal.commit([("UPDATE checkpoints SET body = ? WHERE seq = 6", [(b"state 0",)])])
        assert [p.body for p in await Logbook(journal).checkpoints()] == [b"state 5", b"state 4"]


async def test_a_minute_written_in_two_parts_is_merged(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        minute = int(T0 // 60)
        await journal.write(Writes(minutes=[MinuteRow("cup-1-temperature", minute, 30, 20.0, 21.0, 22.0)]))
        await journal.write(Writes(minutes=[MinuteRow("cup-1-temperature", minute, 10, 19.0, 25.0, 26.5)]))
        assert await Logbook(journal).minutes("cup-1-temperature", T0, T0) == [
            MinuteRow("cup-1-temperature", minute, 40, 19.0, 22.0, 26.5)
        ]


async def test_a_failed_transaction_leaves_nothing_behind(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind())
        with pytest.raises(JournalError, match="no such table"):
            await journal.commit(
                [("DELETE FROM inputs WHERE seq = ?", [(1,)]), ("DELETE FROM nowhere WHERE x = ?", [(1,)])]
            )
        assert len([row async for row in Logbook(journal).inputs()]) == 10
        await journal.commit([("DELETE FROM inputs WHERE seq = ?", [(1,)])])
        assert len([row async for row in Logbook(journal).inputs()]) == 9


async def test_an_export_begins_with_what_was_in_force_and_reads_as_a_recording(tmp_path: Path) -> None:
    inputs = [*every_kind(), *[Line(T0 + 100 + i, "board", str(i)) for i in range(50)]]
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, inputs)
        lines = [json.loads(line) async for line in extract(Logbook(journal), T0 + 110, T0 + 120)]
    assert lines[0] == {"recording": 1, "bench": "north"}
    assert [next(k for k in line if k != "t") for line in lines[1:3]] == ["context", "table"]
    assert [line["t"] for line in lines[1:3]] == [T0 + 110, T0 + 110]
    assert [from_record(line) for line in lines[3:]] == [Line(T0 + 110 + i, "board", str(10 + i)) for i in range(11)]


def _load_events() -> list[Event]:
    def pour(cup: str, id: str) -> Subject:
        return Subject(bench="north", cup=cup, pour=id)

    def started(t: float, subject: Subject, mix_t: float, number: int) -> PourStarted:
        return PourStarted(t=t, subject=subject, mix_t=mix_t, lot=None, molds=(), inferred=False, number=number)

    pot = Subject(bench="north", pot="barrel", load="barrel-2")
    earlier = Subject(bench="north", cup="cup-1", pour="old")
    return [
        started(T0 + 10, earlier, T0 + 10, 1),
        PourEnded(t=T0 + 20, subject=earlier, why="marked"),
        started(T0 + 1000, pour("cup-1", "a"), T0 + 990, 2),
        started(T0 + 1050, pour("cup-2", "b"), T0 + 1050, 3),
        LoadClosed(t=T0 + 1100, subject=pot, pours=("a", "b"), number=1),
        LoadOpened(t=T0 + 1900, subject=pot, pours=("a", "b"), number=1),
        PourEnded(t=T0 + 1950, subject=pour("cup-1", "a"), why="demolded"),
        PourEnded(t=T0 + 2000, subject=pour("cup-2", "b"), why="demolded"),
    ]


async def test_a_load_is_exported_with_the_pours_it_held_and_the_number_of_the_day(tmp_path: Path) -> None:
    inputs: list[Input] = [context(T0), *[Line(T0 + i, "board", str(i)) for i in range(1, 2500)]]
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, inputs, _load_events())
        book = Logbook(journal)
        assert await load_span(book, "barrel-2") == (T0 + 390, T0 + 2060)
        lines = [json.loads(line) async for line in extract_load(book, "barrel-2")]
        with pytest.raises(JournalError, match="no load 'barrel-9'"):
            await load_span(book, "barrel-9")
    assert lines[1]["context"]["day"] == {"pours": 1, "loads": 0}
    assert (lines[2]["line"], lines[-1]["line"]) == ("390", "2060")


@pytest.mark.parametrize("is_old", [False, True])
async def test_an_extract_brings_the_run_sheet_with_the_loads_already_taken(tmp_path: Path, is_old: bool) -> None:
    """Of a journal in which the sheet travelled in a context as of one where it is an input."""
    loads = (SheetLoad(1, ("m02",)), SheetLoad(2, ("m05",), pot="barrel"))
    sheet = DaySheet(T0, "sheet-1", T0, loads)
    head: list[Input] = [replace(context(T0), sheet=sheet)] if is_old else [context(T0), sheet]
    inputs = [*head, *[Line(T0 + i, "board", str(i)) for i in range(1, 200)]]
    subject = Subject(bench="north", cup="cup-1", pour="a")
    events: list[Event] = [
        PourStarted(t=T0 + 10, subject=subject, mix_t=T0 + 10, lot=None, molds=("m02",), inferred=False, number=1)
    ]
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, inputs, events)
        book = Logbook(journal)
        standing = [type(item) for _, item in await book.standing(await book.last_seq())]
        lines = [json.loads(line) async for line in extract(book, T0 + 100, T0 + 110)]
    assert standing == ([Context] if is_old else [Context, DaySheet])
    taken = (lines[1]["context"]["learned"] if is_old else lines[2])["sheet"]
    assert [(load["number"], load.get("pour")) for load in taken["loads"]] == [(1, "a"), (2, None)]
    assert (lines[1]["t"], lines[len(head) + 1]["line"]) == (T0 + 100, "100")


async def test_the_newest_sheet_is_in_force_beside_the_newest_context(tmp_path: Path) -> None:
    """A start without a checkpoint needs both, the context first; before the first sheet there is none."""
    morning, noon = DaySheet(T0 + 1, "sheet-1", T0, (SheetLoad(1, ("m02",)),)), DaySheet(T0 + 3)
    later = context(T0 + 2, "h2")
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, [context(T0), morning, later, noon])
        book = Logbook(journal)
        assert [item for _, item in await book.standing(4)] == [later, noon]
        assert [item for _, item in await book.standing(3)] == [later, morning]
        assert [item for _, item in await book.standing(1)] == [context(T0)]


async def test_a_read_only_journal_reads_and_refuses_to_write(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, every_kind())
    async with Journal(tmp_path / "j.db", read_only=True) as reader:
        assert len([row async for row in Logbook(reader).inputs()]) == 10
        with pytest.raises(JournalError, match="readonly"):
            await reader.commit([("DELETE FROM inputs WHERE seq = ?", [(1,)])])


async def test_where_nothing_can_be_opened_it_says_so(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match=r"j\.db"):
        await Journal(tmp_path / "missing" / "j.db").open()


# ------------------------------------------------------------------------------------------ versions of the file


async def test_an_older_file_is_copied_then_brought_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    prepare(path, 1, MIGRATIONS[:1])
    with sqlite3.connect(path) as db:
        db.execute(
            "INSERT INTO inputs VALUES (1, ?, 'line', ?)", (T0, '{"t":1767607331.0,"source":"board","line":"x"}')
        )
    db.close()
    async with Journal(path) as journal:
        assert await journal.rows("PRAGMA user_version") == [(len(MIGRATIONS),)]
        assert [item async for _, item in Logbook(journal).inputs()] == [Line(T0, "board", "x")]
        assert await journal.rows("SELECT count(*) FROM blocks") == [(0,)]
    copy = sqlite3.connect(tmp_path / "j.db.before-schema-2")
    assert copy.execute("PRAGMA user_version").fetchone() == (1,)
    assert copy.execute("SELECT count(*) FROM inputs").fetchone() == (1,)
    copy.close()
    assert stat.S_IMODE((tmp_path / "j.db.before-schema-2").stat().st_mode) == 0o600


def test_a_migration_that_fails_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    prepare(path, 1, MIGRATIONS[:1])
    with pytest.raises(JournalError):
        prepare(path, 2, (MIGRATIONS[0], "CREATE TABLE extra (x); CREATE TABLE inputs (x);"))
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA user_version").fetchone() == (1,)
    assert db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'extra'").fetchone() == (0,)
    db.close()


async def test_a_newer_file_is_left_alone_and_a_fresh_one_kept_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    async with Journal(path) as journal:
        await fill(journal, every_kind())
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    before = zlib.crc32(path.read_bytes())
    async with Journal(path) as journal:
        assert journal.path.name == f"j-schema{len(MIGRATIONS)}.db"
        assert journal.is_displaced
        assert "newer benchd" in journal.notices[0]
        await fill(journal, every_kind()[:2])
    async with Journal(path) as journal:
        assert not journal.is_new
        assert len([row async for row in Logbook(journal).inputs()]) == 2
    assert zlib.crc32(path.read_bytes()) == before


@pytest.mark.parametrize("damage", ["text", "zeros", "pages", "foreign", "cut"])
async def test_a_file_that_cannot_be_used_is_set_aside(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "j.db"
    async with Journal(path) as journal:
        await fill(journal, [Line(T0 + i, "board", "x" * 100) for i in range(500)])
    _spoil(path, damage)
    spoiled = path.read_bytes()
    async with Journal(path, wall=lambda: 1234.0) as journal:
        assert journal.is_displaced
        assert "j.db.set-aside-1234" in journal.notices[0]
        assert [row async for row in Logbook(journal).inputs()] == []
        await fill(journal, every_kind())
    assert (tmp_path / "j.db.set-aside-1234").read_bytes() == spoiled


def _spoil(path: Path, damage: str) -> None:
    whole = path.read_bytes()
    if damage == "foreign":
        path.unlink()
        db = sqlite3.connect(path)
        db.execute("CREATE TABLE recipes (name TEXT)")
        db.commit()
        db.close()
        return
    spoiled = {
        "text": b"these are not the bytes you expect\n" * 100,
        "zeros": bytes(len(whole)),
        "pages": whole[:8192] + bytes(0xA5 for _ in range(len(whole) - 8192)),
        "cut": whole[: len(whole) // 2 // 4096 * 4096],
    }
    path.write_bytes(spoiled[damage])


async def test_two_damaged_files_in_one_second_keep_their_own_names(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    for _ in range(2):
        path.write_bytes(b"nonsense" * 1000)
        journal = Journal(path, wall=lambda: 7.0)
        await journal.open()
        await journal.close()
    assert sorted(name for name in os.listdir(tmp_path) if "set-aside" in name) == [
        "j.db.set-aside-7",
        "j.db.set-aside-7-1",
    ]
