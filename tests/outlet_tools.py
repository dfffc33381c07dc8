"""What does an outlet need to run in a test?  Real bulletin, clock and health; an outbox in memory."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from typing import Any, Protocol, TypeVar

from benchd.core.bench import Bench as BareBench
from benchd.core.findings import Effect
from benchd.core.model import Alert, Mark, Subject, Utterance
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health, OutboxRow, Tools


class Runs(Protocol):
    """An outlet, as far as running it goes."""

    async def run(self) -> None: ...


Outlet = TypeVar("Outlet", bound=Runs)


@contextlib.asynccontextmanager
async def run(outlet: Outlet) -> AsyncIterator[Outlet]:
    """The outlet while it runs; ended with the block."""
    task = asyncio.create_task(outlet.run(), name="outlet under test")
    try:
        yield outlet
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class MemoryOutbox:
    """The outbox contract without a disk: highest priority first, oldest first within one."""

    def __init__(self) -> None:
        self.rows: dict[int, OutboxRow] = {}
        self.delivered_ids: list[int] = []
        self.parked_why: dict[int, str] = {}
        self._arrived = asyncio.Event()
        self._last_id = 0

    def add(self, row: OutboxRow) -> int:
        self._last_id += 1
        self.rows[self._last_id] = replace(row, id=self._last_id)
        self._arrived.set()
        return self._last_id

    async def pending(self, most: int = 100) -> Sequence[OutboxRow]:
        return sorted(self.rows.values(), key=lambda row: (row.priority, row.id))[:most]

    async def delivered(self, id: int) -> None:
        del self.rows[id]
        self.delivered_ids.append(id)

    async def parked(self, id: int, why: str) -> None:
        del self.rows[id]
        self.parked_why[id] = why

    def arrived(self) -> asyncio.Event:
        return self._arrived


class Bench:
    """A bench around one outlet: tells effects as the gate does, keeps the marks submitted."""

    def __init__(self) -> None:
        self.marks: list[Mark] = []
        self.outbox = MemoryOutbox()
        self.config = BareBench(id="north", shop="quiet-harbour", name="North bench")
        self.about: dict[str, Any] = {"version": "0.1.0", "boot": "b1", "probes": [], "shelf": {}}
        self.tools = Tools(
            shop="Quiet Harbour",
            bench="north",
            boot="b1",
            version="0.1.0",
            clock=BenchClock(),
            bulletin=Bulletin(),
            outbox=self.outbox,
            health=Health(),
            submit=self.marks.append,
            about=lambda: self.about,
            outbox_rules=[],
            known=lambda: self.config,
        )

    def tell(self, *effects: Effect) -> None:
        """Outbox rows first, as in the transaction that saves them, then the bulletin."""
        for effect in effects:
            for rule in self.tools.outbox_rules:
                row = rule(effect)
                if row is not None:
                    self.outbox.add(row)
        self.tools.bulletin.post([Posted(effect, id=1) for effect in effects])


def leak(t: float, active: bool = True, code: str = "pot-leaking", value: float = 1.0) -> Alert:
    """A change of an alert about the pot."""
    subject = Subject(bench="north", pot="barrel")
    return Alert(t=t, alert=code, active=active, heard=False, priority=2, subject=subject, value=value, text="Leaking.")


def word(t: float, say: str = "Lid now.", until_s: float = 20.0, priority: int = 3) -> Utterance:
    subject = Subject(bench="north", cup="cup-1", pour="cup-1-7")
    return Utterance(t=t, say=say, priority=priority, tone="chime", say_until=t + until_s, subject=subject)
