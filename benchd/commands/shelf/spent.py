"""Reads from the journal what was used of the shelf, for commands that work on the files."""

from __future__ import annotations

from benchd.errors import JournalError
from benchd.runtime.history.shelf import spent
from benchd.runtime.journal.asked import to_read
from benchd.runtime.printing.terminal import complain
from benchd.settings import Loaded
from benchd.settings.place import midnight_before
from benchd.shelf.remains import Spent, counted_since


async def spent_so_far(loaded: Loaded, now_t: float) -> Spent:
    """What the journal's pours used; nothing where there is no journal, or it cannot be read."""
    if not loaded.journal_path.exists():
        return Spent()
    today_t = midnight_before(now_t, loaded.timezone)
    try:
        async with to_read(loaded.journal_path) as journal:
            return await spent(journal, today_t, counted_since(loaded.bench))
    except JournalError:
        complain("the log cannot be read: taken as if nothing had been poured")
        return Spent()
