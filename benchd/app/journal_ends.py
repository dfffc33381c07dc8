"""Closes a journal when its watch ends, and reads the last time stored in one."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from benchd.runtime.journal.asked import asked
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook


@asynccontextmanager
async def closing(journal: Journal) -> AsyncIterator[Journal]:
    """Yield the journal and close it at the end; the pipeline opens it."""
    try:
        yield journal
    except BaseException:  # also a cancellation: not closed as clean, so that the next start looks it through
        await journal.close()
        raise
    else:
        await journal.close(is_clean=True)


async def last_saved_t(path: Path) -> float:
    """The newest time in a journal [unix s]; 0 when there is none or it is unreadable."""
    return await asked(path, lambda journal: Logbook(journal).last_t(), 0.0)
