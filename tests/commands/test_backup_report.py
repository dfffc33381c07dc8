"""A backup taken while the bench writes: what is restored tells the same report, and is how the live journal begins.

The load is the recorded load 2 of the invented day (tests/recordings), taken into a journal by `benchd import`.
"""

from __future__ import annotations

import asyncio
import lzma
import sqlite3
import threading
from pathlib import Path

import pytest

from benchd import cli
from benchd.core.model import Line
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Writes

ROOT = Path(__file__).parents[2]


@pytest.fixture
def journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    recording = tmp_path / "load-2.jsonl"
    recording.write_bytes(lzma.decompress((ROOT / "tests/recordings/load-2-crumb.jsonl.xz").read_bytes()))
    assert cli.main(["import", str(recording), "--journal", str(tmp_path / "journal.db")]) == 0
    config = (ROOT / "config" / "bench.toml").read_text("utf-8") + f'\n[journal]\npath = "{tmp_path}/journal.db"\n'
    (tmp_path / "bench.toml").write_text(config, "utf-8")
    (tmp_path / "shelf.toml").write_bytes((ROOT / "config" / "shelf.toml").read_bytes())
    (tmp_path / "resins").symlink_to(ROOT / "config" / "resins")
    capsys.readouterr()
    return tmp_path / "journal.db"


def report(journal: Path, capsys: pytest.CaptureFixture[str], *what: str) -> str:
    assert cli.main(["report", *what, "--journal", str(journal)]) == 0
    return capsys.readouterr().out


def rows(path: Path, table: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(path)
    try:
        return db.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()
    finally:
        db.close()


async def write_on(path: Path, stop: threading.Event) -> None:
    """A bench that goes on: four lines a commit, as fast as the disk takes them."""
    async with Journal(path, busy_s=10.0) as journal:
        book = Logbook(journal)
        seq, t = await book.last_seq(), await book.last_t()
        while not stop.is_set():
            writes = Writes()
            for _ in range(4):
                seq, t = seq + 1, t + 0.25
                writes.add_input(seq, Line(t, "board", "[]"))
            await journal.write(writes)


@pytest.mark.wide
def test_a_backup_under_load_restores_to_the_same_report(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    load = report(journal, capsys, "load", "last")
    day = report(journal, capsys, "day", "2026-01-05")
    assert "M07 Porter pack frame" in load
    bundles = len(rows(journal, "bundles"))
    stop = threading.Event()
    writer = threading.Thread(target=lambda: asyncio.run(write_on(journal, stop)))
    writer.start()
    try:
        for n in range(3):
            assert cli.main(["backup", str(tmp_path / f"{n}.zip"), "-c", str(tmp_path / "bench.toml")]) == 0
    finally:
        stop.set()
        writer.join()
    assert len(rows(journal, "bundles")) > bundles + 2  # it did go on
    for n in range(3):
        restored = tmp_path / f"to-{n}"
        assert cli.main(["restore", str(tmp_path / f"{n}.zip"), "--to", str(restored)]) == 0
        capsys.readouterr()
        held, live = rows(restored / "journal.db", "bundles"), rows(journal, "bundles")
        assert held == live[: len(held)]
        assert len(held) >= bundles
        assert all(count == 4 for _, _, _, _, count, *_ in held[bundles:])  # whole commits
        for table in ("inputs", "effects", "contexts", "minutes", "fresh_minutes", "blocks"):
            assert rows(restored / "journal.db", table) == rows(journal, table)
        assert report(restored / "journal.db", capsys, "load", "last") == load
        assert report(restored / "journal.db", capsys, "day", "2026-01-05") == day
