"""Thins the raw lines: those of closed pours and loads are sealed, the others deleted after a day; minutes stay.

Only raw board lines are ever touched: marks, statuses, contexts, findings and the one-minute values are kept.  It works
in small transactions and only while no pour and no load is open, so that no alert ever waits for it.  The newest
bundle's row always stays, even if empty: it says how far the engine had come.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchd.runtime.journal.bundles import bundles_between
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.packed_lines import SeqLine, pack
from benchd.runtime.journal.reader import ALERTS_SINCE, PINNED_BACK_S, Logbook
from benchd.runtime.journal.rows import MOVE_MINUTES, Statement
from benchd.runtime.journal.seal import Span, busy_spans

KEEP_IDLE_S = 24 * 3600.0
KEEP_PINNED_S = 90 * 86_400.0  # a load's state before it, for its recording: an older one is played from its midnight
_PIN_CHECKPOINT = """
INSERT OR IGNORE INTO checkpoints SELECT -seq, seq, t, told, crc, body FROM checkpoints
WHERE id > 0 AND t <= ? AND t > ? ORDER BY id DESC LIMIT 1
"""
"""Keeps the last checkpoint between two times under a negative id, when the day's others are dropped."""
BLOCK_ROWS = 4000
THIN_ROWS = 5000
THIN_BUNDLES = 500
_RAW = "kind IN ('line', 'raw')"  # such rows were written before there were bundles
_NEWEST = "(SELECT max(first_seq) FROM bundles)"


@dataclass(frozen=True, slots=True)
class Swept:
    """What one sweep did: blocks written, lines in them, idle lines deleted."""

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
        """Seal every closed span, then delete idle lines.  Raises JournalError; the work done before it stays done."""
        if self._is_busy():
            return Swept()
        done_number = int(await self._book.meta("sealed_number") or 0)
        blocks = sealed = 0
        for span in busy_spans(await self._book.phases(done_number), self._now()):
            packed = await self._seal(span)
            if packed is None:
                return Swept(blocks, sealed)
            blocks, sealed = blocks + packed[0], sealed + packed[1]
            done: list[Statement] = [
                ("INSERT OR REPLACE INTO meta VALUES ('sealed_number', ?)", [(str(span.number),)]),
                (_PIN_CHECKPOINT, [(span.first_t, span.first_t - PINNED_BACK_S)]),
            ]
            await self._journal.commit(done)
        await self._move_minutes()
        await self._note_alerts()
        return Swept(blocks, sealed, await self._thin() + await self._thin_bundles())

    async def _seal(self, span: Span) -> tuple[int, int] | None:
        """(blocks, lines) sealed, or None when a pour began meanwhile."""
        plain = await self._seal_plain(span)
        bundled = await self._seal_bundles(span) if plain is not None else None
        return (plain[0] + bundled[0], plain[1] + bundled[1]) if plain is not None and bundled is not None else None

    async def _seal_bundles(self, span: Span) -> tuple[int, int] | None:
        """Seal the span's lines in bundles: several make one block; lines outside the span stay in their bundles."""
        blocks = sealed = after = 0
        while bundles := await bundles_between(self._journal.rows, span.first_t, span.last_t, after, BLOCK_ROWS):
            if self._is_busy():
                return None
            after = bundles[-1][0]
            within = [row for _, rows in bundles for row in rows if span.first_t <= row[1].t <= span.last_t]
            if within:
                await self._journal.commit(await asyncio.to_thread(_resealed, bundles, within))
                blocks, sealed = blocks + 1, sealed + len(within)
        return blocks, sealed

    async def _seal_plain(self, span: Span) -> tuple[int, int] | None:
        blocks = sealed = 0
        while rows := await self._raw_rows(span):
            if self._is_busy():
                return None
            block = await asyncio.to_thread(_block, rows)
            gone = (f"DELETE FROM inputs WHERE seq BETWEEN ? AND ? AND {_RAW}", [(rows[0][0], rows[-1][0])])
            await self._journal.commit([block, gone])
            blocks, sealed = blocks + 1, sealed + len(rows)
        return blocks, sealed

    async def _raw_rows(self, span: Span) -> list[SeqLine]:
        found = await self._journal.rows(
            f"SELECT seq FROM inputs WHERE t BETWEEN ? AND ? AND {_RAW} ORDER BY t, seq LIMIT ?",
            (span.first_t, span.last_t, BLOCK_ROWS),
        )
        if not found:
            return []
        return [row async for row in self._book.plain(int(found[0][0]) - 1, int(found[-1][0]))]

    async def _thin(self) -> int:
        """Delete raw lines older than a day; the latest checkpoint never needs them again."""
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

    async def _thin_bundles(self) -> int:
        """Delete old lines in bundles, one whole bundle at a time."""
        points = await self._book.checkpoints()
        before_seq = points[-1].seq if points else 0
        thinned = 0
        while not self._is_busy():
            found = await self._journal.rows(
                f"SELECT first_seq, count FROM bundles WHERE last_t < ? AND last_seq <= ? AND first_seq < {_NEWEST} "
                "ORDER BY first_seq LIMIT ?",
                (self._now() - self._keep_idle_s, before_seq, THIN_BUNDLES),
            )
            if not found:
                break
            await self._journal.commit([("DELETE FROM bundles WHERE first_seq = ?", [(seq,) for seq, _ in found])])
            thinned += sum(count for _, count in found)
        return thinned

    async def _note_alerts(self) -> None:
        """Note from which number on an alert may stand, so that a start need not look further back; drop old pins."""
        after = await self._book.last_number()  # asked first: an alert of meanwhile has a higher number
        since = min([after + 1, *await self._book.standing_by_number()])
        if not self._is_busy():
            noted = ("INSERT OR REPLACE INTO meta VALUES (?, ?)", [(ALERTS_SINCE, str(since))])
            old = ("DELETE FROM checkpoints WHERE id < 0 AND t < ?", [(self._now() - KEEP_PINNED_S,)])
            await self._journal.commit([noted, old])

    async def _move_minutes(self) -> None:
        """Move the minutes collected since the last sweep to the table that charts read."""
        found = await self._journal.rows("SELECT max(minute) FROM fresh_minutes")
        if found[0][0] is not None and not self._is_busy():
            gone = "DELETE FROM fresh_minutes WHERE minute <= ?"
            await self._journal.commit([(MOVE_MINUTES, found), (gone, found)])


def _block(rows: Sequence[SeqLine]) -> Statement:
    (first, a), (last, b) = rows[0], rows[-1]
    return "INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?)", [(first, last, a.t, b.t, len(rows), pack(rows))]


def _resealed(bundles: Sequence[tuple[int, list[SeqLine]]], within: Sequence[SeqLine]) -> list[Statement]:
    """Statements that write `within` as a block and leave the bundles' other lines in them."""
    sealed = {seq for seq, _ in within}
    rests = [(first, [row for row in rows if row[0] not in sealed]) for first, rows in bundles]
    kept = [(len(rows), pack(rows) if rows else b"", first) for first, rows in rests]
    empty = [(first,) for first, rows in rests if not rows]
    return [
        _block(within),
        ("UPDATE bundles SET count = ?, body = ? WHERE first_seq = ?", kept),
        (f"DELETE FROM bundles WHERE first_seq = ? AND first_seq < {_NEWEST}", empty),
    ]
