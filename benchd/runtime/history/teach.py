"""Learns from past loads while the bench is watched: habits of hands, pots, molds and lots, for the next context.

The journal is read after the watch has begun and again after each load: habits of hands and pots come from findings,
the molds' factors from pulls, and each pot's cooling and leak habits from its last fills, whose readings are decoded
again, once each.  All of it is read apart, in a thread.  A journal that cannot be read, or holds a damaged entry,
teaches nothing; the log says so and the watch continues.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from benchd.core.bench import Bench
from benchd.core.findings import LoadOpened, PourEnded
from benchd.core.learned.habits import habits
from benchd.core.model.learned import Learned, PotHabits
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.history.past import DAMAGE, LOOKED_BACK_S, TEACHING, of_the_shelf
from benchd.runtime.history.readings import decoded
from benchd.runtime.journal.asked import asked_apart
from benchd.runtime.journal.effects import finding_from
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.shelf.feel import learn_from, pull_of
from benchd.shelf.pot_habits import Fill, FillFold

log = logging.getLogger("benchd")

PULLS_BACK_S = 400 * 86_400.0  # a mold's life
MOST_FILLS = 10  # the last ten loads: more add little; in simulated fills, five give most of it
BEFORE_S, LONGEST_S = 60.0, 3600.0
START_AFTER_S = 5.0
FOLDED = (
    "pot_isolated", "pot_filling", "kicked", "kick_forecast", "pot_venting", "pot_vented", "load_opened",
    "pot_letting_go", "pot_losing", "gauge_dropped",
)  # fmt: skip


class Teacher:
    """Runs beside the outlets; calls `taught` with what was learned (`lessons`) after each reading."""

    def __init__(
        self,
        journal: Readable,
        bulletin: Bulletin,
        bench: Callable[[], Bench],
        now: Callable[[], float],
        taught: Callable[[Learned], None],
        after_s: float = START_AFTER_S,
    ) -> None:
        self._journal, self._bulletin, self._bench, self._now, self._taught = journal, bulletin, bench, now, taught
        self._after_s = after_s
        self._fills = FillsKnown()

    async def run(self) -> None:
        """Learn now, and after each load; where something is on trial at a mold, also once its parts are out."""
        listener = self._bulletin.subscribe(events_only=True)
        try:
            await asyncio.sleep(self._after_s)
            await self._teach()
            async for posted in listener:
                is_out = isinstance(posted.effect, PourEnded) and bool(self._bench().learned.remedies)
                if isinstance(posted.effect, LoadOpened) or is_out:
                    await self._teach()
        finally:
            self._bulletin.unsubscribe(listener)

    async def _teach(self) -> None:
        try:
            bench, now_t = self._bench(), self._now()
            self._taught(await asked_apart(self._journal, lambda rows: lessons(rows, bench, now_t, self._fills)))
        except DAMAGE as error:
            log.warning("the last loads taught nothing (%r)", error)


@dataclass(slots=True)
class FillsKnown:
    """The fills of the last loads as decoded for this bench: load's finding -> fills.  Only a new load is decoded."""

    bench: Bench | None = None
    of_load: dict[int, tuple[Fill, ...]] = field(default_factory=dict)

    def of(self, bench: Bench) -> dict[int, tuple[Fill, ...]]:
        """What is known for a bench; nothing once it is another one, whose channels may read otherwise."""
        if bench != self.bench:
            self.bench, self.of_load = bench, {}
        return self.of_load


async def lessons(journal: Readable, bench: Bench, now_t: float, fills: FillsKnown | None = None) -> Learned:
    """What the journal teaches; `fills` keeps what the next lesson needs again.  Raises JournalError."""
    book = Logbook(journal)
    told = book.effects(kind="finding", names=TEACHING, since_t=now_t - LOOKED_BACK_S)
    found = habits([each.body async for each in told])
    pots = await _pots(book, bench, now_t, (fills or FillsKnown()).of(bench))
    merged = {id: replace(pots.get(id, PotHabits()), fill_s=found.pot(id).fill_s) for id in {*found.pots, *pots}}
    pulled = book.effects(kind="finding", names=("part_pulled",), since_t=now_t - PULLS_BACK_S)
    pulls = [pull for each in [e async for e in pulled] if (pull := pull_of(each.body)) is not None]
    molds = learn_from(pulls, thick_mm={mold.id: mold.thick_mm for mold in bench.molds})
    known = replace(found, pots=dict(sorted(merged.items())), molds=molds)
    return await of_the_shelf(known, journal, bench, now_t)


async def _pots(book: Logbook, bench: Bench, now_t: float, known: dict[int, tuple[Fill, ...]]) -> dict[str, PotHabits]:
    """Each pot's habits, from its last tight fills."""
    closed = [e async for e in book.effects(kind="finding", names=("load_closed",), since_t=now_t - LOOKED_BACK_S)]
    fold = FillFold(bench)
    kept = dict[int, tuple[Fill, ...]]()
    for load in closed[-MOST_FILLS:]:
        found = known.get(load.number)
        if found is None:
            found = await fills_of(book, bench, load.t)
        fold.done += found
        if load.t + LONGEST_S < now_t:  # all of it is in the journal
            kept[load.number] = found
    known.clear()
    known.update(kept)
    return fold.pots()


async def fills_of(book: Logbook, bench: Bench, closed_t: float) -> tuple[Fill, ...]:
    """One load's fills: from its readings and marks, with its findings in between."""
    fold = FillFold(bench)
    since_t, until_t = closed_t - BEFORE_S, closed_t + LONGEST_S
    told = book.effects(kind="finding", names=FOLDED, since_t=since_t, until_t=until_t)
    found = [replace(finding_from(e.name, e.body), t=e.t) async for e in told]
    async for event in decoded(book, bench, since_t, until_t):
        while found and found[0].t <= event.t:
            fold.see(found.pop(0))
        fold.see(event)
    for finding in found:
        fold.see(finding)
    return tuple(fold.done)
