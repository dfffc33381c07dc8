"""Says how large the journal is and will be, for `benchd check`."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

DRAWN_MB = 130  # a year of 1,000 loads: tests/benchmarks/README.md
LEAST_DAYS = 30.0  # a shorter past says little about a year
DAY_S = 86_400.0


def size_words(path: Path) -> str:
    """What it takes now and a year from now, from its own past where that is long enough; what the disk has left."""
    size_mb = path.stat().st_size / 1e6 if path.exists() else 0.0
    days = _days(path)
    if days >= LEAST_DAYS:
        a_year_mb = size_mb / days * 365.0
        words = f"{size_mb:.0f} MB after {days:.0f} days, some {a_year_mb:.0f} MB more a year"
    else:
        a_year_mb = DRAWN_MB
        words = f"expect some {DRAWN_MB} MB a year of four loads a day"
    free_mb = shutil.disk_usage(_nearest(path)).free / 1e6
    return words if free_mb > a_year_mb else f"{words}; the disk has {free_mb:.0f} MB left, make room"


def _days(path: Path) -> float:
    """From the first effect to the last [days]; 0 where there is none, or the file cannot be read."""
    if not path.exists():
        return 0.0
    sql = "SELECT (SELECT t FROM effects ORDER BY number LIMIT 1), (SELECT t FROM effects ORDER BY number DESC LIMIT 1)"
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)) as db:
            first_t, last_t = db.execute(sql).fetchone()
            return 0.0 if first_t is None else (float(last_t) - float(first_t)) / DAY_S
    except (sqlite3.Error, OSError, ValueError, TypeError):
        return 0.0


def _nearest(path: Path) -> Path:
    """The journal's folder, or the nearest above it that exists."""
    return next(parent for parent in path.absolute().parents if parent.exists())
