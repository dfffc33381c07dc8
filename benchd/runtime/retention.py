"""What becomes of raw lines?  Those of closed pours and loads are sealed, the others go after a day; minutes stay.

Only raw board lines are ever touched: marks, statuses, contexts, findings and the one-minute values are kept.  It works
in small transactions and only while no pour and no load is open, so that no word ever waits for it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from benchd.core.model import Line, RawLine
from benchd.runtime.journal import Journal
from benchd.runtime.logbook import Logbook
from benchd.runtime.seal import Span, busy_spans, pack

KEEP_IDLE_S = 24 * 3600.0
BLOCK_ROWS = 4000
THIN_ROWS = 5000
_RAW = "kind IN ('line', 'raw')"


@dataclass(frozen=True, slots=True)
class Swept:
    """What one sweep did: blocks written, lines in them, idle lines let go."""

    blocks: int = 0
    sealed: int = 0
    thinned: int = 0


class Retention:
    """Seals and thins one journal.  `is_busy` is asked before every transaction; `now` is bench time."""

    def __init__(
        self, journal: Journal, now: Callable[[], float], is_busy: Callable[[], bool], keep_idle_s: float = KEEP_IDLE_S
    ) -> None:
        self._journal, self._now, self._is_busy, self._keep_idle_s = journal, now, is_busy, keep_idle_s
        self._book = Logbook(journal)

    async def sweep(self) -> Swept:
        """Seal every closed span, then let idle lines go.  Raises JournalError; what it did until then stays done."""
        if self._is_busy():
            return Swept()
        done_number = int(await self._book.meta("sealed_number") or 0)
        blocks = sealed = 0
        for span in busy_spans(await self._book.phases(done_number), self._now()):
            packed = await self._seal(span)
            if packed is None:
                return Swept(blocks, sealed)
            blocks, sealed = blocks + packed[0], sealed + packed[1]
            done = [("INSERT OR REPLACE INTO meta VALUES ('sealed_number', ?)", [(str(span.number),)])]
            await self._journal.commit(done)
        return Swept(blocks, sealed, await self._thin())

    async def _seal(self, span: Span) -> tuple[int, int] | None:
        """(blocks, lines) sealed, or None when a pour began meanwhile."""
        blocks = sealed = 0
        while rows := await self._raw_rows(span):
            if self._is_busy():
                return None
            body = await asyncio.to_thread(pack, rows)
            first, last = rows[0], rows[-1]
            block = (first[0], last[0], first[1].t, last[1].t, len(rows), body)
            await self._journal.commit(
                [
                    ("INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?)", [block]),
                    (f"DELETE FROM inputs WHERE seq BETWEEN ? AND ? AND {_RAW}", [(first[0], last[0])]),
                ]
            )
            blocks, sealed = blocks + 1, sealed + len(rows)
        return blocks, sealed

    async def _raw_rows(self, span: Span) -> list[tuple[int, Line | RawLine]]:
        found = await self._journal.rows(
            f"SELECT seq FROM inputs WHERE t BETWEEN ? AND ? AND {_RAW} ORDER BY t, seq LIMIT ?",
            (span.first_t, span.last_t, BLOCK_ROWS),
        )
        if not found:
            return []
        return [row async for row in self._book.plain(int(found[0][0]) - 1, int(found[-1][0]))]

    async def _thin(self) -> int:
        """Let go of raw lines older than a day; the latest checkpoint never needs them again."""
        points = await self._book.checkpoints()
        before_seq = points[-1].seq if points else 0
        thinned = 0
        while not self._is_busy():
            found = await self._journal.rows(
                f"SELECT seq FROM inputs WHERE t < ? AND seq <= ? AND {_RAW} ORDER BY t LIMIT ?",
                (self._now() - self._keep_idle_s, before_seq, THIN_ROWS),
            )
            if not found:
                break
            await self._journal.commit([("DELETE FROM inputs WHERE seq = ?", [(seq,) for (seq,) in found])])
            thinned += len(found)
        return thinned
