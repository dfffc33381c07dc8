"""The outbox: the messages that must still be delivered, and their order.

The rows live in the journal, written with their cause; a copy in memory answers `pending`, so that a hanging disk never
keeps an alarm from being sent.  Removal is saved with the next commit: after a crash a message may be sent twice, but
never lost.  Alarms (P1, P2) are never dropped; after an hour a note (P3, P4) is replaced by a newer one with its key.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from benchd.core.findings import Effect
from benchd.runtime.contracts import Health, OutboxRow
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes

Rule = Callable[[Effect], OutboxRow | None]

LOWEST_ALARM = 2
COALESCE_AFTER_S = 3600.0


class JournalOutbox:
    """The outbox as an outlet sees it (contracts.Outbox), and as the saver fills it.

    `now` is bench time.  `writes` is where removals wait for the next commit, made by the saver.
    """

    def __init__(self, now: Callable[[], float], rules: Sequence[Rule] = (), health: Health | None = None) -> None:
        self.rules = rules
        self.writes = Writes()
        self._now = now
        self._health = health if health is not None else Health()
        self._rows: dict[int, OutboxRow] = {}
        self._refused: dict[int, tuple[OutboxRow, str]] = {}
        self._arrived = asyncio.Event()
        self._next_id = 1
        self._own_from: int | None = None
        self.is_loaded = False

    async def load(self, journal: Journal) -> None:
        """Load the rows that an earlier run left."""
        found = await journal.rows(
            "SELECT topic, payload, priority, order_key, created_t, expires_t, id, parked FROM outbox ORDER BY id"
        )
        self.is_loaded = True
        for *values, parked in found:
            row = OutboxRow(*values)
            if self._own_from is not None and row.id >= self._own_from:
                continue  # a row of this run, already known
            if parked is None:
                self._rows[row.id] = row
            else:
                self._refused[row.id] = (row, parked)
            self._next_id = max(self._next_id, row.id + 1)
        self._counted()
        if self._rows:
            self._arrived.set()

    def start_ids_at(self, first: int) -> None:
        """Start the ids here, when the journal's own could not be read; `load` then adds only older ones."""
        self._next_id = self._own_from = max(self._next_id, first)

    def rows_for(self, effect: Effect) -> list[OutboxRow]:
        """The messages that the outlets want sent about this effect, with ids; not pending until `add`ed."""
        rows = []
        for rule in self.rules:
            row = rule(effect)
            if row is not None:
                rows.append(replace(row, id=self._next_id))
                self._next_id += 1
        return rows

    def add(self, rows: Sequence[OutboxRow]) -> None:
        """Make these rows pending: their cause is saved, or is published as unsaved."""
        for row in rows:
            self._rows[row.id] = row
        self._counted()
        if rows:
            self._arrived.set()

    def note_saved(self, ids: Iterable[int]) -> None:
        """A commit holds these rows: those still to be sent are no longer sent as unsaved."""
        for id in ids:
            row = self._rows.get(id)
            if row is not None and row.unsaved_why:
                self._rows[id] = replace(row, unsaved_why="")

    async def pending(self, most: int = 100) -> Sequence[OutboxRow]:
        """What to send, most urgent first; within one order_key in the order of arrival, whatever the priority."""
        self._tidy(self._now())
        urgency: dict[int, int] = {}
        ahead: dict[str, int] = {}
        for row in sorted(self._rows.values(), key=lambda r: r.id, reverse=True):
            ahead[row.order_key] = min(row.priority, ahead.get(row.order_key, row.priority))
            urgency[row.id] = ahead[row.order_key]  # sent before the more urgent one that waits behind it
        if not self._rows:
            self._arrived.clear()
        return sorted(self._rows.values(), key=lambda r: (urgency[r.id], r.id))[:most]

    def _tidy(self, now: float) -> None:
        newest: dict[str, int] = {}
        for row in self._rows.values():
            if row.priority > LOWEST_ALARM:
                newest[row.order_key] = max(row.id, newest.get(row.order_key, 0))
        for row in list(self._rows.values()):
            is_late = row.expires_t is not None and row.expires_t < now
            is_note = row.priority > LOWEST_ALARM and row.created_t < now - COALESCE_AFTER_S
            if is_late or (is_note and row.id < newest[row.order_key]):
                self._remove(row.id)

    async def delivered(self, id: int) -> None:
        """The recipient has it: remove the row."""
        self._remove(id)

    async def parked(self, id: int, why: str) -> None:
        """The recipient refuses it: keep the row for a person to see, and do not send it again."""
        row = self._rows.pop(id, None)
        if row is None:
            return
        self._refused[id] = (row, why)
        self.writes.parked.append((why, id))
        self._health.last_error = f"outbox: {row.topic} refused: {why}"
        self._counted()

    def refused(self) -> list[tuple[OutboxRow, str]]:
        """The parked rows, each with the reason for its refusal."""
        return list(self._refused.values())

    def arrived(self) -> asyncio.Event:
        """Set when rows may be sent; cleared by a `pending` that finds none."""
        return self._arrived

    def _remove(self, id: int) -> None:
        if self._rows.pop(id, None) is not None:
            self.writes.delivered.append((id,))
            self._counted()

    def _counted(self) -> None:
        self._health.outbox_depth = len(self._rows)
