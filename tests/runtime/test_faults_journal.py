"""What becomes of the watch when disk, file or process fails?  Never a false "saved", never a missing word."""

from __future__ import annotations

import asyncio
import os
import sqlite3
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from unittest import mock

import pytest
from of_kind import as_kind
from runtime.journal_fakes import HASTY, POT, QUICK, T0, Watch, context, query, settled, until, watching

from benchd.core.findings import BenchNotice, Effect
from benchd.core.format.record import to_json
from benchd.core.model import Alert, Gap, Input, Line, News
from benchd.errors import JournalError
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.contracts import Health
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.outbox import JournalOutbox
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Statement, Writes
from benchd.runtime.watch.recovery import first_number
from benchd.runtime.watch.saver import NOT_KEPT, Saver, Timing


async def inputs_of(path: Path) -> list[Input]:
    async with Journal(path, read_only=True) as journal:
        return [item async for _, item in Logbook(journal).inputs()]


def told_texts(told: Sequence[tuple[Effect, int, bool]]) -> list[tuple[str, bool]]:
    return [(effect.text.strip(), unsaved) for effect, _, unsaved in told if isinstance(effect, Alert)]


# ------------------------------------------------------------------------------- it cannot be written for a while


@asynccontextmanager
async def locked(watch: Watch) -> AsyncIterator[None]:
    """Another process holds the file.

    The lock is waited for on another thread: a commit under way needs this loop for its next statement, and a loop that
    itself waits for the lock would hold both up until "database is locked".
    """
    other = sqlite3.connect(watch.journal.path, isolation_level=None, timeout=60.0, check_same_thread=False)
    await asyncio.to_thread(other.execute, "BEGIN EXCLUSIVE")
    try:
        yield
    finally:
        other.rollback()
        other.close()


@asynccontextmanager
async def full(watch: Watch) -> AsyncIterator[None]:
    """The file may not grow."""
    _pragma(watch, "max_page_count=1")
    try:
        yield
    finally:
        _pragma(watch, "max_page_count=1073741823")


@asynccontextmanager
async def read_only(watch: Watch) -> AsyncIterator[None]:
    _pragma(watch, "query_only=1")
    try:
        yield
    finally:
        _pragma(watch, "query_only=0")


def _pragma(watch: Watch, text: str) -> None:
    """On the watch's own connection, by its thread's queue."""
    db = watch.journal._db
    assert db is not None
    db._tx.put_nowait((None, lambda: db._conn.execute(f"PRAGMA {text}").fetchall()))


@asynccontextmanager
async def failing_sync(watch: Watch) -> AsyncIterator[None]:
    """Every commit fails as the disk would report it."""
    db = watch.journal._db
    assert db is not None

    async def fail() -> None:
        raise sqlite3.OperationalError("disk I/O error")

    db.commit = fail  # type: ignore[method-assign]
    try:
        yield
    finally:
        del db.commit


FAULTS = {"locked": locked, "full": full, "readonly": read_only, "I/O error": failing_sync}


@pytest.mark.parametrize("fault", FAULTS)
async def test_while_it_cannot_be_written_everything_is_told_unsaved_and_saved_once_it_can(
    tmp_path: Path, fault: str
) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.mailbox.put(context())
        watch.line("20")
        await until(settled(watch, 2))
        async with FAULTS[fault](watch):
            watch.line("p3 damp" + " " * 9000)  # more than the free room of a page
            await until(lambda: not watch.health.journal_ok)
            watch.line("p1 over relief")
            watch.line("say lid")
            for n in range(3000):
                watch.line(str(n), 0.01)
            await until(lambda: len(watch.ear._events) >= 4 and watch.pipeline.seq >= 3006)
            told = watch.heard()
            assert all(unsaved for _, _, unsaved in told)
            assert told_texts(told) == [("p3 damp", True), ("p1 over relief", True)]
            notice = next(effect for effect, _, _ in told if isinstance(effect, BenchNotice))
            assert notice.active
            assert any(word in notice.why for word in ("locked", "full", "readonly", "I/O"))
            assert query(watch.journal.path, "SELECT count(*) FROM effects") == [(0,)]
        await until(lambda: watch.health.journal_ok and watch.ear._events)
        back = watch.heard()
        ((told_back, _, unsaved),) = back
        notice = as_kind(BenchNotice, told_back)
        assert (notice.why, notice.active, unsaved) == ("saving again", False, False)
    kept = await inputs_of(tmp_path / "j.db")
    assert len([item for item in kept if isinstance(item, Line)]) == 3004
    assert [item.active for item in kept if isinstance(item, News)] == [True, False]
    assert not [item for item in kept if isinstance(item, Gap)]
    assert query(tmp_path / "j.db", "SELECT number FROM effects ORDER BY number") == [(n,) for n in range(1, 6)]
    assert query(tmp_path / "j.db", "PRAGMA integrity_check") == [("ok",)]


