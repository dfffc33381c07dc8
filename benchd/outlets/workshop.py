"""Sends the bench's findings, alerts, marks and minutes to its shop, in the order of the journal, off unless asked.

It has a connection of its own, so that the catching up after an outage never holds up the phone's.  Every message waits
for the broker's acknowledgement; how far it came is kept in the journal.  A restart repeats the last seconds, which the
receiving side tells by journal id and number.  `benchd gather` is that side; while the broker says that nobody
subscribes, the bench waits.
"""

from __future__ import annotations

import asyncio
import time
from typing import Literal

from pydantic import Field

from benchd.core.learned.shop_prior import offer_of
from benchd.errors import JournalError
from benchd.runtime.contracts import StoredRows, Tools
from benchd.runtime.journal.schema.journal_id import JournalIds, ids_of
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import NO_SUBSCRIBERS, PACKET_TOO_LARGE, REFUSED, Message
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.marks import parse_object
from benchd.runtime.mqtt.topics import Topics, packed
from benchd.runtime.workshop.records import Record, Sent, next_minutes, next_records, sent_so_far

LOOK_EVERY_S = 0.5
KEEP_EVERY_S = 10.0
RESEND_EVERY_S = 60.0
AGAIN_AFTER_S = 2.0


class Settings(BrokerAddress):
    """The `[workshop]` table: the shop's broker, which may be the one of `[mqtt]`."""

    kind: Literal["workshop"] = "workshop"
    prefix: str = Field(default="benchd", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=64)
    minutes: bool = True
    """Whether the one-minute values of every channel are sent too."""
    share_cure: bool = False
    """Whether what this bench learned of its resins is offered to the shop's other benches, retained."""
    history_days: float = Field(default=30.0, ge=0.0, le=4000.0)
    """How far back the first sending of a journal goes."""


def make(settings: Settings, tools: Tools) -> WorkshopOutlet:
    """The outlet; no I/O."""
    return WorkshopOutlet(settings, tools)


class WorkshopOutlet:
    """One bench's records on their way to the shop."""

    def __init__(self, settings: Settings, tools: Tools) -> None:
        self.topics = Topics(tools.shop, tools.bench, settings.prefix)
        self._settings, self._tools = settings, tools
        # The boot makes the id its own: a second bench of our name must not end this connection.
        client_id = f"{self.topics.root.replace('/', '-')[:44]}-records-{tools.boot[:8]}"
        self.link = MqttLink(settings, client_id, on_trouble=self._trouble)
        self._kept_s = 0.0
        self._again: tuple[str, int] | None = None
        self._again_s = float("-inf")
        self._offered: dict[str, str] = {}
        self.link.subscribe(self.topics.at("resend"), self._on_resend)
        self.link.when_connected(self._offer_again)

    async def run(self) -> None:
        """Send until cancelled.  Raises OutletError when a password or TLS file can't be used."""
        async with self.link.opened():
            while True:
                await self.link.ready()
                self._offer()
                journal = self._tools.journal()
                try:
                    if journal is not None:
                        await self._send_all(journal)
                except JournalError as error:
                    self._trouble(str(error))
                await asyncio.sleep(LOOK_EVERY_S)

    async def _send_all(self, journal: StoredRows) -> None:
        """Send until nothing is left or the broker takes no more.  Raises JournalError."""
        ids = await ids_of(journal)
        sent = await sent_so_far(journal, self._tools.clock.now(), self._settings.history_days)
        while True:
            self._go_back(ids, sent)
            self._offer()
            looked = sent.looked
            records = await next_records(journal, ids, sent, self._tools.clock.now(), self.topics.subject)
            is_more = await self._send(journal, records, sent)
            if is_more is None:
                break
            if not is_more and sent.looked == looked and not await self._sent_minutes(journal, ids, sent):
                await self._keep(journal, sent)
                await asyncio.sleep(LOOK_EVERY_S)
        await sent.keep(journal)

    async def _offer_again(self) -> None:
        self._offered.clear()

    def _offer(self) -> None:
        """Publish what was learned of each resin, retained, when it has changed; take away what is no more."""
        known = {r.id: offer_of(r) for r in self._tools.known().resins} if self._settings.share_cure else {}
        wanted = {id: packed({"subject": self.topics.subject, **offer}) for id, offer in known.items() if offer}
        wanted |= dict.fromkeys(self._offered.keys() - wanted.keys(), "")
        for id, payload in wanted.items():
            if self._offered.get(id) != payload:
                self._offered[id] = payload
                self.link.publish_state(self.topics.at("cure", id), payload)

    def _on_resend(self, message: Message) -> None:
        """A gatherer misses records: {"journal", "after"}.  Once a minute at most; anything else is ignored."""
        asked = parse_object(message.payload)
        journal, after = asked.get("journal"), asked.get("after")
        is_due = time.monotonic() - self._again_s >= RESEND_EVERY_S
        if is_due and not message.retained and isinstance(journal, str) and type(after) is int and after >= 0:
            self._again, self._again_s = (journal, after), time.monotonic()

    def _go_back(self, ids: JournalIds, sent: Sent) -> None:
        """Begin again after the number that a gatherer has last, if it is one of this journal's."""
        asked, self._again = self._again, None
        if asked is not None and asked[1] < sent.number and ids.of(asked[1] + 1) == asked[0]:
            sent.looked = sent.number = asked[1]

    async def _send(self, journal: StoredRows, records: list[Record], sent: Sent) -> bool | None:
        """Send these in order; whether there were any, None when the connection ended or the broker refused."""
        for record in records:
            topic = self.topics.at("record", record.kind)
            code = await self.link.publish_event(topic, record.payload)
            if code is None:
                return None
            if code == PACKET_TOO_LARGE:
                self._count("workshop-too-large")
            elif code >= REFUSED or code == NO_SUBSCRIBERS:
                why = "nobody gathers" if code == NO_SUBSCRIBERS else "the broker refuses it; check its access list"
                self._trouble(f"{topic}: {why} (0x{code:02X})")
                await asyncio.sleep(AGAIN_AFTER_S)
                return None
            sent.looked, sent.number = record.sent.looked, record.sent.number
            sent.minute = max(sent.minute, record.sent.minute)
            await self._keep(journal, sent)
        return bool(records)

    async def _sent_minutes(self, journal: StoredRows, ids: JournalIds, sent: Sent) -> bool:
        """Whether minutes were sent."""
        if not self._settings.minutes:
            return False
        record = await next_minutes(journal, ids, sent, self._tools.clock.now(), self.topics.subject)
        return record is not None and bool(await self._send(journal, [record], sent))

    async def _keep(self, journal: StoredRows, sent: Sent) -> None:
        """Save how far it came, not more often than the card likes."""
        now_s = time.monotonic()
        if now_s - self._kept_s >= KEEP_EVERY_S:
            self._kept_s = now_s
            await sent.keep(journal)

    def _count(self, what: str) -> None:
        self._tools.health.dropped[what] = self._tools.health.dropped.get(what, 0) + 1

    def _trouble(self, text: str) -> None:
        self._tools.health.last_error = f"workshop: {text}"
