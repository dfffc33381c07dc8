"""Publishes waiting events once, saved or unsaved, with the messages they cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.contracts import OutboxRow
from benchd.runtime.journal.outbox import JournalOutbox
from benchd.runtime.journal.rows import Writes


@dataclass(slots=True)
class Waiting:
    """One event at the gate, with the messages it causes."""

    posted: Posted
    rows: list[OutboxRow]
    is_told: bool = False


@dataclass(slots=True)
class Batch:
    """What one commit writes, and the events it releases."""

    writes: Writes = field(default_factory=Writes)
    waiting: list[Waiting] = field(default_factory=list)

    def followed_by(self, later: Batch) -> Batch:
        """Both batches, this one first."""
        waiting = [entry for entry in (*self.waiting, *later.waiting) if not entry.is_told]
        return Batch(self.writes.followed_by(later.writes), waiting)


class TellGate:
    """Publishes on the bulletin and in the outbox together."""

    def __init__(self, bulletin: Bulletin, outbox: JournalOutbox) -> None:
        self._bulletin, self._outbox = bulletin, outbox

    def tell(self, waiting: Sequence[Waiting], unsaved_why: str = "") -> None:
        """Publish the events not published yet; with a reason, as unsaved."""
        fresh = [entry for entry in waiting if not entry.is_told]
        for entry in fresh:
            entry.is_told = True
        self._outbox.add([replace(row, unsaved_why=unsaved_why) for entry in fresh for row in entry.rows])
        told = [(entry.posted.effect, entry.posted.id) for entry in fresh]
        self._bulletin.post([Posted(effect, id, bool(unsaved_why), unsaved_why) for effect, id in told])
