"""Is each finished day written once as CSV, by the bench's own midnight, and nothing of an unfinished one?"""

from __future__ import annotations

import csv
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from runtime.test_views import write_a_few

from benchd import cli
from benchd.errors import JournalError
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import MinuteRow, Writes
from benchd.runtime.recordings.day_tables import TABLES, midnight_after, plain_cell, write_nights

OSLO = ZoneInfo("Europe/Oslo")
NOON_T = 1_767_610_800.0  # 2026-01-05 11:00 UTC, noon in Oslo
DAY_S = 86_400.0
NEXT_DAY_T = NOON_T + DAY_S


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Two pours and a load on the 5th."""
    path = tmp_path / "journal.db"
    write_a_few(path)
    return path


def read(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_finished_day_is_written_and_the_present_one_is_not(journal: Path, tmp_path: Path) -> None:
    assert write_nights(journal, tmp_path / "csv", OSLO, NOON_T) == []
    assert not (tmp_path / "csv").exists()
    assert write_nights(journal, tmp_path / "csv", OSLO, NEXT_DAY_T) == ["2026-01-05"]
    folder = tmp_path / "csv" / "2026-01-05"
    assert sorted(path.name for path in folder.iterdir()) == sorted(f"{table}.csv" for table in TABLES)
    assert [(row["mold"], row["grade"], row["cause"]) for row in read(folder / "parts.csv")] == [
        ("m07", "scrap", "trap"), ("m02", "good", ""), ("m07", "", ""),
    ]  # fmt: skip
    assert [row["load"] for row in read(folder / "loads.csv")] == ["l-1"]


def test_a_late_mark_comes_in_for_two_nights_and_older_days_stay(journal: Path, tmp_path: Path) -> None:
    csvs = tmp_path / "csv"
    write_nights(journal, csvs, OSLO, NEXT_DAY_T)
    parts = csvs / "2026-01-05" / "parts.csv"
    parts.write_text("edited by hand")
    assert write_nights(journal, csvs, OSLO, NEXT_DAY_T + DAY_S) == ["2026-01-05"]
    assert len(read(parts)) == 3
    parts.write_text("edited by hand")
    assert write_nights(journal, csvs, OSLO, NEXT_DAY_T + 2 * DAY_S) == []
    assert parts.read_text() == "edited by hand"
    parts.unlink()  # a day that is not whole is made up for, however old
    assert write_nights(journal, csvs, OSLO, NEXT_DAY_T + 90 * DAY_S) == ["2026-01-05"]


async def test_a_day_ends_at_the_benchs_midnight(tmp_path: Path) -> None:
    """23:30 UTC on the 5th is the 6th in Oslo, an hour ahead in winter (IANA time zone database)."""
    path = tmp_path / "journal.db"
    rows = [MinuteRow("room", minute, 240, 21.0, 21.5, 22.0) for minute in (29_460_989, 29_461_000)]  # 23:29, 23:40
    async with Journal(path) as journal:
        await journal.write(Writes(minutes=[MinuteRow("room", 29_460_950, 240, 21.0, 21.5, 22.0), *rows]))
    with closing(sqlite3.connect(path)) as db:
        times = [utc for (utc,) in db.execute("SELECT minute_utc FROM readings_by_minute")]
    assert times == ["2026-01-05 23:50:00", "2026-01-06 00:29:00", "2026-01-06 00:40:00"]
    assert write_nights(path, tmp_path / "utc", ZoneInfo("UTC"), NEXT_DAY_T + DAY_S) == ["2026-01-05", "2026-01-06"]
    assert write_nights(path, tmp_path / "oslo", OSLO, NEXT_DAY_T + DAY_S) == ["2026-01-06"]
    assert [row["mean"] for row in read(tmp_path / "oslo" / "2026-01-06" / "readings_by_minute.csv")] == ["21.5"] * 3


def test_the_next_midnight_is_right_when_the_clock_changes() -> None:
    """Oslo, 2026-03-29: the day has 23 hours (IANA time zone database)."""
    first = midnight_after(1_774_738_799.0, OSLO)
    assert (first, midnight_after(first, OSLO) - first) == (1_774_738_800.0, 23 * 3600.0)


def test_no_cell_is_a_formula() -> None:
    """OWASP, "CSV Injection": cells that begin with =, +, -, @, tab or carriage return."""
    assert [plain_cell(text) for text in ("=1+1", "@x", "m02", "-a", "a\x1b[2J")] == [
        "'=1+1", "'@x", "m02", "'-a", "a [2J",
    ]  # fmt: skip


def test_what_cannot_be_read_or_written_is_said(journal: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(journal)) as db:
        db.execute("DROP VIEW parts")
    with pytest.raises(JournalError, match=r"no such table: parts; `benchd run` makes its views at the next start"):
        write_nights(journal, tmp_path / "csv", OSLO, NEXT_DAY_T)
    (tmp_path / "file").write_text("no folder")
    write_a_few(tmp_path / "other.db")
    with pytest.raises(JournalError, match="file"):
        write_nights(tmp_path / "other.db", tmp_path / "file", OSLO, NEXT_DAY_T)


def every_night(journal: Path, folder: Path) -> list[str]:
    return ["export", "csv", "--journal", str(journal), "--every", "night", "-o", str(folder)]


def test_once_writes_what_is_due_and_ends(journal: Path, tmp_path: Path) -> None:
    """For a timer of the system's."""
    assert cli.main([*every_night(journal, tmp_path / "csv"), "--once"]) == 0
    assert len(read(tmp_path / "csv" / "2026-01-05" / "pours.csv")) == 2


@pytest.mark.wide  # a process of its own: over two seconds
def test_without_once_it_goes_on_until_it_is_stopped(journal: Path, tmp_path: Path) -> None:
    written = tmp_path / "csv" / "2026-01-05" / "readings_by_minute.csv"  # the last of its files
    command = [sys.executable, "-m", "benchd", *every_night(journal, tmp_path / "csv")]
    waiting = subprocess.Popen(command, stderr=subprocess.PIPE)
    try:
        until_s = time.monotonic() + 30.0
        while not written.exists() and time.monotonic() < until_s:
            time.sleep(0.05)
        assert written.exists()
        assert waiting.poll() is None
    finally:
        waiting.send_signal(signal.SIGINT)
        assert b"Traceback" not in waiting.communicate(timeout=20)[1]


@pytest.mark.parametrize(
    "words",
    [
        ["csv", "--every", "night"], ["recording", "--every", "night", "-o", "x"], ["csv", "--once", "-o", "x"],
        ["csv", "--every", "night", "-o", "x", "--load", "last"],
    ],
)  # fmt: skip
def test_what_does_not_go_together_is_wrong_usage(journal: Path, words: list[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(["export", *words, "--journal", str(journal)])
    assert caught.value.code == 2
