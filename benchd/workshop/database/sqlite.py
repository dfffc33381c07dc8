"""The shop's database for the demo alone: SQLite, with the same tables and views as PostgreSQL.

One writer and one reader in one process; nothing here is meant for a shop.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchd.workshop.database.schema import MIGRATIONS, in_sqlite
from benchd.workshop.database.views import VIEWS
from benchd.workshop.database.views import in_sqlite as view_in_sqlite
from benchd.workshop.incoming import MINUTE_COLUMNS, RECORD_COLUMNS, Batch

_RECORDS = f"""
INSERT INTO records ({", ".join(RECORD_COLUMNS)}) VALUES ({", ".join("?" * len(RECORD_COLUMNS))}) ON CONFLICT DO NOTHING
"""
_MINUTES = f"""
INSERT INTO minutes ({", ".join(MINUTE_COLUMNS)}) VALUES ({", ".join("?" * len(MINUTE_COLUMNS))})
ON CONFLICT (shop, bench, channel, minute, journal)
DO UPDATE SET n = excluded.n, lo = excluded.lo, mean = excluded.mean, hi = excluded.hi WHERE excluded.n > minutes.n
"""
_JOURNALS = """
INSERT INTO journals (shop, bench, journal, last_number, last_t, received_t, skew_s) VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (shop, bench, journal) DO UPDATE SET last_number = excluded.last_number, last_t = excluded.last_t,
    received_t = excluded.received_t, skew_s = excluded.skew_s WHERE excluded.last_number >= journals.last_number
"""


class DemoDatabase:
    """A file that lives as long as the demo; may be used from several threads."""

    def __init__(self, path: Path) -> None:
        self._lock = threading.Lock()
        self._db = sqlite3.connect(path, check_same_thread=False)
        self._db.row_factory = sqlite3.Row

    def prepare(self) -> None:
        """Make the tables and views."""
        with self._lock:
            for script in MIGRATIONS:
                self._db.executescript(in_sqlite(script))
            for name, query in VIEWS.items():
                self._db.execute(f"CREATE VIEW {name} AS {view_in_sqlite(query)}")
            self._db.commit()

    def write(self, batch: Batch) -> None:
        """Commit all of it."""
        newest = {row[:3]: row for row in sorted(batch.records, key=lambda row: int(row[3]))}
        with self._lock, self._db:
            self._db.executemany(_RECORDS, batch.records)
            self._db.executemany(_MINUTES, list(batch.minutes.values()))
            self._db.executemany(
                _JOURNALS, [(*key, row[3], row[7], row[9], row[8] - row[9]) for key, row in newest.items()]
            )
            told = [(each.arrival.received_t, each.arrival.topic, each.why, "") for each in batch.refused]
            self._db.executemany("INSERT INTO refused VALUES (?, ?, ?, ?)", told)

    def rows(self, query: str, values: Mapping[str, Any] | None = None) -> list[dict[str, Any]]:
        """The rows of a query whose placeholders are written :name."""
        with self._lock:
            return [dict(row) for row in self._db.execute(query, dict(values or {}))]

    def close(self) -> None:
        """Close the file; may be called twice."""
        with self._lock:
            self._db.close()
