"""The one MQTT client: carries messages to the broker and back, through every loss of the connection.

The link is permanent; sessions come and go beneath it.  On every connect: subscriptions, then the owners'
`when_connected` callbacks (which publish "here" and all state), then events.  Two kinds of messages use it:

    state   newest wins per topic while the link is down or slow (state_queue.py)
    events  one in flight, answered with the broker's reason code; the owner's outbox keeps what was not delivered

Use on one event loop:

    async with link.opened():
        link.publish_state("benchd/v0/...", "{...}")
        code = await link.publish_event("benchd/v0/.../say", "{...}")
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import AsyncIterator, Awaitable, Callable

from benchd.errors import OutletError
from benchd.runtime.contracts import Health
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import NO_SUBSCRIBERS, PACKET_TOO_LARGE, End, ServerLimits, Will, plain
from benchd.runtime.mqtt.complaints import Complaints, LinkCounts
from benchd.runtime.mqtt.pauses import UNCONTESTED_S, Pauses
from benchd.runtime.mqtt.session import Session
from benchd.runtime.mqtt.state_queue import StateQueue
from benchd.runtime.mqtt.subscriptions import Handler, Subscriptions
from benchd.runtime.mqtt.versions import V311, Versions

log = logging.getLogger(__name__)
LARGEST_PAYLOAD_BYTES = 4096
CONNACK_WITHIN_S = 9.0
SUBACK_WITHIN_S = 5.0
FLUSH_S = 0.5
FAREWELL_S = 1.0
SHORT_S = 5.0  # a shorter or failed session that ends like the one before is not logged again


class MqttLink:
    """A lasting connection to a broker, for as long as its owner wants it.  Making one does no I/O."""

    def __init__(
        self,
        address: BrokerAddress,
        client_id: str,
        will: Will | None = None,
        last_words: str = "",
        on_trouble: Callable[[str], None] = lambda text: None,
    ) -> None:
        """`will` is published by the broker if we vanish.

        `last_words` is published instead of it before a clean stop.
        """
        self.address = address
        self.client_id = address.client_id or client_id
        self.counts = LinkCounts()
        self.pauses = Pauses()
        self._versions = Versions(address.protocol)
        self._complaints = complaints = Complaints(self.counts, on_trouble)
        self._will = will
        self._last_words = last_words
        self._subscriptions = Subscriptions(complaints.handler_failed, complaints.answered)
        self._when_connected: list[Callable[[], Awaitable[None]]] = []
        self._session: Session | None = None
        self._limits = ServerLimits()
        self._ready = asyncio.Event()
        self._states = StateQueue(complaints.answered, complaints.too_large)
        self._one_event = asyncio.Lock()

    # -- what owners call

    @property
    def is_connected(self) -> bool:
        """Whether a session is connected."""
        return self._session is not None

    @property
    def speaks_311(self) -> bool:
        """Whether the session is one of MQTT 3.1.1: its broker never says that it refuses, or that nobody listens."""
        return self._session is not None and self._session.version == V311

    @property
    def is_contested(self) -> bool:
        """Whether another client competes for our id; over once a session has lasted UNCONTESTED_S."""
        session = self._session
        return self.pauses.is_contested and (session is None or time.monotonic() - session.began_s < UNCONTESTED_S)

    def contest(self) -> None:
        """The owner has seen another client with our name at the broker."""
        if not self.pauses.is_contested:
            self._complaints.trouble(
                f"{self.address.host}:{self.address.port}: another benchd of our name is at work there"
            )
        self.pauses.is_contested = True

    def note_contest(self, health: Health) -> None:
        """Name our id in `health` while another client competes for it; an id already named there stays."""
        if self.is_contested:
            health.contested = health.contested or self.client_id
        elif health.contested == self.client_id:
            health.contested = ""

    async def ready(self) -> None:
        """Wait until connected, greeted and until the broker has the greeting's state: from here events may be sent."""
        await self._ready.wait()

    def when_connected(self, callback: Callable[[], Awaitable[None]]) -> None:
        """Call this after every connect, once the subscriptions are made."""
        self._when_connected.append(callback)

    def subscribe(self, topic_filter: str, handler: Handler) -> None:
        """Receive messages that match a filter, now and after every reconnect.

        Handlers run on the loop and may raise.
        """
        self._subscriptions.add(topic_filter, handler, self._session)

    def unsubscribe(self, topic_filter: str) -> None:
        """Stop receiving messages that match this filter."""
        self._subscriptions.remove(topic_filter, self._session)

    def publish_state(
        self,
        topic: str,
        payload: str,
        qos: int = 1,
        retain: bool = True,
        most_bytes: int = LARGEST_PAYLOAD_BYTES,
        is_urgent: bool = False,
    ) -> bool:
        """Publish the newest `payload` of `topic` as soon as the link can; False if it is larger than 4 kB.

        `most_bytes` is for the one message whose form we cannot split; the broker's own limit still holds.
        Urgent states go before all others; a topic is always urgent or never.
        """
        data = payload.encode()
        if len(data) > most_bytes:
            self._complaints.too_large(topic, len(data))
            return False
        self._states.put(topic, data, qos, retain, is_urgent)
        return True

    def withdraw(self, topic: str) -> None:
        """Do not publish a state that still waits, or waits again because the connection ended while it was sent."""
        self._states.drop(topic)

    async def publish_event(
        self, topic: str, payload: str, qos: int = 1, expiry_s: float | None = None,
        most_bytes: int = LARGEST_PAYLOAD_BYTES,
    ) -> int | None:  # fmt: skip
        """Publish once and wait for the broker's acknowledgement.

        Returns its reason code (below 0x80: delivered; 0x10: nobody subscribes), 0x95 without sending if too large, or
        None if the connection ended first: it may or may not have arrived, send it again.
        """
        data = payload.encode()
        async with self._one_event:
            session = self._session
            if session is None:
                return None
            if len(data) > most_bytes or not self._limits.fits(topic, data):
                self._complaints.too_large(topic, len(data))
                return PACKET_TOO_LARGE
            try:
                answer = session.publish(topic, data, min(qos, self._limits.qos), False, expiry_s)
            except ConnectionError:
                return None
            code = await self._answer(session, answer, 2.5 * self.address.keepalive_s)
        self.counts.no_subscribers += code == NO_SUBSCRIBERS
        return code

    async def flush(self, within_s: float = FLUSH_S) -> None:
        """Wait until the broker has every state, at most `within_s`."""
        if self.is_connected:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(within_s):
                    await self._states.drained.wait()

    @contextlib.asynccontextmanager
    async def opened(self) -> AsyncIterator[MqttLink]:
        """Run the link; leaving the block flushes state, publishes the last words and disconnects.

        Raises OutletError when a password or TLS file is unusable; a broker that cannot be reached raises nothing.
        """
        problem: Exception | None = None
        try:
            async with asyncio.TaskGroup() as group:
                running = group.create_task(self._run(), name=f"mqtt link {self.client_id}")
                try:
                    yield self
                except Exception as error:  # the owner's own: raised below unchanged, not inside a group
                    problem = error
                finally:
                    await self.flush()
                    running.cancel()
                    await asyncio.wait([running])
        except BaseExceptionGroup as several:  # the group is the link's own: its user expects an OutletError
            ours, others = several.split(OutletError)
            if ours is None or others is not None:
                raise
            raise _first(ours) from None
        if problem is not None:
            raise problem

    # -- sessions

    async def _run(self) -> None:
        before = ""
        while True:
            began_s = time.monotonic()
            connects = self.counts.connects
            end = await self._one_session()
            connected = self.counts.connects > connects
            lived_s = time.monotonic() - began_s
            if self._versions.after(end, connected):
                log.info("mqtt: %s:%d: %s; now with MQTT 3.1.1", self.address.host, self.address.port, end.why)
                continue
            pause_s = self.pauses.after(connected, lived_s, end.taken_over)
            self._tell_loss(end, lived_s < SHORT_S and end.why == before)
            before = end.why
            await asyncio.sleep(pause_s)

    def _tell_loss(self, end: End, is_again: bool) -> None:
        """Report why the session ended; the same reason repeated at once is not logged again."""
        rival = f"another client uses the id {self.client_id}: " if end.taken_over or self.pauses.is_contested else ""
        text = f"{self.address.host}:{self.address.port}: {rival}{end.why}"
        self._complaints.trouble(text, is_again)

    async def _one_session(self) -> End:
        session = Session(self.address, self.client_id, self._will, self._subscriptions.deliver, self._versions.now)
        session.start()
        try:
            await session.answered(CONNACK_WITHIN_S)
            if session.ended.done():
                return session.ended.result()
            if not session.connected.done():
                session.abort(f"no answer within {CONNACK_WITHIN_S:.0f} s")
            else:
                await self._serve(session, session.connected.result())
        finally:
            await self._part(session)
        return session.ended.result()

    async def _serve(self, session: Session, limits: ServerLimits) -> None:
        self.counts.connects += 1
        self._session, self._limits = session, limits
        try:
            async with asyncio.TaskGroup() as group:
                pump = group.create_task(self._states.pump(session, limits), name="mqtt state")
                greet = group.create_task(self._greet(session), name="mqtt greeting")
                await asyncio.wait([session.ended])
                pump.cancel()
                greet.cancel()
        finally:
            self._ready.clear()

    async def _part(self, session: Session) -> None:
        """Publish the last words if still connected, then close; messages in flight are queued again."""
        if self._session is session and not session.ended.done() and self._will is not None and self._last_words:
            with contextlib.suppress(ConnectionError):
                answer = session.publish(
                    self._will.topic, self._last_words.encode(), self._limits.qos, self._limits.retain, None
                )
                await self._answer(session, answer, FAREWELL_S)
        self._session = None
        await session.close()
        if session.callback_errors:
            self.counts.handler_errors += session.callback_errors
            self._complaints.trouble(f"{session.callback_errors} callbacks raised, last: {session.last_callback_error}")
        self.counts.dropped_in += session.dropped_in

    async def _answer(self, session: Session, answer: asyncio.Future[int | None], within_s: float) -> int | None:
        await asyncio.wait([answer], timeout=within_s)
        if not answer.done():
            session.abort(f"no acknowledgement within {within_s:.0f} s")
            return None
        return answer.result()

    # -- what happens on every connect

    async def _greet(self, session: Session) -> None:
        await self._subscriptions.ask_all(session, SUBACK_WITHIN_S)
        for callback in self._when_connected:
            try:
                await callback()
            except Exception as error:  # one owner's greeting must not keep the others from the broker
                self._complaints.handler_failed(f"greeting: {type(error).__name__}: {plain(error)}")
        self._states.owe()
        await self._states.paid.wait()
        self._ready.set()


def _first(several: BaseExceptionGroup[OutletError]) -> OutletError:
    one = several.exceptions[0]
    return _first(one) if isinstance(one, BaseExceptionGroup) else one
