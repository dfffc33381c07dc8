"""Reads what the journal's past findings teach, before the watch begins or when a plan is made from the files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from benchd.core.bench import Bench
from benchd.core.learned.habits import habits
from benchd.runtime.history.lots import drifts
from benchd.runtime.history.molds import histories
from benchd.runtime.journal.asked import asked
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.shelf.mold_life import lives, to_plain

LOOKED_BACK_S = 60 * 86_400.0  # two months: hands and pots change; common practice, no source
LOTS_BACK_S = 400 * 86_400.0  # a lot is used up or spoilt by then
TEACHING = ("mold_poured", "load_closed", "pot_at_pressure")


async def learned_from(path: Path, now_t: float, bench: Bench | None = None) -> dict[str, Any]:
    """The habits to put into the context, and with a bench also what is known of its lots and molds.

    Empty when the journal cannot be read.
    """

    async def taught(journal: Journal) -> dict[str, Any]:
        told = Logbook(journal).effects(kind="finding", names=TEACHING, since_t=now_t - LOOKED_BACK_S)
        found = habits([effect.body async for effect in told])
        return found if bench is None else found | await of_the_shelf(journal, bench, now_t)

    return await asked(path, taught, {})


async def of_the_shelf(journal: Readable, bench: Bench, now_t: float) -> dict[str, Any]:
    """learned["lots"] and learned["silicones"], each only if something is known.  Raises JournalError."""
    out = {
        "lots": await drifts(journal, bench, now_t - LOTS_BACK_S, now_t),
        "silicones": to_plain(lives(await histories(journal, bench))),
    }
    return {name: known for name, known in out.items() if known}
