"""Sends the outbox to the broker: one row in flight, in order, none after its expiry, refused ones set aside.

A row is done when its PUBACK's reason code is below 0x80.  Three refusals park it, with a health alert, so that a
forbidden topic does not hold up the others; meanwhile its order key waits and other keys continue.  When the connection
is lost the row stays and is sent again, so a reader may see it twice; its id identifies the duplicate.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Sequence

from benchd.errors import JournalError
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health, Outbox, OutboxRow
from benchd.runtime.mqtt.client import NO_SUBSCRIBERS, REFUSED
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.topics import with_warning

ROWS_AT_ONCE = 16
REFUSALS_MOST = 3
AGAIN_S = 0.5  # wall time before a refused or interrupted row is tried again; common practice


class OutboxPump:
    """Carries rows from the outbox to the link for as long as `run` runs."""

    def __init__(self, link: MqttLink, outbox: Outbox, clock: BenchClock, health: Health) -> None:
        self._link = link
        self._outbox = outbox
        self._clock = clock
        self._health = health
        self._refusals: Counter[int] = Counter()

    async def run(self) -> None:
        """Send rows until cancelled."""
        while True:
            await self._link.ready()
            arrived: asyncio.Event = self._outbox.arrived()
            arrived.clear()
            try:
                rows = await self._outbox.pending(ROWS_AT_ONCE)
                if rows and await self._carry(rows, arrived):
                    continue
                async with asyncio.timeout(AGAIN_S if rows else None):
                    await arrived.wait()
            except TimeoutError:
                continue
            except JournalError as error:
                self._health.last_error = f"mqtt: outbox: {error}"
                await asyncio.sleep(AGAIN_S)

    async def _carry(self, rows: Sequence[OutboxRow], arrived: asyncio.Event) -> bool:
        """Send rows until a more urgent one may have arrived; True if the outbox should be checked again at once."""
        held: list[str] = []
        moved = False
        for row in rows:
            if row.order_key in held:
                continue
            done = await self._send(row)
            if done is None:
                return False
            if not done:
                held.append(row.order_key)
            moved = moved or done
            if arrived.is_set():
                return True
        return moved

    async def _send(self, row: OutboxRow) -> bool | None:
        """True: the row has left the outbox; False: refused, it waits; None: the connection is lost."""
        left_s = None if row.expires_t is None else row.expires_t - self._clock.now()
        if left_s is not None and left_s <= 0:
            self._count("said-too-late")
            await self._outbox.delivered(row.id)
            return True
        expiry_s = None if left_s is None else self._clock.wall_s(left_s)
        payload = with_warning(row.payload, row.unsaved_why)
        code = await self._link.publish_event(row.topic, payload, expiry_s=expiry_s)
        if code is None:
            return None
        if code >= REFUSED:
            return await self._refused(row, code)
        self._refusals.pop(row.id, None)
        await self._outbox.delivered(row.id)
        if row.expires_t is not None and code != NO_SUBSCRIBERS:
            self._health.delivered["say"] = self._clock.now()
        self._note_listeners(code)
        return True

    async def _refused(self, row: OutboxRow, code: int) -> bool:
        self._refusals[row.id] += 1
        if self._refusals[row.id] < REFUSALS_MOST:
            return False
        del self._refusals[row.id]
        why = f"the broker refused {row.topic} {REFUSALS_MOST} times (0x{code:02X})"
        await self._outbox.parked(row.id, why)
        self._count("parked")
        self._health.last_error = f"mqtt: {why}; check its access list"
        return True

    def _note_listeners(self, code: int) -> None:
        """Record whether there are subscribers: 0x10 means none; any other code means some, if 0x10 was ever sent."""
        if code == NO_SUBSCRIBERS:
            self._health.listeners = 0
            self._health.last_error = "mqtt: nobody listens to say and alert-log"
        elif self._link.counts.no_subscribers:
            self._health.listeners = 1
        else:
            self._health.listeners = None

    def _count(self, what: str) -> None:
        self._health.dropped[what] = self._health.dropped.get(what, 0) + 1
