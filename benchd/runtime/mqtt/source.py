"""What every source at a broker does: holds one link, subscribes, and puts a Status for each change of it."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Iterable

from benchd.core.model import Status
from benchd.errors import OutletError, SourceError
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Inbox
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import Message
from benchd.runtime.mqtt.link import MqttLink

GREETING_S = 0.3  # wall; how long a retained message may take to follow its subscription


class BrokerSource:
    """A source that listens at a broker; what it hears is its subclass's."""

    def __init__(self, address: BrokerAddress, id: str, clock: BenchClock) -> None:
        self._address = address
        self._id = id
        self._clock = clock
        self._place = f"{address.host}:{address.port}"
        self._inbox: Inbox | None = None
        self._link: MqttLink | None = None
        self._told: tuple[bool, str] | None = None
        self._refusals = 0
        self._is_refused = False

    async def run(self, inbox: Inbox) -> None:
        """Receive the topics until cancelled; Status(up) once they are subscribed, Status(down) whenever they are not.

        Raises SourceError, its Status already put, when a password or TLS file can't be used.
        """
        self._inbox = inbox
        self._refusals = 0
        self._began()
        link = MqttLink(self._address, f"benchd-{self._id}-{secrets.token_hex(4)}", on_trouble=self._trouble)
        self._link = link
        for topic in self._filters():
            link.subscribe(topic, self._hear)
        link.when_connected(self._greet)
        try:
            async with link.opened():
                await self._beside()
        except OutletError as error:
            self._tell(False, str(error))
            raise SourceError(str(error)) from error

    # -- a subclass's

    def _began(self) -> None:
        """A new run: forget what the last one heard."""

    def _filters(self) -> Iterable[str]:
        """What to subscribe to."""
        raise NotImplementedError

    def _hear(self, message: Message) -> None:
        """One message, on the loop."""
        raise NotImplementedError

    async def _beside(self) -> None:
        """What goes on while the link is open; never returns."""
        await asyncio.Event().wait()

    def _is_whole(self) -> bool:
        """Whether nothing of this source's own keeps it down."""
        return True

    def _can_do_without(self, refusal: str) -> bool:
        """Whether the source is up all the same, though the broker refused the topic that this names."""
        return False

    def _lost(self) -> None:
        """The connection has ended."""

    def _told_status(self) -> None:
        """A Status was put, or would have been."""

    # -- up and down

    async def _greet(self) -> None:
        """On every connect, once the broker has granted the topics: up, unless something turns out to be missing."""
        await asyncio.sleep(GREETING_S)
        self._tell_whether_up(self._place)

    def _trouble(self, text: str) -> None:
        if not self._is_linked:
            self._is_refused = False
            self._lost()
            self._tell(False, text)
        elif self._link is not None and self._link.counts.refused > self._refusals:
            self._refusals = self._link.counts.refused  # nothing is published: a subscription
            if not self._can_do_without(text):
                self._is_refused = True
                self._tell(False, f"{self._place}: {text}")

    @property
    def _is_linked(self) -> bool:
        return self._link is not None and self._link.is_connected

    @property
    def _inputs(self) -> Inbox:
        assert self._inbox is not None
        return self._inbox

    def _tell_whether_up(self, why: str) -> None:
        if self._is_refused or not self._is_linked or not self._is_whole():
            return
        if self._told is None or not self._told[0]:
            self._tell(True, why)

    def _tell(self, up: bool, why: str) -> None:
        """Put a Status, unless the very same was the last."""
        if (up, why) != self._told:
            self._inputs.put(Status(self._clock.now(), self._id, up, why))
        self._told = (up, why)
        self._told_status()
