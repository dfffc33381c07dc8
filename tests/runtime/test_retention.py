"""Are closed loads sealed, idle lines let go after a day, and is nothing touched while something is open?"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from runtime.journal_fakes import T0, context
from runtime.test_seal import board_lines

from benchd.core.findings import PourEnded, PourStarted
from benchd.core.model import Gap, Input, Line, Mark, Subject
from benchd.runtime.journal.age import retention as retention_module
from benchd.runtime.journal.age.retention import Retention, Swept
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Checkpoint, MinuteRow, Writes

DAY_S = 86400.0


def pour(number: int, dt: float, end_dt: float) -> tuple[PourStarted, PourEnded]:
    subject = Subject(bench="north", cup="cup-1", pour=f"cup-1-{number}")
    started = PourStarted(t=T0 + dt, subject=subject, mix_t=T0 + dt, lot=None, molds=(), inferred=False, number=number)
    return started, PourEnded(t=T0 + end_dt, subject=subject, why="marked")


async def fill(journal: Journal, seconds: int, pours: list[tuple[float, float]]) -> list[tuple[int, Input]]:
    """A line each ten seconds, a commit each hundred, a mark at each mix; returns all inputs as they should read."""
    writes = Writes()
    rows: list[tuple[int, Input]] = [(1, context(T0))]
    writes.add_input(1, context(T0))
    seq = 1
    for dt in range(0, seconds, 10):
        if dt % 100 == 0:
            await journal.write(writes)
            writes = Writes()
        given: list[Input] = [Line(T0 + dt, "b1", str(dt))]
        given += [Mark(t=T0 + dt, verb="mix") for a, _ in pours if a == dt]
        for item in given:
            seq += 1
            writes.add_input(seq, item)
            rows.append((seq, item))
    for n, (a, b) in enumerate(pours, 1):
        for k, effect in enumerate(pour(n, a, b)):
            writes.add_effect(2 * n - 1 + k, seq, effect)
    writes.checkpoint = Checkpoint(seq, T0 + seconds, 2 * len(pours), b"state")
    await journal.write(writes)
    return rows


async def test_sealed_lines_read_as_before_and_marks_are_never_touched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention_module, "BLOCK_ROWS", 50)
    async with Journal(tmp_path / "j.db") as journal:
        rows = await fill(journal, 7200, [(2000, 4000), (6000, 6500)])
        retention = Retention(journal, lambda: T0 + 7200, lambda: False)
        swept = await retention.sweep()
        # 1400..4060 and 5400..6560, each ends included, a line each 10 s
        assert swept == Swept(blocks=6 + 3, sealed=267 + 117, thinned=0)
        book = Logbook(journal)
        assert [row async for row in book.inputs()] == rows
        assert [row async for row in book.inputs(150, 300)] == [row for row in rows if 150 < row[0] <= 300]
        between = [row async for row in book.inputs_between(T0 + 3000, T0 + 5600)]
        assert between == [row for row in rows if T0 + 3000 <= row[1].t <= T0 + 5600]
        assert await journal.rows("SELECT count(*) FROM inputs WHERE kind = 'mark'") == [(2,)]
        assert await retention.sweep() == Swept()


async def test_idle_lines_go_after_a_day_those_of_a_pour_stay_sealed(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        rows = await fill(journal, 7200, [(2000, 4000)])
        swept = await Retention(journal, lambda: T0 + DAY_S + 5000, lambda: False).sweep()
        assert swept.sealed == 267
        assert swept.thinned == 140 + 93  # 0..1390, and 4070..4990 (5000 is not older than a day)
        left = [row async for row in Logbook(journal).inputs()]
    kept = [r for r in rows if not isinstance(r[1], Line) or 1400 <= r[1].t - T0 <= 4060 or r[1].t - T0 >= 5000]
    assert left == kept


async def test_nothing_happens_while_a_pour_is_open_or_begins_meanwhile(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        rows = await fill(journal, 7200, [(2000, 4000)])
        assert await Retention(journal, lambda: T0 + 9 * DAY_S, lambda: True).sweep() == Swept()
        asked: list[int] = []

        def soon_busy() -> bool:
            asked.append(1)
            return len(asked) > 1

        assert await Retention(journal, lambda: T0 + 9 * DAY_S, soon_busy).sweep() == Swept()
        assert [row async for row in Logbook(journal).inputs()] == rows
        # later, with nothing open, the same span is sealed after all
        assert (await Retention(journal, lambda: T0 + DAY_S, lambda: False).sweep()).sealed == 267


async def test_what_the_oldest_checkpoint_still_needs_is_not_let_go(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        await fill(journal, 3000, [])
        await journal.commit([("UPDATE checkpoints SET seq = ?", [(100,)])])
        assert (
            await Retention(journal, lambda: T0 + 9 * DAY_S, lambda: False).sweep()
        ).thinned == 90  # whole commits of ten


async def test_a_damaged_block_reads_as_a_gap_and_the_rest_stays_readable(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        rows = await fill(journal, 7200, [(2000, 4000)])
        await Retention(journal, lambda: T0 + 7200, lambda: False).sweep()
        await journal.commit([("UPDATE blocks SET body = ?", [(os.urandom(50),)])])
        left = [row async for row in Logbook(journal).inputs()]
    gap = [item for _, item in left if isinstance(item, Gap)]
    assert [(g.why, g.lost, g.since) for g in gap] == [("damaged block", 267, T0 + 1400)]
    assert len(left) == len(rows) - 267 + 1


async def used_bytes(journal: Journal) -> int:
    found = await journal.rows(
        "SELECT (page_count - freelist_count) * page_size "
        "FROM pragma_page_count, pragma_freelist_count, pragma_page_size"
    )
    return int(found[0][0])


@pytest.mark.soak
async def test_a_year_on_disk(tmp_path: Path) -> None:
    """A day of it, really written and swept: 2 lines/s, six channels, half the hours in loads; x 365 below 500 MB."""
    async with Journal(tmp_path / "j.db") as journal:
        empty_bytes = await used_bytes(journal)  # the tables' own pages are there once, not every day
        rows = board_lines(2 * 86400)
        seq = 0
        for start in range(0, len(rows), 20):  # ten seconds a commit
            writes = Writes()
            for seq, item in rows[start : start + 20]:
                writes.add_input(seq, item)
            await journal.write(writes)
        writes = Writes()
        for n in range(12):
            for k, effect in enumerate(pour(n + 1, 7200 * n, 7200 * n + 2940)):
                writes.add_effect(2 * n + 1 + k, seq, effect)
        for minute in range(1440):
            writes.minutes += [
                MinuteRow(f"c{c}", int(T0 // 60) + minute, 60, 20 + c, 21.5 + c, 23 + minute / 99) for c in range(6)
            ]
        writes.checkpoint = Checkpoint(seq, T0 + 86400, 24, b"x")
        await journal.write(writes)
        swept = await Retention(journal, lambda: T0 + 3 * 86400, lambda: False).sweep()
        newest = await journal.rows("SELECT count FROM bundles")  # stays: it says how far the engine had come
        assert len(newest) == 1
        assert swept.sealed + swept.thinned + newest[0][0] == len(rows)
        used = (await journal.rows("SELECT sum(length(body)) FROM blocks"))[0][0]
        day_mb = (await used_bytes(journal) - empty_bytes) / 1e6
    print(f"a day: {day_mb:.2f} MB, blocks {used / 1e6:.2f} MB, {used / swept.sealed:.1f} bytes a sealed line")
    assert day_mb * 365 < 500
