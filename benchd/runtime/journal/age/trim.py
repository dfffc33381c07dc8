"""Deletes from the journal what is older than its owner wants to keep (keep.py), in small steps.

1. A step is one short transaction, made only while nothing is open, so that no alert ever waits for it.
2. It also says in `meta` before which time its kind may be gone: killed at any point, the journal never claims to hold
   what it does not, and the next sweep goes on where this one was.
3. A sweep deletes a month of the journal's time and no more: a machine that believes for an hour that it is 2099 loses
   a month.
4. The newest effect stays, since its number is the highest; so does every alarm that may still stand.
"""

from __future__ import annotations

import logging
import re
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import replace

from benchd.runtime.journal.age.keep import GONE, KINDS, MONTH_S, NOUNS, PASSING, Gone, Keep, Kind, gone_from, gone_text
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Statement

log = logging.getLogger("benchd")

LESSER = 3  # from this priority on an alert is none of a load's record, which counts the first two
LEAST_S = 86_400.0  # a sweep an hour; each day has its turn once
STEP_EFFECTS, STEP_BLOCKS, STEP_MINUTES = 500, 4, 1440
BEFORE_S, AFTER_S = 600.0, 7200.0  # around the mix of a pour that was learned from
_MIXED = re.compile(r"-(\d{9,11})$")


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)


_EFFECTS: dict[Kind, str] = {
    "words": "(kind = 'utterance' OR (kind = 'alert' AND CASE WHEN json_valid(body) THEN "
    f"json_extract(body, '$.priority') >= {LESSER} END))",
    "findings": f"kind = 'finding' AND name IN ({_listed(PASSING)})",
}
_OLDEST: dict[Kind, str] = {
    "lines": "SELECT min(last_t) FROM blocks",
    "minutes": "SELECT 60.0 * min(minute) FROM minutes",
    "words": "SELECT min(t) FROM effects",
    "findings": "SELECT min(t) FROM effects",
}
Step = tuple[list[Statement], int]
"""Statements that delete, and how many rows."""


class Trim:
    """Trims one journal; `keep` says to what, and from which pours [cure] tables were learned.  `now` is bench time."""

    def __init__(
        self,
        journal: Journal,
        now: Callable[[], float],
        is_busy: Callable[[], bool],
        keep: Callable[[], tuple[Keep, Iterable[str]]],
    ) -> None:
        self._journal, self._now, self._is_busy, self._keep = journal, now, is_busy, keep
        self._book = Logbook(journal)

    async def sweep(self) -> dict[Kind, int]:
        """Delete what is due, a month of each kind at most; the rows deleted.  Raises JournalError."""
        deleted: dict[Kind, int] = {}
        for kind in KINDS:
            months = self._keep()[0].months(kind)
            if months is not None and not self._is_busy():
                deleted[kind] = await self._trim(kind, self._now() - months * MONTH_S)
        return {kind: count for kind, count in deleted.items() if count}

    async def _trim(self, kind: Kind, wanted_t: float) -> int:
        gone = gone_from(await self._book.meta(GONE))
        since_t = gone[kind].all_t if kind in gone else (await self._journal.rows(_OLDEST[kind]))[0][0]
        if since_t is None:
            return 0
        may_t = gone[kind].may_t if kind in gone else since_t
        until_t = min(wanted_t, max(may_t, since_t + MONTH_S))
        if until_t < since_t + LEAST_S:
            return 0
        gone[kind] = Gone(max(may_t, until_t), since_t)
        count = 0
        async for statements, rows in self._steps(kind, since_t, until_t):
            if self._is_busy():
                return count
            await self._journal.commit([_noted(gone), *statements])
            count += rows
        gone[kind] = replace(gone[kind], all_t=until_t)
        await self._journal.commit([_noted(gone)])
        if count:
            log.info("journal: %d rows of %s deleted, as [journal] keep_%s says", count, NOUNS[kind], kind)
        return count

    def _steps(self, kind: Kind, since_t: float, until_t: float) -> AsyncIterator[Step]:
        match kind:
            case "lines":
                return self._lines(since_t, until_t)
            case "minutes":
                return self._minutes(int(since_t // 60), int(until_t // 60))
            case _:
                return self._effects(kind, since_t, until_t)

    async def _lines(self, since_t: float, until_t: float) -> AsyncIterator[Step]:
        spans = [(t - BEFORE_S, t + AFTER_S) for pour in self._keep()[1] if (t := _mixed_t(pour)) is not None]
        sql = "SELECT first_seq, first_t, last_t FROM blocks WHERE last_t >= ? AND last_t < ? ORDER BY last_t"
        found = await self._journal.rows(sql, (since_t, until_t))
        goes = [(seq,) for seq, a, b in found if not any(a <= end and b >= begin for begin, end in spans)]
        for at in range(0, len(goes), STEP_BLOCKS):
            part = goes[at : at + STEP_BLOCKS]
            yield [("DELETE FROM blocks WHERE first_seq = ?", part)], len(part)

    async def _minutes(self, since: int, until: int) -> AsyncIterator[Step]:
        for (channel,) in await self._journal.rows("SELECT id FROM channels"):
            for first in range(since, until, STEP_MINUTES):
                span = (channel, first, min(first + STEP_MINUTES, until))
                sql = "FROM minutes WHERE channel = ? AND minute >= ? AND minute < ?"
                ((rows,),) = await self._journal.rows(f"SELECT count(*) {sql}", span)
                if rows:
                    yield [(f"DELETE {sql}", [span])], int(rows)

    async def _effects(self, kind: Kind, since_t: float, until_t: float) -> AsyncIterator[Step]:
        ((first, last),) = await self._journal.rows(
            "SELECT min(number), max(number) FROM effects WHERE t >= ? AND t < ?", (since_t, until_t)
        )
        stays = {await self._book.last_number(), *await self._book.standing_by_number()}
        within = "number BETWEEN ? AND ? AND t < ?"
        sql = f"SELECT number FROM effects WHERE {within} AND {_EFFECTS[kind]} ORDER BY number LIMIT ?"
        while first is not None:
            found = await self._journal.rows(sql, (first, last, until_t, STEP_EFFECTS))
            if not found:
                return
            goes = [row for row in found if row[0] not in stays]
            if goes:
                yield [("DELETE FROM effects WHERE number = ?", goes)], len(goes)
            first = found[-1][0] + 1


def _noted(gone: dict[Kind, Gone]) -> Statement:
    return "INSERT OR REPLACE INTO meta VALUES (?, ?)", [(GONE, gone_text(gone))]


def _mixed_t(pour: str) -> float | None:
    """When a pour was mixed, which its id ends in [unix s]."""
    found = _MIXED.search(pour)
    return float(found[1]) if found else None
