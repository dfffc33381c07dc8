"""Are the lines of a commit, packed into one row, read back in order with all else, and are few pages written?"""

from __future__ import annotations

import asyncio
import os
import random
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest
from runtime.journal_fakes import QUICK, T0, Watch, context, inputs_kept, settled, until, watching
from runtime.test_retention import pour
from runtime.test_seal import board_lines
from some_of import some_of

from benchd.core.format.record import to_json
from benchd.core.model import Gap, Input, Line, Mark, RawLine
from benchd.errors import JournalError
from benchd.runtime.files.log_length import log_bytes as used_bytes
from benchd.runtime.journal import journal as journal_module
from benchd.runtime.journal.age import retention as retention_module
from benchd.runtime.journal.age.retention import Retention
from benchd.runtime.journal.bundles import BEYOND, bundle_at
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Checkpoint, MinuteRow, Reached, Writes
from benchd.runtime.journal.schema import MIGRATIONS, prepare
from benchd.runtime.watch import pipeline as pipeline_module
from benchd.runtime.watch.saver import Timing

FRAME_BYTES = 24 + 4096  # of the log: a frame's head and a page, sqlite.org/walformat.html
DAY_S = 86400.0
Rows = list[tuple[int, Input]]


def log_bytes(path: Path) -> int:
    return os.stat(f"{path}-wal").st_size


def written(rows: Rows, reached: Reached | None = None) -> Writes:
    writes = Writes()
    for seq, item in rows:
        writes.add_input(seq, item)
    writes.reached = reached
    return writes


