"""The plainest careful log of a board's lines: one SQLite row a line, a synced commit each ten seconds.

What the bytes are compared with that benchd writes to a card for the same lines.

    python plain_log.py DATABASE < LINES
"""

from __future__ import annotations

import sqlite3
import sys
import time

COMMIT_S = 10.0


def main(path: str) -> None:
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute("CREATE TABLE lines (t REAL NOT NULL, line TEXT NOT NULL)")
    db.execute("CREATE INDEX lines_t ON lines (t)")
    db.execute("BEGIN")
    since_s = time.monotonic()
    for line in sys.stdin:
        db.execute("INSERT INTO lines VALUES (?, ?)", (time.time(), line.rstrip("\n")))
        if time.monotonic() - since_s >= COMMIT_S:
            db.execute("COMMIT")
            db.execute("BEGIN")
            since_s = time.monotonic()
    db.execute("COMMIT")


if __name__ == "__main__":
    main(sys.argv[1])
