"""Reads from today's notes what no sensor sees, for the check before a pour.

Hours on mask and cartridges, the relief valve lifted, the tank drained, a leak test of each pot.  Only whole phrases
count, as for leaving the bench (core/casting/leaving.py); notes refused, undone or from yesterday do not count.  A
relief valve seen to lift today counts as lifted.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from benchd.commands.leaktest import NOTE as LEAKTEST
from benchd.core.casting.leaving import noted
from benchd.reports.records_read import HOURS, TANK_DRAINED
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.journal.asked import asked
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.settings.place import midnight_before


@dataclass(frozen=True, slots=True)
class Tested:
    """A leak test: when, the loss and the tightness limit of the pot [psi/min], its verdict (leak_verdict.Word)."""

    t: float
    psi_min: float
    word: str
    tight_psi_min: float


@dataclass(slots=True)
class DayNotes:
    """Today's notes, each with its time [unix s]; the newest leak test of each pot, of today or before."""

    mask: tuple[float, float] | None = None
    cartridges: tuple[float, float] | None = None
    relief_t: float | None = None
    drained_t: float | None = None
    tests: dict[str, Tested] = field(default_factory=dict)
    since_t: float = 0.0

    def take(self, t: float, mark: Mapping[str, Any]) -> None:
        """Add one note mark."""
        text, pot = str(mark.get("text") or ""), str(mark.get("pot") or "")
        if (test := LEAKTEST.fullmatch(text.strip())) is not None:
            self.tests[pot] = Tested(t, float(test[1]), test[2], float(test[3]))
        if t < self.since_t:
            return
        phrases = [part.strip() for part in re.split(r"[,;!]|\.(?!\d)| and ", text.lower())]
        for phrase in phrases:
            if (hours := HOURS.fullmatch(phrase)) is not None:
                setattr(self, hours[1], (float(hours[2]), t))
            if TANK_DRAINED.fullmatch(phrase):
                self.drained_t = t
        if "relief" in noted(text):
            self.relief_t = t


def day_notes(path: Path, now_t: float, timezone: str) -> DayNotes:
    """Today's notes of this journal; none when there is no journal, or it cannot be read."""
    since_t = midnight_before(now_t, timezone)
    return asyncio.run(asked(path, partial(_found, since_t=since_t, now_t=now_t), DayNotes(since_t=since_t)))


async def _found(journal: Journal, since_t: float, now_t: float) -> DayNotes:
    found = DayNotes(since_t=since_t)
    for t, mark in await marks_that_stood(journal, 0.0, now_t):
        if mark.get("verb") == "note":
            found.take(t, mark)
    async for told in Logbook(journal).effects(kind="finding", names=("relief_lifted",), since_t=found.since_t):
        found.relief_t = max(found.relief_t or 0.0, told.t)
    return found
