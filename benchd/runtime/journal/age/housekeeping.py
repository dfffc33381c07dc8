"""Seals, thins and trims the journal from time to time, beside the watch, and reads a file through that needs it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from benchd.errors import JournalError
from benchd.runtime.contracts import Health
from benchd.runtime.journal.age.keep import Keep
from benchd.runtime.journal.age.retention import Retention
from benchd.runtime.journal.age.trim import Trim
from benchd.runtime.journal.journal import Journal

SWEEP_EVERY_S = 3600.0
FIRST_SWEEP_S = 60.0


async def housekeep(
    journal: Journal,
    now: Callable[[], float],
    is_hindered: Callable[[], bool],
    keep: Callable[[], tuple[Keep, Sequence[str]]],
    health: Health,
) -> None:
    """Sweep each hour until cancelled; what hinders it (something is open, the journal is in trouble) only delays it.

    now: bench time; keep: how long what is kept, and the pours that resins were learned from.
    """
    retention, trim = Retention(journal, now, is_hindered), Trim(journal, now, is_hindered, keep)
    pause_s = FIRST_SWEEP_S
    while True:
        await asyncio.sleep(pause_s)
        pause_s = SWEEP_EVERY_S
        try:
            await journal.check()
            await retention.sweep()
            await trim.sweep()
        except JournalError as error:
            health.last_error = f"retention: {error}"