async def test_an_idle_hour_of_commits_writes_few_pages(tmp_path: Path) -> None:
    """Ten seconds at 5 lines/s a commit, a minute of four channels each sixth: 360 commits, as an idle hour has."""
    rows: Rows = list(board_lines(360 * 50))
    async with Journal(tmp_path / "j.db") as journal:
        before = log_bytes(tmp_path / "j.db")
        for n in range(360):
            part = rows[50 * n : 50 * n + 50]
            writes = written(part, Reached(part[-1][0], part[-1][1].t, 0))
            if n % 6 == 5:
                writes.minutes = [MinuteRow(f"c{c}", int(T0 // 60) + n // 6, 300, 20.0, 21.0, 22.0) for c in range(4)]
            await journal.write(writes)
        frames = (log_bytes(tmp_path / "j.db") - before) / FRAME_BYTES
    assert frames / 360 < 3.0, f"{frames / 360:.2f} pages a commit"


# ------------------------------------------------------------------------------------------------------ reading back


def mixed(luck: random.Random, count: int) -> Rows:
    """Lines of two kinds, with marks and gaps between them, some at the same time."""
    rows: Rows = [(1, context(T0))]
    t = T0
    for seq in range(2, count):
        t += luck.choice([0.0, 0.2, 1.0, 7.5])
        kinds: list[Input] = [Line(t, "b1", f"line {seq}"), RawLine(t, "b1", "//79"), Line(t, "b2", "x", "boards/b2")]
        rare: list[Input] = [Mark(t=t, verb="mix", id=str(seq)), Gap(t, t - 3.0, "paused", 2)]
        rows.append((seq, luck.choice(rare if luck.random() < 0.1 else kinds)))
    return rows


async def as_0_1_0(path: Path, rows: Rows) -> None:
    """A journal as 0.1.0 left it, every line in a row of its own."""
    prepare(path, 0, MIGRATIONS[:2])
    plain = [(seq, item.t, "line" if isinstance(item, Line) else "raw", to_json(item)) for seq, item in rows]
    with closing(sqlite3.connect(path)) as db, db:
        db.executemany("INSERT INTO inputs VALUES (?, ?, ?, ?)", plain)


@pytest.mark.parametrize("seed", some_of(range(6), 2))
async def test_rows_bundles_and_blocks_read_as_what_came_in(tmp_path: Path, seed: int) -> None:
    """0.1.0's rows, then commits of any size, then a sealed stretch that cuts some of them."""
    luck = random.Random(seed)
    rows = mixed(luck, 900)
    old = [row for row in rows[1:200] if isinstance(row[1], Line | RawLine)]
    await as_0_1_0(tmp_path / "j.db", old)
    async with Journal(tmp_path / "j.db") as journal:
        left = [row for row in rows if row not in old]
        while left:
            size = luck.choice([1, 2, 5, 50])
            await journal.write(written(left[:size]))
            left = left[size:]
        end_t = rows[-1][1].t
        for n, (a, b) in enumerate([(700, 900), (2000, 2300)], 1):
            writes = Writes()
            for k, effect in enumerate(pour(n, a, min(b, end_t - T0))):
                writes.add_effect(2 * n - 1 + k, 1, effect)
            await journal.write(writes)
        swept = await Retention(journal, lambda: end_t + 100, lambda: False).sweep()
        assert swept.sealed > 100
        book = Logbook(journal)
        assert [row async for row in book.inputs()] == rows
        for _ in range(40):
            a, b = sorted(luck.sample(range(900), 2))
            assert [row async for row in book.inputs(a, b)] == [row for row in rows if a < row[0] <= b]
            first_t, last_t = rows[a][1].t, rows[min(b, len(rows) - 1)][1].t + 0.1
            between = [row async for row in book.inputs_between(first_t, last_t)]
            assert between == [row for row in rows if first_t <= row[1].t <= last_t]
            assert await book.seq_before(first_t) == next(seq for seq, item in rows if item.t >= first_t) - 1
        assert await book.last_seq() == rows[-1][0]
        assert await book.last_t() == end_t


async def test_bisection_finds_the_bundle_of_any_time(tmp_path: Path) -> None:
    luck = random.Random(4)
    async with Journal(tmp_path / "j.db") as journal:
        assert await bundle_at(journal.rows, T0) == BEYOND
        seq, t, ends = 5, T0, []
        for _ in range(60):
            rows: Rows = [(seq + n, Line(t + n, "b1", "x")) for n in range(luck.randint(1, 9))]
            ends.append((seq, rows[-1][1].t))
            await journal.write(written(rows))
            seq, t = seq + len(rows) + luck.randint(0, 300), rows[-1][1].t + luck.uniform(0, 50)
        for _ in range(200):
            asked_t = luck.uniform(T0 - 10, t + 10)
            assert await bundle_at(journal.rows, asked_t) == next((s for s, end_t in ends if end_t >= asked_t), BEYOND)


async def test_a_commit_written_again_with_more_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """A commit may reach the disk and yet be reported as failed; it is then written again with what came since."""
    rows: Rows = [(seq, Line(T0 + seq, "b1", str(seq))) for seq in range(1, 31)]
    first = written(rows[:20], Reached(20, T0 + 20, 0))
    both = first.followed_by(written(rows[20:], Reached(30, T0 + 30, 3)))
    async with Journal(tmp_path / "j.db") as journal:
        for writes in (first, both, both.followed_by(Writes(reached=Reached(30, T0 + 31, 3)))):
            await journal.write(writes)
        assert [row async for row in Logbook(journal).inputs()] == rows
        assert await Logbook(journal).reached() == Reached(30, T0 + 31, 3)


async def test_other_lines_under_the_same_number_are_refused_and_nothing_is_written(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        rows: Rows = [(seq, Line(T0 + seq, "b1", str(seq))) for seq in range(1, 9)]
        await journal.write(written(rows))
        said_otherwise: Rows = [*rows[:7], (8, Line(T0 + 8, "b1", "x"))]
        later: Rows = [(1, Line(T0 + 0.5, "b1", "x")), (9, Line(T0 + 9, "b1", "y"))]
        for others in (said_otherwise, later, rows[:4]):
            with pytest.raises(JournalError):
                await journal.write(written([*others, (20, Mark(t=T0 + 501, verb="mix"))]))
        assert [row async for row in Logbook(journal).inputs()] == rows


async def test_a_full_buffer_is_cut_into_rows_and_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.runtime.journal.rows.BUNDLE_LINES", 40)
    rows: Rows = [(seq, Line(T0 + seq, "b1", str(seq))) for seq in range(1, 101)]
    async with Journal(tmp_path / "j.db") as journal:
        await journal.write(written(rows, Reached(100, T0 + 100, 0)))
        assert await journal.rows("SELECT first_seq, count FROM bundles") == [(1, 40), (41, 40), (81, 20)]
        assert [row async for row in Logbook(journal).inputs()] == rows
        assert await Logbook(journal).reached() == Reached(100, T0 + 100, 0)


async def test_a_damaged_bundle_reads_as_a_gap_and_is_left_out_of_sealing(tmp_path: Path) -> None:
    rows: Rows = [(seq, Line(T0 + 10 * seq, "b1", str(seq))) for seq in range(1, 61)]
    async with Journal(tmp_path / "j.db") as journal:
        for at in range(0, 60, 10):
            await journal.write(written(rows[at : at + 10]))
        await journal.commit([("UPDATE bundles SET body = ? WHERE first_seq = 21", [(os.urandom(50),)])])
        writes = Writes()
        for k, effect in enumerate(pour(1, 10, 540)):
            writes.add_effect(1 + k, 60, effect)
        await journal.write(writes)
        assert (await Retention(journal, lambda: T0 + 900, lambda: False).sweep()).sealed == 50
        left = [row async for row in Logbook(journal).inputs()]
    gap = Gap(T0 + 300, T0 + 210, "damaged block", 10)
    assert left == [*rows[:20], (30, gap), *rows[30:]]


# --------------------------------------------------------------------------------------------------- how far it came


async def test_how_far_the_engine_came_outlives_sealing_and_thinning(tmp_path: Path) -> None:
    """The newest bundle alone says it: a sweep that takes all of its lines must leave that word."""
    async with Journal(tmp_path / "j.db") as journal:
        writes = written([(seq, Line(T0 + seq, "b1", "x")) for seq in range(1, 41)], Reached(40, T0 + 40.5, 2))
        for k, effect in enumerate(pour(1, 5, 30)):
            writes.add_effect(1 + k, 30, effect)
        writes.checkpoint = Checkpoint(40, T0 + 40, 2, b"state")
        await journal.write(writes)
        book = Logbook(journal)
        assert (await Retention(journal, lambda: T0 + 41, lambda: False).sweep()).sealed == 40
        assert await book.reached() == Reached(40, T0 + 40.5, 2)
        await Retention(journal, lambda: T0 + 9 * DAY_S, lambda: False).sweep()
        assert await book.reached() == Reached(40, T0 + 40.5, 2)
        assert [seq async for seq, _ in book.inputs()] == list(range(1, 41))
        later = Writes(reached=Reached(40, T0 + 700.0, 3))  # a commit without lines says it in `meta`
        await journal.write(later)
        assert await book.reached() == later.reached
        await journal.write(written([(41, Line(T0 + 701, "b1", "x"))], Reached(41, T0 + 701, 3)))
        assert await book.reached() == Reached(41, T0 + 701, 3)


async def test_after_a_crash_behind_a_sweep_nothing_is_told_twice(tmp_path: Path) -> None:
    """A pour ends, its lines are sealed at once, the process is killed: the replay knows what was told."""
    watch = Watch(tmp_path / "j.db", QUICK)
    async with watching(watch, clean=False):
        watch.mark("mix")
        for n in range(20):
            watch.line(f"p3 word {n}" if n % 5 == 0 else str(n))
        watch.mark("end")
        for n in range(5):
            watch.line("p3 after" if n == 2 else str(n))
        await until(settled(watch, 27))
        told = [number for _, number, _ in watch.heard()]
        await Retention(watch.journal, lambda: watch.t, lambda: False).sweep()
        assert await watch.journal.rows("SELECT count FROM bundles") == [(0,)]
    again = Watch(tmp_path / "j.db", QUICK, t=watch.t + 5)
    async with watching(again):
        assert again.recovered.notices == []
        assert again.recovered.engine.told == max(told)
        again.line("p3 new")
        await until(lambda: len(again.ear._events) >= 2)
        assert min(number for _, number, _ in again.heard()) == max(told) + 1


# ---------------------------------------------------------------------------------------------------------- minutes


async def test_a_minute_on_both_sides_of_the_move_reads_as_one(tmp_path: Path) -> None:
    minute = int(T0 // 60)
    async with Journal(tmp_path / "j.db") as journal:
        book, retention = Logbook(journal), Retention(journal, lambda: T0, lambda: False)
        await journal.write(Writes(minutes=[MinuteRow("cup", minute, 30, 20.0, 21.0, 22.0)]))
        await journal.write(Writes(minutes=[MinuteRow("pot", minute, 5, 1.0, 2.0, 3.0)]))
        await retention.sweep()
        await journal.write(Writes(minutes=[MinuteRow("cup", minute, 10, 19.0, 25.0, 26.5)]))
        await journal.write(Writes(minutes=[MinuteRow("cup", minute + 1, 60, 22.0, 22.5, 23.0)]))
        expected = [
            MinuteRow("cup", minute, 40, 19.0, 22.0, 26.5),  # 30 at 21 and 10 at 25: 22
            MinuteRow("cup", minute + 1, 60, 22.0, 22.5, 23.0),
        ]
        for _ in range(2):
            assert await book.minutes("cup", T0, T0 + 60) == expected
            assert await book.minutes_of("cup", [minute + 1, minute + 7]) == expected[1:]
            await retention.sweep()
        assert await journal.rows("SELECT count(*) FROM fresh_minutes") == [(0,)]
        assert await book.minutes("nobody", T0, T0 + 60) == []


# ------------------------------------------------------------------------------------------------- older journals


async def test_a_journal_of_0_1_0_is_read_as_it_lies_and_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    rows: Rows = [(seq, Line(T0 + seq, "b1", str(seq))) for seq in range(1, 21)]
    await as_0_1_0(path, rows)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("INSERT INTO channels (name) VALUES ('cup')")
        db.execute("INSERT INTO minutes VALUES (1, ?, 60, 2000, 2100, 2200)", (int(T0 // 60),))
        db.execute("INSERT INTO meta VALUES ('reached', ?)", (f"[20, {T0 + 20}, 7]",))
    async with Journal(path, read_only=True) as journal:
        book = Logbook(journal)
        assert [row async for row in book.inputs()] == rows
        assert (await book.reached(), await book.last_seq()) == (Reached(20, T0 + 20, 7), 20)
        assert await book.minutes("cup", T0, T0) == [MinuteRow("cup", int(T0 // 60), 60, 20.0, 21.0, 22.0)]
        with pytest.raises(JournalError):
            await journal.commit([("DELETE FROM inputs WHERE seq = ?", [(1,)])])
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (2,)
    later: Rows = [(seq, Line(T0 + seq, "b1", str(seq))) for seq in range(21, 41)]
    async with Journal(path) as journal:
        await journal.write(written(later, Reached(40, T0 + 40, 7)))
        assert [row async for row in Logbook(journal).inputs()] == rows + later
        assert await Logbook(journal).reached() == Reached(40, T0 + 40, 7)
        swept = await Retention(journal, lambda: T0 + 3 * DAY_S, lambda: False).sweep()
        assert swept.thinned == 0  # no checkpoint yet: a start may need them all
    with closing(sqlite3.connect(tmp_path / "j.db.before-schema-3")) as copy:
        assert copy.execute("SELECT count(*) FROM inputs").fetchone() == (20,)


async def test_lines_of_0_1_0_are_sealed_and_let_go_like_later_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention_module, "BLOCK_ROWS", 16)
    rows: Rows = [(seq, Line(T0 + 10 * seq, "b1", str(seq))) for seq in range(1, 201)]
    await as_0_1_0(tmp_path / "j.db", rows[:100])
    async with Journal(tmp_path / "j.db") as journal:
        for at in range(100, 200, 10):
            await journal.write(written(rows[at : at + 10]))
        writes = Writes(checkpoint=Checkpoint(200, T0 + 2000, 2, b"state"))
        for k, effect in enumerate(pour(1, 1395, 1605)):  # kept: 795..1665, a line each ten seconds
            writes.add_effect(1 + k, 150, effect)
        await journal.write(writes)
        swept = await Retention(journal, lambda: T0 + 3 * DAY_S, lambda: False).sweep()
        assert swept.sealed == len([row for row in rows if 795 <= row[1].t - T0 <= 1665]) == 87
        left = [row async for row in Logbook(journal).inputs()]
        newest = {seq for seq, _ in rows[190:]}  # says how far the engine came, and so stays
        assert left == [row for row in rows if 795 <= row[1].t - T0 <= 1665 or row[0] in newest]


# ------------------------------------------------------------------------------------------------- the log, the state


async def test_the_log_is_written_over_and_what_it_held_stays(tmp_path: Path) -> None:
    rows: Rows = [(seq, Line(T0 + seq, "b1", str(seq))) for seq in range(1, 1201)]
    limit_bytes = 40 * FRAME_BYTES
    async with Journal(tmp_path / "j.db") as journal:
        sizes = []
        for at in range(0, 1200, 5):
            await journal.write(written(rows[at : at + 5]))
            await journal.fold_if_large(limit_bytes)
            sizes.append(log_bytes(tmp_path / "j.db"))
        assert max(sizes) < 2 * limit_bytes
        assert sizes == sorted(sizes), "it never shrinks only to grow again"
        cut = tmp_path / "cut.db"  # as a power cut leaves it: the log's beginning new, its end of an earlier round
        shutil.copy(tmp_path / "j.db", cut)
        shutil.copy(tmp_path / "j.db-wal", f"{cut}-wal")
    async with Journal(cut) as journal:
        assert [row async for row in Logbook(journal).inputs()] == rows
        assert await journal.rows("PRAGMA integrity_check") == [("ok",)]


async def test_the_log_in_use_is_counted_not_the_file(tmp_path: Path) -> None:
    log = f"{tmp_path / 'j.db'}-wal"
    assert used_bytes(log) == 0
    async with Journal(tmp_path / "j.db") as journal:
        await journal.commit([("INSERT INTO meta VALUES ('much', ?)", [("x" * 100_000,)])])
        whole = os.stat(log).st_size
        assert used_bytes(log) == whole - 32  # all but the head
        await journal.fold_if_large(0)
        for n in range(1, 4):
            await journal.commit([("INSERT OR REPLACE INTO meta VALUES ('little', ?)", [(str(n),)])])
            assert os.stat(log).st_size == whole
            assert used_bytes(log) == n * FRAME_BYTES
    Path(log).write_bytes(b"short")  # noqa: ASYNC240
    assert used_bytes(log) == 0


async def test_looking_at_the_log_keeps_the_locks(tmp_path: Path) -> None:
    """A closed descriptor of the wrong file gives up SQLite's locks: the next reader then cuts its index from under us.

    The lock that says "in use" is byte 120 + 8 of the index, after the eight others (sqlite.org/walformat.html, 2.3).
    """
    probe = "import fcntl, sys; fcntl.lockf(open(sys.argv[1], 'r+b'), fcntl.LOCK_EX | fcntl.LOCK_NB, 1, 128)"
    async with Journal(tmp_path / "j.db") as journal:
        await journal.write(Writes(meta={"a": "b"}))
        for limit_bytes in (0, 2**20):
            await journal.fold_if_large(limit_bytes)
            other = await asyncio.create_subprocess_exec(
                sys.executable, "-c", probe, f"{tmp_path / 'j.db'}-shm", stderr=asyncio.subprocess.PIPE
            )
            _, complaint = await other.communicate()
            assert b"BlockingIOError" in complaint


async def test_a_burst_leaves_no_large_log_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_module, "WAL_LIMIT_BYTES", 20 * FRAME_BYTES)
    async with Journal(tmp_path / "j.db") as journal:
        await journal.commit([("INSERT INTO meta VALUES ('much', ?)", [("x" * 400_000,)])])
        large = log_bytes(tmp_path / "j.db")
        await journal.fold_if_large(20 * FRAME_BYTES)
        await journal.write(Writes(meta={"a": "b"}))
        assert log_bytes(tmp_path / "j.db") <= 20 * FRAME_BYTES < large


async def test_an_idle_bench_freezes_its_engine_seldom_a_busy_one_often(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pipeline_module, "IDLE_TAIL", 12)
    watch = Watch(tmp_path / "j.db", Timing(0.01, 0.01, 0.01, checkpoint_s=0.0, idle_checkpoint_s=3600.0))

    def newest() -> int:
        with closing(sqlite3.connect(tmp_path / "j.db")) as db:
            return int(db.execute("SELECT max(seq) FROM checkpoints").fetchone()[0])

    async def line(seq: int) -> int:
        watch.line(str(seq))
        await until(settled(watch, seq))
        return newest()

    async with watching(watch, clean=False):
        assert [await line(seq) for seq in range(1, 13)] == [1] * 12
        assert await line(13) == 13, "so many inputs are not left to be stepped again"
        assert [await line(seq) for seq in (14, 15)] == [13, 13]
        watch.mark("mix")
        await until(settled(watch, 16))
        assert [await line(seq) for seq in (17, 18)] == [17, 18]
    assert [seq for seq, _ in inputs_kept(tmp_path / "j.db")] == list(range(1, 19))
