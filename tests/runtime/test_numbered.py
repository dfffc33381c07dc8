"""Is a load or pour found by the number that benchd says, by "last", by its day and by its id?"""

from __future__ import annotations

from pathlib import Path
from typing import cast

import pytest

from benchd.core.bench import Bench
from benchd.core.findings import LoadClosed, PourEnded, PourStarted
from benchd.core.model import Subject
from benchd.runtime.history.numbered import Kind, NotOnRecord, named
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes

BENCH = Bench(id="north", shop="x", name="North", utc_offsets=((0.0, 3600.0),))
DAY_T = 1_767_567_600.0  # Monday 2026-01-05 00:00 at UTC+1 (date -d @1767567600)
LOADS = (("barrel-1", 1, 9.0), ("barrel-2", 2, 11.0), ("barrel-3", 1, 23.9), ("barrel-4", 1, 33.0))


async def journalled(path: Path) -> None:
    """Loads of two days (the third begins late on the first) and two pours, of which the second is taken back."""
    writes = Writes()
    for number, (load, of_day, hour) in enumerate(LOADS, 1):
        subject = Subject(bench="north", pot="barrel", load=load)
        writes.add_effect(number, 0, LoadClosed(t=DAY_T + hour * 3600.0, subject=subject, pours=(), number=of_day))
    for number, pour in enumerate(("cup-1-7", "cup-1-9"), 1):
        subject, t = Subject(bench="north", cup="cup-1", pour=pour), DAY_T + 36_000.0 + number
        begun = PourStarted(t=t, subject=subject, mix_t=t, lot=None, molds=(), inferred=False, number=number)
        writes.add_effect(10 + number, 0, begun)
    writes.add_effect(20, 0, PourEnded(t=DAY_T + 36_010.0, subject=subject, why="undone"))
    async with Journal(path) as journal:
        await journal.write(writes)


async def found(path: Path, kind: str, asked: str) -> str:
    await journalled(path)
    async with Journal(path, read_only=True) as journal:
        return await named(journal, BENCH, cast(Kind, kind), asked)


@pytest.mark.parametrize(
    ("kind", "asked", "id"),
    [
        ("load", "last", "barrel-4"), ("load", "1", "barrel-4"), ("load", "2", "barrel-2"),
        ("load", "1@2026-01-05", "barrel-3"), ("load", "1@2026-01-06", "barrel-4"), ("load", "Barrel-2", "barrel-2"),
        ("pour", "last", "cup-1-7"), ("pour", "1", "cup-1-7"), ("pour", "cup-1-9", "cup-1-9"),
    ],
)  # fmt: skip
async def test_each_way_to_name_one(tmp_path: Path, kind: str, asked: str, id: str) -> None:
    assert await found(tmp_path / "j.db", kind, asked) == id


@pytest.mark.parametrize(
    ("kind", "asked", "remedy"),
    [
        ("load", "9", 'no load "9"; the newest are 1@2026-01-05 (barrel-1), 2@2026-01-05 (barrel-2)'),
        ("load", "2@2026-01-06", "the newest are"), ("load", "1@monday", "write it as 2026-01-05"),
        ("load", "barel-2", 'did you mean "barrel-2"?'), ("pour", "2", "the newest are 1@2026-01-05 (cup-1-7)"),
    ],
)  # fmt: skip
async def test_what_is_not_there_is_said_with_what_is(tmp_path: Path, kind: str, asked: str, remedy: str) -> None:
    with pytest.raises(NotOnRecord) as caught:
        await found(tmp_path / "j.db", kind, asked)
    assert remedy in str(caught.value)


async def test_an_empty_journal_has_none(tmp_path: Path) -> None:
    async with Journal(tmp_path / "j.db") as journal:
        with pytest.raises(NotOnRecord, match="no load is on record yet"):
            await named(journal, BENCH, "load", "last")
