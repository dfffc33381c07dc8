"""How long a journal keeps what it need not keep for good, as its owner chose, and from when on it is whole.

1. Four kinds have an age of their own: a load's raw *lines*; one-minute values, *minutes*; *words*, with the alerts of
   priority 3 and below; those *findings* of which no record is made, forecasts and notices.  All are kept forever
   unless `[journal]` says otherwise.
2. Kept for good, whatever is chosen: marks and their answers, contexts and run sheets, the alarms of priority 1 and 2,
   all other findings, and the lines of pours that a resin's [cure] table was learned from.
3. No kind is kept shorter than reports and lessons look back on it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from benchd.core.bench import Bench

Kind = Literal["lines", "minutes", "words", "findings"]
KINDS: tuple[Kind, ...] = ("lines", "minutes", "words", "findings")
NOUNS: dict[Kind, str] = {
    "lines": "raw lines",
    "minutes": "one-minute values",
    "words": "words and lesser alerts",
    "findings": "forecasts and notices",
}
LEAST_MONTHS: dict[Kind, int] = {"lines": 3, "minutes": 14, "words": 14, "findings": 14}
"""Lessons decode the lines of two months again (runtime/history/teach.py); reports and lots look back 400 days."""
MONTH_S = 365.25 / 12.0 * 86_400.0
GONE = "gone"
"""The key of meta: kind -> [the time before which it may be gone, the time before which all of it is gone], unix s."""

PASSING = (
    "kick_forecast", "working_time", "hold_forecast", "demold_forecast", "sensor_silent", "sensor_fault",
    "sensor_back", "board_gone", "watcher_failed", "bench_notice",
)  # fmt: skip
"""The findings that may go: no report over more than 400 days, no lesson and no view reads them."""


@dataclass(frozen=True, slots=True)
class Keep:
    """Months that each kind is kept; None: forever."""

    lines: int | None = None
    minutes: int | None = None
    words: int | None = None
    findings: int | None = None

    def months(self, kind: Kind) -> int | None:
        """How long a kind is kept [months]; None: forever."""
        return {"lines": self.lines, "minutes": self.minutes, "words": self.words, "findings": self.findings}[kind]


def learned_pours(bench: Bench) -> tuple[str, ...]:
    """The pours that the resins' [cure] tables were learned from."""
    return tuple(str(pour) for resin in bench.resins for pour in resin.cure.get("pours", ()))


@dataclass(frozen=True, slots=True)
class Gone:
    """How far one kind is deleted [unix s]: before `may_t` it may be gone, before `all_t` all of it is."""

    may_t: float
    all_t: float


def gone_from(text: str | None) -> dict[Kind, Gone]:
    """What meta says is gone, by kind; a kind of which everything is there is left out."""
    try:
        kept = json.loads(text or "{}")
        return {kind: Gone(*map(float, kept[kind])) for kind in KINDS if kind in kept}
    except (ValueError, TypeError):
        return {}


def gone_text(gone: Mapping[Kind, Gone]) -> str:
    """As meta keeps it."""
    return json.dumps({kind: [one.may_t, one.all_t] for kind, one in gone.items()})


def no_longer_kept(gone: Mapping[Kind, Gone], since_t: float) -> str:
    """A sentence on what is deleted of a time that begins at since_t [unix s]; empty where nothing is."""
    told = [f"{NOUNS[kind]} (kept from {_day(one.may_t)} on)" for kind, one in gone.items() if since_t < one.may_t]
    return f"No longer kept of this time: {', '.join(told)}." if told else ""


def _day(t: float) -> str:
    return datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%d")
