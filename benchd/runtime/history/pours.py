"""Reads the pours recorded in a journal, with all later changes applied."""

from __future__ import annotations

from typing import Any

from benchd.core.casting.retold import POURS_AND_KICKS, Retold
from benchd.runtime.journal.reader import Logbook, Readable


async def pours_now(
    journal: Readable, since_t: float | None = None, until_t: float | None = None
) -> dict[str, dict[str, Any]]:
    """Pour -> what is known of it (core/casting/retold.py), for the pours that findings between two times mention.

    Raises JournalError.
    """
    retold = Retold()
    found = Logbook(journal).effects(kind="finding", names=POURS_AND_KICKS, since_t=since_t, until_t=until_t)
    async for told in found:
        retold.see(told.name, told.body)
    return retold.pours
