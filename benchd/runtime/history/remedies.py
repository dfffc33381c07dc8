"""Reads what was tried at molds, and the parts that came out after it, for core/learned/remedies.py."""

from __future__ import annotations

from benchd.core.learned.remedies import Came, Tried, remedies_of
from benchd.core.model.learned import Remedy
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.journal.reader import Logbook, Readable


async def remedies_so_far(journal: Readable, since_t: float = 0.0) -> dict[str, tuple[Remedy, ...]]:
    """Mold -> what was tried there since then [unix s] and how it did; nothing more is read where nothing was tried.

    Raises JournalError.
    """
    told = Logbook(journal).effects(kind="answer", names=("tried",), since_t=since_t)
    if not [each async for each in told]:
        return {}
    tried, came = [], []
    for t, mark in await marks_that_stood(journal, since_t):
        mold, cause = str(mark.get("mold") or "").lower(), mark.get("cause")
        if mark.get("verb") == "tried":
            tried.append(Tried(t=t, mold=mold, text=" ".join(str(mark.get("text") or "").split()), cause=cause))
        elif mark.get("verb") == "demolded":
            came.append(Came(mold=mold, out_t=t, grade=mark.get("grade"), cause=cause))
    return remedies_of(tried, came)
