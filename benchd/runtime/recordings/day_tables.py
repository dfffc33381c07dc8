"""Writes the tables of finished days as CSV, one folder a day: pours, loads, parts and readings by the minute.

1. A day is the bench's own, from local midnight to midnight; a pour belongs to the day it was mixed on.
2. A file has its name once it is whole.  The last two finished days are written again each night, since a part may be
   marked after midnight; older days that have all their files are left alone.
3. Every cell that a spreadsheet would run as a formula begins with an apostrophe.
"""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path

from benchd.core.format.plain_text import printable
from benchd.errors import JournalError
from benchd.runtime.files.whole_file import not_written, whole_text

TABLES = {"pours": "mix_t", "loads": "closed_t", "parts": "mix_t", "readings_by_minute": "minute_t"}
"""View of the journal -> the column that says on which day a row belongs."""
AGAIN = 2
"""So many of the last finished days are written in any case."""
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def plain_cell(text: str) -> str:
    """A text that no spreadsheet runs and no terminal obeys."""
    return f"'{printable(text)}" if text.startswith(FORMULA) else printable(text)


def midnight_after(t: float, zone: tzinfo) -> float:
    """The first local midnight after a time [unix s]."""
    return _begin(datetime.fromtimestamp(t, zone).date() + timedelta(days=1), zone)


def _begin(day: date, zone: tzinfo) -> float:
    return datetime.combine(day, time(), zone).astimezone(UTC).timestamp()


def write_nights(journal: Path, folder: Path, zone: tzinfo, now_t: float) -> list[str]:
    """Write what is due by now [unix s]; the days written, oldest first.

    Raises JournalError when the journal cannot be read, holds no views yet, or a file cannot be written.
    """
    try:
        with closing(sqlite3.connect(f"{journal.absolute().as_uri()}?mode=ro", uri=True, timeout=10.0)) as db:
            days = _due(db, folder, zone, now_t)
            for day in days:
                _write_day(db, folder / day.isoformat(), _begin(day, zone), _begin(day + timedelta(days=1), zone))
    except sqlite3.Error as error:
        remedy = "; `benchd run` makes its views at the next start" if "no such table" in str(error) else ""
        raise JournalError(f"{journal}: {error}{remedy}") from error
    except OSError as error:
        raise JournalError(not_written(folder, error)) from error
    return [day.isoformat() for day in days]


def _due(db: sqlite3.Connection, folder: Path, zone: tzinfo, now_t: float) -> list[date]:
    """Finished days with rows that lack a file, and those of the last AGAIN days."""
    today = datetime.fromtimestamp(now_t, zone).date()
    found: set[date] = set()
    for table, column in TABLES.items():
        times = db.execute(f"SELECT DISTINCT CAST({column} / 900 AS INTEGER) * 900 FROM {table}")
        found |= {datetime.fromtimestamp(t, zone).date() for (t,) in times}
    finished = sorted(day for day in found if day < today)
    again = {today - timedelta(days=back) for back in range(1, AGAIN + 1)}
    return [day for day in finished if day in again or not _is_whole(folder / day.isoformat())]


def _is_whole(folder: Path) -> bool:
    return all((folder / f"{table}.csv").is_file() for table in TABLES)


def _write_day(db: sqlite3.Connection, folder: Path, since_t: float, until_t: float) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for table, column in TABLES.items():
        found = db.execute(f"SELECT * FROM {table} WHERE {column} >= ? AND {column} < ?", (since_t, until_t))
        with whole_text(folder / f"{table}.csv") as out:
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow([name for name, *_ in found.description])
            writer.writerows(_cells(found))


def _cells(rows: Iterator[tuple[object, ...]]) -> Iterator[list[object]]:
    for row in rows:
        yield [plain_cell(cell) if isinstance(cell, str) else cell for cell in row]
