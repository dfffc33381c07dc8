"""What do the journal's past findings teach before the watch begins?"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from benchd.core.habits import habits
from benchd.errors import JournalError
from benchd.runtime.journal import Journal
from benchd.runtime.logbook import Logbook

LOOKED_BACK_S = 60 * 86_400.0  # two months: hands and pots change; common practice, no source
TEACHING = ("mold_poured", "load_closed", "pot_at_pressure")


async def learned_from(path: Path, now_t: float) -> dict[str, Any]:
    """The habits to put into the context; none from a journal that cannot be read."""
    journal = Journal(path, read_only=True)
    try:
        await journal.open()
        since_t = now_t - LOOKED_BACK_S
        told = Logbook(journal).effects(kind="finding", names=TEACHING, since_t=since_t)
        return habits([effect.body async for effect in told])
    except JournalError:
        return {}
    finally:
        await journal.close()
