"""What the running bench learns from its log and what a report says from its records is one thing told twice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchd.core.bench import Bench
from benchd.core.findings import Kicked, PourEnded, PourStarted
from benchd.core.model import Mark, Subject
from benchd.reports.records_read import read_records
from benchd.reports.records_room import histories_of, kicks_of
from benchd.runtime.history.lots import kicks_by_lot
from benchd.runtime.history.molds import histories
from benchd.runtime.history.room import room_then
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import MinuteRow, Writes

DAY_T = 1_767_571_200.0
LATER_T = DAY_T + 40 * 86_400.0


@pytest.fixture
async def month(tmp_path: Path) -> Path:
    """Thirty pours of R-07: some taken back, some of a wrong ratio, some parts that stick, some rooms not measured."""
    writes = Writes()
    for n in range(30):
        t = DAY_T + n * 86_400.0 + 36_000.0
        subject = Subject(bench="north", cup="cup-1", pour=f"cup-1-{int(t)}")
        molds = ("m01", "m02") if n % 3 else ("m01",)
        b_g = 120.0 if n % 7 == 3 else 90.0
        writes.add_effect(10 * n + 1, 0, PourStarted(t=t, subject=subject, mix_t=t, lot="r-07", molds=molds,
                                                     inferred=False, number=1, a_g=100.0, b_g=b_g))  # fmt: skip
        at = t + 180.0 + n
        writes.add_effect(10 * n + 2, 0, Kicked(t=at, subject=subject, at=at, early=at, late=at, temp_c=None,
                                                basis="curve"))  # fmt: skip
        if n % 9 == 4:
            writes.add_effect(10 * n + 3, 0, PourEnded(t=at + 1.0, subject=subject, why="undone"))
        if n % 5:
            writes.minutes.append(MinuteRow("room-temperature", int(t // 60), 60, 20.0, 20.0 + n / 10, 21.0))
        feel = "stuck" if n in (11, 20) else "hard"
        writes.add_input(2 * n + 1, Mark(t=t + 1200.0, verb="demolded", id=f"a{n}", mold="m01", feel=feel))
        if "m02" in molds:
            text = "came out matte" if n == 14 else None
            writes.add_input(2 * n + 2, Mark(t=t + 1260.0, verb="demolded", id=f"b{n}", mold="m02", text=text))
    path = tmp_path / "journal.db"
    async with Journal(path) as journal:
        await journal.write(writes)
    return path


async def test_a_lots_kicks_are_the_same_from_log_and_records(month: Path, studio: Bench) -> None:
    bench = replace(studio, lots=tuple(replace(lot, opened=DAY_T) for lot in studio.lots))
    async with Journal(month, read_only=True) as journal:
        from_log = (await kicks_by_lot(journal, bench, 0.0, LATER_T))["r-07"]
        from_records = await kicks_of(journal, bench, await read_records(journal, 0.0, LATER_T), bench.lots[0])
    assert from_log == from_records
    # by hand: of thirty, three were taken back, four of the rest are off in ratio, and five of those have no room
    assert len(from_log) == 18
    assert [kick.temp_c for kick in from_log][:2] == pytest.approx([20.1, 20.2])


async def test_a_molds_wear_is_the_same_from_log_and_records(month: Path, studio: Bench) -> None:
    bench = replace(studio, molds=tuple(replace(mold, silicone="tin") for mold in studio.molds))
    async with Journal(month, read_only=True) as journal:
        from_log = await histories(journal, bench)
        from_records = histories_of(bench, await read_records(journal, 0.0, LATER_T))
    assert from_log == from_records
    known = {history.mold: history for history in from_log}
    # by hand: 27 pours stand; M01 stuck first in the twelfth of all, of which one had been taken back
    assert (known["m01"].casts, known["m01"].before_sign) == (18 + 27, 18 + 10)
    assert known["m02"].before_sign is not None


async def test_a_year_of_moments_is_asked_in_one_go(tmp_path: Path, studio: Bench) -> None:
    writes, times = Writes(), [DAY_T + 3600.0 * n for n in range(700)]
    writes.minutes.extend(MinuteRow("room-humidity", int(t // 60) + 1, 30, 40.0, 40.0 + n % 20, 60.0)
                          for n, t in enumerate(times) if n % 2)  # fmt: skip
    async with Journal(tmp_path / "journal.db") as journal:
        await journal.write(writes)
        found = await room_then(Logbook(journal), studio, "room_humidity", times)
        assert await room_then(Logbook(journal), replace(studio, channels=()), "room_humidity", times) == {}
    assert sorted(found) == times[1::2]
    assert found[times[21]] == 41.0
