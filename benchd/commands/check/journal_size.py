"""Says how large the journal is and will be, for `benchd check`."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchd.runtime.journal.age.keep import KINDS, PASSING, Keep

LEAST_DAYS = 30.0  # a shorter past says little about a year
DAY_S = 86_400.0
SAMPLE = 20_000  # newest effects, of which the shares of words and forecasts are taken
ROW_BYTES = 16.0  # of a one-minute value: five small integers and the page's share
INDEX_SHARE = 1.7  # of an effect's text, what it takes with its keys and indexes: from the drawn journals
MONTHS_A_YEAR = 12.0


@dataclass(frozen=True, slots=True)
class Growth:
    """MB a year, in all and of each kind that has an age."""

    all_mb: float
    of: Mapping[str, float]

    def after(self, years: float, keep: Keep) -> float:
        """The journal's size after so many years [MB]."""
        kept = {kind: keep.months(kind) for kind in KINDS}
        spans = {kind: years if m is None else min(years, m / MONTHS_A_YEAR) for kind, m in kept.items()}
        rest_mb = self.all_mb - sum(self.of.values())
        return rest_mb * years + sum(self.of[kind] * spans[kind] for kind in KINDS)


DRAWN = Growth(165.0, {"lines": 88.0, "minutes": 22.0, "words": 3.0, "findings": 34.0})
"""A year of 1,000 loads: tests/benchmarks/years.py, by table, and the forecasts and words of the recorded load 1."""


def size_words(path: Path, keep: Keep | None = None) -> str:
    """What it takes now and after one and five years, from its own past where that is long enough; what the disk has.

    keep: how long what is kept; forever unless given.
    """
    keep = keep or Keep()
    size_mb = path.stat().st_size / 1e6 if path.exists() else 0.0
    days, growth = _past(path, size_mb)
    one_mb, five_mb = (growth.after(years, keep) for years in (1.0, 5.0))
    words = f"{size_mb:.0f} MB after {days:.0f} days, e" if growth is not DRAWN else "at four loads a day, e"
    words += f"xpect some {one_mb:.0f} MB after a year and {five_mb:.0f} after five"
    free_mb = shutil.disk_usage(_nearest(path)).free / 1e6
    return words if free_mb > one_mb else f"{words}; the disk has {free_mb:.0f} MB left, make room"


def _past(path: Path, size_mb: float) -> tuple[float, Growth]:
    """How many days it holds, and how it grew; the drawn bench's where it is too young, or cannot be read."""
    if not path.exists():
        return 0.0, DRAWN
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)) as db:
            days = _days(db)
            return (days, _growth(db, size_mb, days / 365.0)) if days >= LEAST_DAYS else (days, DRAWN)
    except (sqlite3.Error, OSError, ValueError, TypeError):
        return 0.0, DRAWN


def _days(db: sqlite3.Connection) -> float:
    sql = "SELECT (SELECT t FROM effects ORDER BY number LIMIT 1), (SELECT t FROM effects ORDER BY number DESC LIMIT 1)"
    first_t, last_t = db.execute(sql).fetchone()
    return 0.0 if first_t is None else (float(last_t) - float(first_t)) / DAY_S


def _growth(db: sqlite3.Connection, size_mb: float, years: float) -> Growth:
    lines = _number(db, "SELECT sum(length(body)) FROM blocks")
    minutes = ROW_BYTES * _number(db, "SELECT count(*) FROM minutes")
    sample = f"(SELECT kind, name, length(body) AS n FROM effects ORDER BY number DESC LIMIT {SAMPLE})"
    sampled = _number(db, f"SELECT count(*) FROM {sample}")
    passing = ", ".join(f"'{name}'" for name in PASSING)
    words = _number(db, f"SELECT sum(n) FROM {sample} WHERE kind = 'utterance'")
    findings = _number(db, f"SELECT sum(n) FROM {sample} WHERE kind = 'finding' AND name IN ({passing})")
    effects = _number(db, "SELECT max(number) - min(number) + 1 FROM effects") / max(sampled, 1.0) * INDEX_SHARE
    found = {"lines": lines, "minutes": minutes, "words": words * effects, "findings": findings * effects}
    return Growth(size_mb / years, {kind: count / 1e6 / years for kind, count in found.items()})


def _number(db: sqlite3.Connection, sql: str) -> float:
    return float(db.execute(sql).fetchone()[0] or 0.0)


def _nearest(path: Path) -> Path:
    """The journal's folder, or the nearest above it that exists."""
    return next(parent for parent in path.absolute().parents if parent.exists())
