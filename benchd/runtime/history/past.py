"""Reads what the journal's past findings teach, before the watch begins or when a plan is made from the files."""

from __future__ import annotations

import logging
from dataclasses import replace
from pathlib import Path

from benchd.core.bench import Bench
from benchd.core.learned.habits import habits
from benchd.core.model import Context
from benchd.core.model.learned import Learned
from benchd.errors import BenchdError
from benchd.runtime.history.lots import drifts
from benchd.runtime.history.molds import histories
from benchd.runtime.history.remedies import remedies_so_far
from benchd.runtime.journal.asked import asked
from benchd.runtime.journal.bundles import BEYOND
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.shelf.mold_life import lives

log = logging.getLogger("benchd")

LOOKED_BACK_S = 60 * 86_400.0  # two months: hands and pots change; common practice, no source
LOTS_BACK_S = 400 * 86_400.0  # a lot is used up or spoilt by then
DAMAGE = (BenchdError, LookupError, TypeError, ValueError, ArithmeticError, AttributeError)
"""What reading a damaged entry may raise: a key that is missing, a text for a number, a time that no clock shows."""
TEACHING = ("mold_poured", "load_closed", "pot_at_pressure")


async def learned_from(path: Path, now_t: float, bench: Bench | None = None) -> Learned:
    """The habits to put into the context, and with a bench also what is known of its lots and molds.

    Empty when the journal cannot be read, or holds what no bench writes: that costs the lesson, never the start.
    """

    async def taught(journal: Journal) -> Learned:
        told = Logbook(journal).effects(kind="finding", names=TEACHING, since_t=now_t - LOOKED_BACK_S)
        found = habits([effect.body async for effect in told])
        return found if bench is None else await of_the_shelf(found, journal, bench, now_t)

    try:
        return await asked(path, taught, Learned())
    except DAMAGE as error:
        log.warning("nothing was learned from %s: an entry is damaged (%r)", path.name, error)
        return Learned()


async def taught_before(path: Path, now_t: float) -> Learned:
    """What the run before had learned, as its last context says, or else what the findings teach.

    It goes into a watch's first context.  With less, a restart would unseat the watchers that read it, in mid-fill.
    """

    async def known(journal: Journal) -> Learned | None:
        contexts = [item for _, item in await Logbook(journal).standing(BEYOND) if isinstance(item, Context)]
        is_fresh = bool(contexts) and contexts[-1].t >= now_t - LOOKED_BACK_S
        return contexts[-1].learned if is_fresh else None

    try:
        found = await asked(path, known, None)
    except DAMAGE:
        found = None
    return found or await learned_from(path, now_t)


async def of_the_shelf(known: Learned, journal: Readable, bench: Bench, now_t: float) -> Learned:
    """What was learned, with the ageing of lots, the life of silicones and what was tried at molds added.

    Raises JournalError.
    """
    lots = await drifts(journal, bench, now_t - LOTS_BACK_S, now_t)
    tried = await remedies_so_far(journal, now_t - LOTS_BACK_S)
    return replace(known, lots=lots, silicones=lives(await histories(journal, bench)), remedies=tried)
