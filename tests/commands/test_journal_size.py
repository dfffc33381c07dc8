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
    assert size_words(half_a_year) == "5 MB after 182 days, some 10 MB more a year"


async def test_without_a_past_it_is_that_of_a_drawn_year(tmp_path: Path) -> None:
    expected = "expect some 130 MB a year of four loads a day"
    assert size_words(tmp_path / "missing" / "j.db") == expected
    assert size_words(await journal_of(tmp_path / "young.db", 3.0)) == expected
    (tmp_path / "odd.db").write_bytes(b"no database at all" * 100)
    assert size_words(tmp_path / "odd.db") == expected


def test_a_full_disk_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=60e6))
    assert size_words(tmp_path / "j.db").endswith("; the disk has 60 MB left, make room")