async def test_past_the_buffer_inputs_are_stepped_counted_and_a_gap_and_checkpoint_close_the_hole(
    tmp_path: Path,
) -> None:
    small = replace(QUICK, buffer_bytes=40_000)
    watch = Watch(tmp_path / "j.db", small)
    async with watching(watch, clean=False):
        watch.mailbox.put(context())
        watch.mark("mix")
        await until(settled(watch, 2))
        async with locked(watch):
            watch.line("p3 damp")
            await until(lambda: not watch.health.journal_ok)
            for n in range(2000):
                watch.line(str(n), 0.01)
            await until(lambda: watch.engine.lines == 2001)
            watch.line("p1 over relief")
            await until(lambda: ("p1 over relief", True) in told_texts(_peek(watch)))
            lost = watch.health.dropped["journal"]
            assert 1000 < lost < 2000
        await until(lambda: watch.health.journal_ok and watch.engine.gaps)
        watch.line("20")
        await until(settled(watch, watch.pipeline.seq + 1))
        live = watch.engine.__dict__ | {}
    kept = await inputs_of(tmp_path / "j.db")
    (gap,) = [item for item in kept if isinstance(item, Gap)]
    assert (gap.why, gap.lost) == ("journal", lost)
    assert len([item for item in kept if isinstance(item, Line)]) + lost == 2003
    assert query(tmp_path / "j.db", "SELECT payload FROM outbox") == [
        ("p3 damp",),
        ("p1 over relief",),
    ]
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    async with watching(again):
        assert again.recovered.how == "checkpoint"
        assert again.state_at_start == live  # the checkpoint holds what the log does not


def _peek(watch: Watch) -> list[tuple[Effect, int, bool]]:
    return [(p.effect, p.id, p.unsaved) for p in watch.ear._events]


