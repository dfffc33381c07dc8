"""Does a query beside the writer answer as one on its connection, see only commits, and report what it cannot read?"""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from benchd.core.findings import Finding, PotFilling, PourEnded, PourStarted
from benchd.core.model import Subject
from benchd.errors import JournalError
from benchd.runtime.journal.asked import asked_apart
from benchd.runtime.journal.effect_pages import PAGE
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.runtime.journal.rows import Writes

COUNT = "SELECT count(*) FROM effects"
T0 = 1_767_600_000.0


def finding(n: int) -> Finding:
    """One of three kinds, two of a pour; its time goes back now and then, as a finding's may."""
    about, t = Subject(bench="north", pour=f"cup-1-{n // 100}"), T0 + n - 7.0 * (n % 5 == 0)
    if n % 3 == 0:
        return PourStarted(t=t, subject=about, mix_t=t, lot="r-07", molds=(), inferred=False, number=n)
    if n % 3 == 1:
        return PourEnded(t=t, subject=about, why="demolded")
    return PotFilling(t=t, subject=Subject(bench="north", pot="barrel"), since=t, kpa=100.0, kpa_per_min=300.0,
                      projected_at=None)  # fmt: skip


async def filled(path: Path, count: int) -> Journal:
    journal = Journal(path)
    await journal.open()
    writes = Writes()
    for n in range(1, count + 1):
        writes.add_effect(n, 0, finding(n))
    await journal.write(writes)
    return journal


async def test_every_filter_finds_what_a_plain_pass_finds(tmp_path: Path) -> None:
    """More than a page of each, and times that are not in the order of numbers."""
    count = 3 * PAGE + 500
    journal = await filled(tmp_path / "j.db", count)
    book, known = Logbook(journal), {n: finding(n) for n in range(1, count + 1)}
    asked: list[dict[str, Any]] = [
        {}, {"names": ("pour_started", "pour_ended")}, {"names": ("pot_filling",), "since_t": T0 + 700.0},
        {"since_t": T0 + 1_000.0, "until_t": T0 + 1_100.0}, {"until_t": T0 + 95.0}, {"until_t": T0 - 1e6},
        {"names": ("pour_ended",), "until_t": T0 + 2_000.0, "after_number": 37}, {"pour": "cup-1-7"},
        {"pour": "cup-1-7", "names": ("pour_ended",)}, {"kind": "alert"}, {"names": ("kicked",)},
    ]  # fmt: skip
    for wanted in asked:
        since_t, until_t = wanted.get("since_t", -1e12), wanted.get("until_t", 1e12)
        expected = [
            n for n, one in known.items()
            if since_t <= one.t <= until_t and n > wanted.get("after_number", 0)
            and one.finding in (wanted.get("names") or (one.finding,))
            and wanted.get("pour") in (None, one.subject.pour) and wanted.get("kind", "finding") == "finding"
        ]  # fmt: skip
        assert [told.number async for told in book.effects(**wanted)] == expected, wanted
    await journal.close()


async def test_it_sees_what_is_committed_and_holds_nobody_up(tmp_path: Path) -> None:
    journal = await filled(tmp_path / "j.db", 10)

    is_asked, is_written = threading.Event(), threading.Event()

    async def slow(rows: Readable) -> int:
        before = int((await rows.rows(COUNT))[0][0])
        is_asked.set()
        assert is_written.wait(20.0)
        return int((await rows.rows(COUNT))[0][0]) - before

    asking = asyncio.create_task(asked_apart(journal, slow))
    assert await asyncio.to_thread(is_asked.wait, 20.0)
    writes = Writes()
    writes.add_effect(11, 0, finding(11))
    await journal.write(writes)  # while the other reads
    is_written.set()
    assert await asking == 1
    await journal.close()


async def test_it_cannot_write_and_a_damaged_file_is_set_aside_by_the_writer(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    journal = await filled(path, 10)

    async def writing(rows: Readable) -> Any:
        return await rows.rows("DELETE FROM effects")

    with pytest.raises(JournalError, match=r"j\.db: attempt to write a readonly database"):
        await asked_apart(journal, writing)
    await journal.commit([("INSERT INTO meta VALUES (?, ?)", [("a", "b")])])
    assert not journal.notices
    malformed = sqlite3.DatabaseError("database disk image is malformed")
    damage = JournalError("j.db: malformed")
    damage.__cause__ = malformed
    journal.suspect(damage)
    generation = journal.generation
    await journal.commit([("INSERT INTO meta VALUES (?, ?)", [("c", "d")])])
    assert journal.generation == generation  # opened again, looked at, and found whole
    await journal.close()


async def test_a_large_file_is_read_through_after_the_start_and_set_aside_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut left a damaged page in the middle: the start does not wait for a reading of years."""
    path = tmp_path / "j.db"
    async with Journal(path) as journal:
        await journal.commit([("INSERT INTO meta VALUES (?, ?)", [(f"k{n}", "x" * 500) for n in range(600)])])
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE meta SET value = '0' WHERE key = 'closed'")
        db.commit()
    data = bytearray(path.read_bytes())
    at = data.rfind(b"x" * 400)
    data[at // 4096 * 4096 : at // 4096 * 4096 + 200] = b"\xff" * 200
    path.write_bytes(bytes(data))
    monkeypatch.setattr("benchd.runtime.journal.schema.AT_ONCE_BYTES", 4096)
    journal = Journal(path)
    await journal.open()
    assert not journal.is_new
    await journal.check()
    await journal.commit([("INSERT OR REPLACE INTO meta VALUES (?, ?)", [("a", "b")])])
    assert journal.generation == 1
    assert "the journal could not be used" in journal.notices[0]
    await journal.check()  # it is whole: nothing more happens
    await journal.commit([("INSERT OR REPLACE INTO meta VALUES (?, ?)", [("a", "c")])])
    assert journal.generation == 1
    await journal.close()
