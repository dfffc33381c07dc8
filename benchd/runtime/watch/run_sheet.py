"""Keeps the day's run sheet while the daemon runs: plans, stores, follows the pours, replans the rest.

The sheet is in sheet.json beside the journal; the engine gets what it needs of it as an input (DaySheet).  What the
pours use of it is read from the findings by the engine's own rule (core/casting/run_sheet).  The rest of the day is
planned again when the room's temperature changes, a mold or pot drops out, or the lot runs out; its times move when a
load is late.  Nothing is planned from mix to pressure.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable, Collection, Hashable
from copy import deepcopy
from dataclasses import replace
from pathlib import Path

from benchd.core.bench import Bench
from benchd.core.casting import undo
from benchd.core.casting.run_sheet import ROUNDING_S, SHEET_LIVES_S, RunSheet
from benchd.core.findings import Finding, PourEnded, PourStarted, PrepNoted
from benchd.core.model import MarkAnswer, Quality
from benchd.core.model.day import DaySheet
from benchd.core.model.learned import Learned
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.history.shelf import scrapped, spent
from benchd.runtime.journal.asked import asked_apart
from benchd.runtime.journal.reader import Readable
from benchd.runtime.watch.sheet_file import read_sheet, write_sheet
from benchd.shelf.plan import plan
from benchd.shelf.plan.ask import Hands, Underway
from benchd.shelf.plan.prep import moved, noted, set_by, with_prep
from benchd.shelf.plan.sheet import Sheet, given_of, sheet_of
from benchd.shelf.plan.slip import (
    begun,
    gone,
    joined,
    late_s,
    rest_wish,
    scrap_of,
    shifted,
    slip,
    today_only,
    told,
    underway,
    waiting,
    without_rest,
)
from benchd.shelf.plan.there import both, there
from benchd.shelf.plan.wish import CannotPlan, Wish, ask_of
from benchd.shelf.remains import Spent, counted_since

LOOK_EVERY_S, NO_SHEET_LOOK_S = 0.2, 1.0  # wall: a rehearsed day runs a hundred times as fast
REVIEW_EVERY_S = 5.0
MOST_BRANCHES = 150_000  # takes a few seconds of one core, in a thread of its own
BUSY = ("mixing", "pouring", "standing")


class SheetKeeper:
    """The day's sheet.

    `bench`, `learned`: return their present values; `changed` is called when the engine must be informed.
    """

    def __init__(
        self,
        folder: Path,
        now: Callable[[], float],
        bench: Callable[[], Bench],
        learned: Callable[[], Learned],
        journal: Readable,
        bulletin: Bulletin,
        changed: Callable[[], None],
    ) -> None:
        self._folder, self._now, self._bench, self._learned = folder, now, bench, learned
        self._journal, self._bulletin, self._changed = journal, bulletin, changed
        self._sheet: Sheet | None = _fresh_enough(read_sheet(folder), now())
        self._used: tuple[tuple[float, dict[str, float]], Spent] | None = None
        self._done: tuple[str, ...] = ()
        self._set_by: Hashable = None
        self._taken = RunSheet()
        self._taken.configure(self.given(now()))

    @property
    def sheet(self) -> Sheet | None:
        """The sheet as shown, with each load's state; None when there is none."""
        return None if self._sheet is None else told(self._sheet)

    def given(self, t: float) -> DaySheet:
        """What the engine is given of it at t [unix s]."""
        return given_of(self._sheet, t)

    def catch_up(self, engine: RunSheet, done: Collection[str] = ()) -> None:
        """Take over from the engine which loads are mixed: a daemon killed early may not have stored the last one.

        done: the steps done of the load that comes next.
        """
        if self._sheet is None or engine.id != self._sheet.id:
            return
        self._done = tuple(done)
        self._taken = deepcopy(engine)
        for load in engine.loads:
            if load.pour is not None:
                self._sheet = begun(self._sheet, {load.number: load.pour}, engine.mixed_t(load.pour))

    async def make(self, wish: Wish) -> Sheet:
        """Plan a sheet for a wish, around what is in progress on the current one; not kept yet.  Raises CannotPlan."""
        planned = Underway() if self._sheet is None else underway(self._sheet, Hands().demold_s)
        wish = replace(wish, underway=both(planned, self._there()))
        self._used = None
        return await self._made(wish, await self._spent())

    def _there(self) -> Underway:
        """What is occupied on the bench now."""
        return there(self._bulletin.cards.values(), self._now(), Hands())

    def _day_end_t(self) -> float:
        """The end of the local day [unix s]; 26 h after its midnight it is tomorrow, also where the clock changes."""
        bench = self._bench()
        return bench.midnight_t(bench.midnight_t(self._now()) + 26.0 * 3600.0)

    async def _made(self, wish: Wish, used: Spent) -> Sheet:
        bench = self._bench()
        ask = ask_of(wish, bench, used, self._learned())
        made = await asyncio.to_thread(plan, ask, None, lambda branches: branches < MOST_BRANCHES)
        sheet = replace(sheet_of(made, self._now()), pours_s=dict(wish.pours_s), named_lot=wish.lot)
        return with_prep(sheet, bench, self._now())

    async def keep(self, sheet: Sheet | None) -> None:
        """Make this the current sheet, or none.  Raises OSError when it cannot be stored; the old one then stays."""
        await asyncio.to_thread(write_sheet, self._folder, sheet)
        self._taken.configure(given_of(sheet, self._now()))
        pours = {load.number: load.pour for load in self._taken.loads}
        self._sheet = None if sheet is None else begun(sheet, pours, None)
        self._changed()

    def room_c(self) -> float | None:
        """The room's temperature now, if a probe measures it."""
        readings = self._bulletin.readings.values()
        good = (r.value for r in readings if r.role == "room_temperature" and r.quality is Quality.GOOD)
        value = next(good, None)
        return value if value is not None and math.isfinite(value) and -10.0 < value < 50.0 else None

    async def run(self) -> None:
        """Follow the pours and review the day, until cancelled."""
        listener = self._bulletin.subscribe(events_only=True)
        try:
            while True:
                news: list[Posted] = []
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(LOOK_EVERY_S if self._sheet is not None else NO_SHEET_LOOK_S):
                        news = await listener.batch()
                for posted in news:
                    await self._see(posted.effect)
                await self._review_if_due()
        finally:
            self._bulletin.unsubscribe(listener)

    _reviewed_t: float = 0.0
    _parts_t: float = 0.0
    """The time from which marked parts are checked [unix s]; at the start all are."""

    async def _review_if_due(self) -> None:
        if self._now() - self._reviewed_t >= REVIEW_EVERY_S:
            await self.review()

    async def _see(self, effect: object) -> None:
        if isinstance(effect, PourStarted | PourEnded):
            await self._follow(effect)
        elif isinstance(effect, PrepNoted) and self._sheet is not None:
            self._done = effect.done
            await self._store(noted(self._sheet, effect.number, effect.done))
        elif isinstance(effect, MarkAnswer) and effect.verb == "demolded" and effect.ok:
            self._parts_t = effect.t + undo.WITHIN_S + 1.0  # until then its mark may be undone

    async def _follow(self, finding: Finding) -> None:
        """A pour began or was undone: record which load it used."""
        self._used = None
        if self._sheet is None:
            return
        self._taken.see(finding)
        pours = {load.number: load.pour for load in self._taken.loads}
        if all(load.pour == pours.get(load.number) for load in self._sheet.loads):
            return
        mix_t = finding.mix_t if isinstance(finding, PourStarted) else None
        await self._store(begun(self._sheet, pours, mix_t))
        if any(load.steps for load in waiting(self._sheet)[:1]):
            self._changed()  # another load comes next: these are its steps

    async def _store(self, sheet: Sheet) -> None:
        """Store the changed sheet in its file; on a full disk only a restart loses the change."""
        self._sheet = sheet
        try:
            await asyncio.to_thread(write_sheet, self._folder, sheet)
        except OSError:
            return

    async def review(self) -> None:
        """Plan the rest again, or move it, if the day has slipped."""
        self._reviewed_t = now_t = self._now()
        sheet = self._sheet
        if sheet is None or self._is_mid_pour():
            return
        if self._parts_t <= now_t:
            self._parts_t = math.inf
            if await self._cast_again(sheet):
                return
        if not waiting(sheet):
            return
        if _fresh_enough(sheet, now_t) is None:
            await self.keep(None)
            return
        used = await self._spent()
        why = slip(sheet, self._bench(), used, self.room_c())
        if why:
            await self._plan_rest(sheet, used, why)
        elif (by_s := late_s(sheet, now_t)) > 0.0:
            await self._store(today_only(shifted(sheet, by_s), self._day_end_t()))
        await self._set_prep()

    async def _set_prep(self) -> None:
        """Set the steps before the next load anew, where the bench has moved, and say so to the engine."""
        sheet, bench, seen = self._sheet, self._bench(), self._there()
        if sheet is None or (given := set_by(sheet, bench, seen)) == self._set_by:
            return
        self._set_by = given
        fresh = await asyncio.to_thread(with_prep, sheet, bench, self._now(), seen, self._done)
        if self._sheet is not sheet:
            self._set_by = None  # a pour took a load meanwhile, or a step was done: the next review tries again
        elif moved(sheet, fresh):
            await self._store(fresh)
            self._changed()

    async def _plan_rest(self, sheet: Sheet, used: Spent, why: str) -> None:
        now_t, bench = self._now(), self._bench()
        try:
            wish = rest_wish(sheet, bench, now_t, self.room_c(), why)
            wish = replace(wish, underway=both(wish.underway, self._there()))
            fresh = today_only(await self._made(wish, used), self._day_end_t())
        except CannotPlan as error:
            await self.keep(without_rest(sheet, f"{why}; {error}", now_t))
            return
        if self._sheet is sheet:  # else a pour used a load meanwhile: the next review tries again
            await self.keep(joined(sheet, fresh, gone(sheet, bench)))

    async def _cast_again(self, sheet: Sheet) -> bool:
        """Plan scrapped parts again, in at most one load more; returns whether there were any."""
        mixed = [load.mix_t for load in sheet.loads if load.pour is not None]
        fresh = scrap_of(sheet, await scrapped(self._journal, min(mixed))) if mixed else []
        if not fresh:
            return False
        again = [mold for _, mold in fresh]
        noted = replace(sheet, again=(*sheet.again, *fresh))
        why = f"{' '.join(id.upper() for id in again)} came out scrap: to be cast again"
        now_t, bench = self._now(), self._bench()
        try:
            wish = rest_wish(sheet, bench, now_t, self.room_c(), why, again)
            wish = replace(wish, underway=both(wish.underway, self._there()))
            made = today_only(await self._made(wish, await self._spent()), self._day_end_t())
        except CannotPlan:
            await self._store(noted)
            return True
        if self._sheet is sheet:
            await self.keep(joined(noted, made, gone(sheet, bench)))
        else:
            self._parts_t = now_t  # a pour used a load meanwhile: try again
        return True

    async def _spent(self) -> Spent:
        today_t = self._bench().midnight_t(self._now())
        since_t = counted_since(self._bench())
        if self._used is None or self._used[0] != (today_t, since_t):  # do not read a year's log every few seconds
            self._used = (
                (today_t, since_t),
                await asked_apart(self._journal, lambda rows: spent(rows, today_t, since_t)),
            )
        return self._used[1]

    def _is_mid_pour(self) -> bool:
        """Whether a cup is between mix and kick with its pot not up yet; the day is then left alone."""
        cards = self._bulletin.cards
        for (of, _), card in cards.items():
            if of == "pour" and card.body.get("phase") in BUSY:
                pot = cards.get(("pot", str(card.body.get("pot"))))
                if pot is None or pot.body.get("phase") in ("idle", "filling"):
                    return True
        return False


def _fresh_enough(sheet: Sheet | None, now_t: float) -> Sheet | None:
    """The sheet, unless it is yesterday's."""
    is_fresh = sheet is not None and -ROUNDING_S <= now_t - sheet.made_t <= SHEET_LIVES_S
    return sheet if is_fresh else None