async def test_a_commit_that_hangs_holds_up_p1_a_moment_the_rest_a_little_longer(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db", HASTY)
    async with watching(watch):
        watch.line("20")
        await until(settled(watch, 1))
        write, go_on = watch.journal.write, asyncio.Event()

        async def hang(writes: Writes) -> None:
            await go_on.wait()
            await write(writes)

        watch.journal.write = hang  # type: ignore[method-assign]
        watch.line("p3 damp")
        watch.line("p1 over relief")
        await until(lambda: len(watch.ear._events) >= 3)
        assert told_texts(_peek(watch)) == [("p1 over relief", True), ("p3 damp", True)]  # said the other way round
        watch.line("p1 next while it hangs")
        await until(lambda: ("p1 next while it hangs", True) in told_texts(_peek(watch)))
        go_on.set()
        await until(lambda: watch.health.journal_ok)
    texts = [text for text, _ in told_texts(watch.heard())]
    assert sorted(texts) == ["p1 next while it hangs", "p1 over relief", "p3 damp"]  # each once


async def test_a_disk_that_hangs_does_not_hold_up_the_end_of_the_watch(tmp_path: Path) -> None:
    """An end that waited for the disk would never come."""
    watch = Watch(tmp_path / "j.db", Timing(last_commit_s=0.3))
    watch.line("20")
    async with watching(watch):
        await until(settled(watch, 1))
        watch.journal.write = lambda writes: asyncio.Event().wait()  # type: ignore[method-assign,assignment,return-value]
        watch.line("p3 damp")
        await until(lambda: watch.pipeline.seq == 2)
    assert told_texts(watch.heard()) == [("p3 damp", True)]


async def test_a_disk_that_hangs_does_not_hold_up_the_closing_of_the_journal(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j.db")
    await journal.open()
    db = journal._db
    assert db is not None
    hung = asyncio.Event()
    with mock.patch.object(db, "execute", side_effect=lambda *words: hung.wait()):
        async with asyncio.timeout(30.0):  # it waited for ever
            await journal.close(is_clean=True)
    assert not journal.is_open
    async with Journal(tmp_path / "j.db") as again:  # the lock is free
        assert again.is_open


async def test_an_event_for_which_no_memory_is_left_is_told_as_unsaved(tmp_path: Path) -> None:
    """A buffer twice over its limit keeps no effect: the commit that follows does not hold it."""
    bulletin, health = Bulletin(), Health()
    ear, outbox = bulletin.subscribe(), JournalOutbox(lambda: T0)
    saver = Saver(Journal(tmp_path / "j.db"), bulletin, outbox, health, Timing(buffer_bytes=100))
    words = [
        Alert(t=T0, alert="room-damp", active=True, heard=False, priority=3, subject=POT, text=f"{n}") for n in (1, 2)
    ]
    for number, word in enumerate(words, 1):
        saver.add_event(number, 1, word)
    assert [row[0] for row in saver._next.writes.effects] == [1]
    assert [(posted.id, posted.unsaved, posted.why) for posted in ear._events] == [(2, True, NOT_KEPT)]


async def test_a_file_taken_away_under_way_is_begun_anew_with_context_and_checkpoint(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.mailbox.put(context())
        watch.mark("mix")
        watch.line("20")
        await until(settled(watch, 3))
        for name in ("j.db", "j.db-wal", "j.db-shm"):
            os.unlink(tmp_path / name)
        watch.line("p1 over relief")
        await until(lambda: any("taken away" in getattr(e, "why", "") for e, _, _ in _peek(watch)))
        await until(settled(watch, watch.pipeline.seq))
        live = watch.engine.__dict__ | {}
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    async with watching(again):
        assert (again.recovered.how, again.state_at_start) == ("checkpoint", live)
    assert context() in await inputs_of(tmp_path / "j.db")


# ----------------------------------------------------------------------------------------------------------- the start


@pytest.mark.parametrize("damage", ["corrupt", "newer"])
async def test_an_unusable_journal_is_told_and_the_watch_goes_on_with_numbers_of_its_own(
    tmp_path: Path, damage: str
) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.line("p3 damp")
        await until(settled(watch, 1))
    if damage == "newer":
        db = sqlite3.connect(tmp_path / "j.db")
        db.execute("PRAGMA user_version=99")
        db.close()
    else:
        with open(tmp_path / "j.db", "r+b") as file:  # noqa: ASYNC230
            file.seek(0)
            file.write(os.urandom(6000))
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    async with watching(again):
        again.line("p1 over relief")
        await until(lambda: len(again.ear._events) == 2)
    told = again.heard()
    (notice,) = (effect for effect, _, _ in told if isinstance(effect, BenchNotice))
    assert ("newer benchd" if damage == "newer" else "set-aside") in notice.why
    assert notice.what == "journal-changed"
    assert not any(unsaved for _, _, unsaved in told)
    assert [number - first_number(again.engine.now) > -100_000 for _, number, _ in told] == [True] * 2


async def test_with_no_journal_at_all_the_watch_begins_and_saves_as_soon_as_it_can(tmp_path: Path) -> None:
    folder = tmp_path / "not-mounted-yet"
    watch = Watch(folder / "j.db")
    async with watching(watch):
        watch.mailbox.put(context())
        watch.line("p1 over relief")
        await until(lambda: len(watch.ear._events) >= 2)
        assert all(unsaved for _, _, unsaved in watch.heard())
        assert not watch.health.journal_ok
        folder.mkdir()
        await until(lambda: watch.health.journal_ok)
    kept = await inputs_of(folder / "j.db")
    assert context() in kept
    assert [item.line for item in kept if isinstance(item, Line)] == ["p1 over relief"]
    assert query(folder / "j.db", "SELECT payload FROM outbox") == [("p1 over relief",)]


async def test_a_journal_locked_at_the_start_is_joined_later_without_a_clash_of_numbers(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch):
        watch.line("p3 damp")
        await until(settled(watch, 1))
    other = sqlite3.connect(tmp_path / "j.db", isolation_level=None)
    other.execute("PRAGMA locking_mode=EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    async with watching(again):
        again.line("p1 over relief")
        await until(lambda: any(isinstance(posted.effect, Alert) for posted in again.ear._events))
        assert all(unsaved for _, _, unsaved in again.heard())
        other.rollback()
        other.close()
        await until(lambda: again.health.journal_ok and again.outbox.is_loaded)
        assert [row.payload for row in await again.outbox.pending()] == ["p1 over relief", "p3 damp"]
    names = [name for (name,) in query(tmp_path / "j.db", "SELECT name FROM effects ORDER BY number")]
    assert names[:1] == ["room-damp"]
    assert "pot-over-relief" in names


async def test_a_disk_full_at_the_start_still_gives_back_the_open_pour(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.db")
    async with watching(watch, clean=False):
        watch.mark("mix")
        watch.line("20")
        await until(settled(watch, 2))
    again = Watch(tmp_path / "j.db", t=watch.t + 10)
    commit, is_full = again.journal.commit, True

    async def refuse(statements: Sequence[Statement]) -> None:
        if is_full:
            raise JournalError("database or disk is full")
        await commit(statements)

    again.journal.commit = refuse  # type: ignore[method-assign]
    async with watching(again):
        assert again.recovered.how == "checkpoint"
        assert again.pipeline.is_busy
        again.line("p1 over relief")
        await until(lambda: told_texts(_peek(again)) == [("p1 over relief", True)])
        is_full = False
        await until(lambda: again.health.journal_ok)
        await until(settled(again, again.pipeline.seq))
    assert [g.why for g in await inputs_of(tmp_path / "j.db") if isinstance(g, Gap)] == ["restart"]


async def test_an_input_that_cannot_be_read_is_a_gap_of_one(tmp_path: Path) -> None:
    """Lines in rows of their own, as 0.1.0 wrote them."""
    async with Journal(tmp_path / "j.db") as journal:
        rows = [(n + 1, T0 + n, to_json(Line(T0 + n, "board", str(n)))) for n in range(5)]
        await journal.commit([("INSERT INTO inputs VALUES (?, ?, 'line', ?)", rows)])
    db = sqlite3.connect(tmp_path / "j.db")
    db.execute("UPDATE inputs SET body = '{torn' WHERE seq = 3")
    db.execute("""UPDATE inputs SET body = '{"t": 1, "omen": {}}' WHERE seq = 4""")
    db.commit()
    db.close()
    kept = await inputs_of(tmp_path / "j.db")
    assert [getattr(item, "line", "") for item in kept] == ["0", "1", "", "", "4"]
    assert [item.why for item in kept if isinstance(item, Gap)] == ["unreadable input"] * 2
