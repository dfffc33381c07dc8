"""Does `check` say how large the journal will be, from its own past, and when the disk is too small for it?"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchd.commands.check.journal_size import size_words
from benchd.core.findings import PourEnded
from benchd.core.model import Subject
from benchd.runtime.journal.age.keep import Keep
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes

T0 = 1_767_600_000.0


async def journal_of(path: Path, days: float) -> Path:
    writes = Writes()
    for number, t in enumerate((T0, T0 + days * 86_400.0), 1):
        about = Subject(bench="north", pour="a")
        writes.add_effect(number, 0, PourEnded(t=t, subject=about, why="demolded"))
    async with Journal(path) as journal:
        await journal.write(writes)
    os.truncate(path, 5_000_000)
    return path


async def test_a_year_is_reckoned_from_its_own_past(tmp_path: Path) -> None:
    half_a_year = await journal_of(tmp_path / "j.db", 182.5)
    assert size_words(half_a_year) == "5 MB after 182 days, expect some 10 MB after a year and 50 after five"


async def test_without_a_past_it_is_that_of_a_drawn_year(tmp_path: Path) -> None:
    expected = "at four loads a day, expect some 165 MB after a year and 825 after five"
    assert size_words(tmp_path / "missing" / "j.db") == expected
    assert size_words(await journal_of(tmp_path / "young.db", 3.0)) == expected
    (tmp_path / "odd.db").write_bytes(b"no database at all" * 100)
    assert size_words(tmp_path / "odd.db") == expected


def test_a_full_disk_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=60e6))
    assert size_words(tmp_path / "j.db").endswith("; the disk has 60 MB left, make room")


def test_what_is_not_kept_for_good_no_longer_grows(tmp_path: Path) -> None:
    """By hand: lines 88 MB a year for two years, forecasts 34 for 14 months, the other 43 MB a year for all five."""
    words = size_words(tmp_path / "j.db", Keep(lines=24, findings=14))
    assert words == "at four loads a day, expect some 165 MB after a year and 431 after five"
    assert pytest.approx(430.7, abs=0.1) == 88.0 * 2 + 34.0 * 14 / 12 + 43.0 * 5


async def test_a_benchs_own_shares_count(tmp_path: Path) -> None:
    """A journal of a year whose size is nearly all lines shrinks to what is kept of them."""
    path = await journal_of(tmp_path / "j.db", 365.0)
    async with Journal(path) as journal:
        await journal.commit([("INSERT INTO blocks VALUES (1, 2, 0, 1, 2, ?)", [(b"x" * 8_000_000,)])])
        await journal.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    size_mb = path.stat().st_size / 1e6
    assert size_words(path, Keep(lines=12)).endswith(
        f"some {size_mb:.0f} MB after a year and {5 * size_mb - 32.0:.0f} after five"
    )
