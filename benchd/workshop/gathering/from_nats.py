"""Takes records from a NATS cluster: benches speak MQTT 3.1.1 to it, gatherers share a durable JetStream consumer.

1. The server acknowledges a bench's message once the stream `$MQTT_msgs` has it, on a majority of the nodes.  A stream
   of our own on the plain subjects would be filled beside that, without an acknowledgement: so the consumer stands on
   `$MQTT_msgs` itself, and its interest keeps the messages there until they are committed.
2. That stream is made by the server when the first bench connects.
3. Everything runs on a loop of its own in the caller's thread.

Source: NATS documentation, "MQTT", "JetStream: consumers" (as of server 2.9); tests/workshop/test_nats.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import Awaitable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import nats
import nats.errors
import nats.js.errors
from nats.aio.client import Client
from nats.aio.msg import Msg
from nats.js.api import AckPolicy, ConsumerConfig, DeliverPolicy
from pydantic import BaseModel, ConfigDict, Field

from benchd.errors import SourceError
from benchd.runtime.files.private_file import read_private
from benchd.workshop.gathering.gaps import Gap
from benchd.workshop.incoming import Arrival

STREAM = "$MQTT_msgs"
SUBJECT = "$MQTT.msgs."
DURABLE = "gather"
AT_ONCE = 1000
UNACKNOWLEDGED = 20_000
ACK_WAIT_S = 60.0
CONNECT_S = 5
TROUBLE = (nats.errors.Error, nats.js.errors.APIError, OSError, asyncio.TimeoutError)

T = TypeVar("T")


class NatsAddress(BaseModel):
    """The `[nats]` table: the cluster's nodes, and our credentials there."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    servers: list[str] = Field(min_length=1, max_length=16, examples=[["nats://127.0.0.1:4222"]])
    username: str = ""
    password_file: Path | None = None
    tls_ca: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None

    def context(self) -> ssl.SSLContext | None:
        """The TLS context, None for an unencrypted connection.  Raises SourceError."""
        if not any((self.tls_ca, self.tls_cert, self.tls_key)):
            return None
        try:
            context = ssl.create_default_context(cafile=self.tls_ca)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if self.tls_cert is not None:
                context.load_cert_chain(self.tls_cert, self.tls_key)
        except (OSError, ValueError) as error:
            raise SourceError(f"[nats] TLS files: {error}") from error
        return context


class NatsWayIn:
    """One gatherer's share of the durable consumer; `take` and `settle` in turn, from one thread."""

    def __init__(self, address: NatsAddress, prefix: str, name: str) -> None:
        self._address, self._name, self._root = address, name, prefix.replace("/", ".")
        self._filter = f"{SUBJECT}{self._root}.v0.*.*.record.*"
        self._loop: asyncio.AbstractEventLoop | None = None
        self._client: Client | None = None
        self._pull: Any = None

    def open(self) -> None:
        """Connect and bind to the consumer, which the first gatherer makes.  Raises SourceError."""
        self.close()
        self._loop = asyncio.new_event_loop()
        self._run(self._open())

    async def _open(self) -> None:
        address = self._address
        known: dict[str, Any] = {}
        if address.username:
            known = {"user": address.username}
            if address.password_file is not None:
                known["password"] = read_private(address.password_file, "[nats] password").strip("\r\n")
        self._client = client = await nats.connect(
            servers=list(address.servers), name=f"benchd-gather-{self._name}", connect_timeout=CONNECT_S,
            max_reconnect_attempts=len(address.servers), reconnect_time_wait=0.2, tls=address.context(),
            ping_interval=10, max_outstanding_pings=2, error_cb=_quiet, **known,
        )  # fmt: skip
        stream = client.jetstream(timeout=CONNECT_S)
        config = ConsumerConfig(
            durable_name=DURABLE, filter_subject=self._filter, ack_policy=AckPolicy.EXPLICIT, ack_wait=ACK_WAIT_S,
            deliver_policy=DeliverPolicy.ALL, max_ack_pending=UNACKNOWLEDGED,
        )  # fmt: skip
        self._pull = await stream.pull_subscribe(self._filter, durable=DURABLE, stream=STREAM, config=config)

    def take(self, within_s: float) -> Sequence[Arrival]:
        """What has come, after waiting up to within_s for the first.  Raises SourceError."""
        return self._run(self._take(within_s))

    async def _take(self, within_s: float) -> list[Arrival]:
        if self._client is None or not self._client.is_connected:
            raise SourceError("[nats] the cluster has ended the connection")
        try:
            found = await self._pull.fetch(AT_ONCE, timeout=max(0.05, within_s))
        except nats.errors.TimeoutError:
            return []
        return [_arrival(message) for message in found]

    def settle(self, arrivals: Sequence[Arrival]) -> None:
        """Acknowledge these, which are committed; an acknowledgement that is lost brings them again."""
        self._run(self._settle(arrivals))

    async def _settle(self, arrivals: Sequence[Arrival]) -> None:
        for arrival in arrivals:
            await arrival.receipt.ack()
        if self._client is not None:
            await self._client.flush()

    def idle(self, within_s: float) -> None:
        """Keep the connection alive while the database is away."""
        self._run(asyncio.sleep(within_s))

    def ask(self, gap: Gap) -> None:
        """Ask a bench to send again from a gap on."""
        if self._client is not None:
            subject = f"{self._root}.v0.{gap.shop}.{gap.bench}.resend"
            self._run(self._client.publish(subject, gap.payload.encode()))

    def _run(self, work: Awaitable[T]) -> T:
        loop = self._loop
        if loop is None:
            raise SourceError("[nats] not connected")
        try:
            return loop.run_until_complete(work)
        except nats.js.errors.NotFoundError as error:
            raise SourceError("[nats] there is no stream $MQTT_msgs yet: no bench has connected by MQTT") from error
        except TROUBLE as error:
            raise SourceError(f"[nats] {type(error).__name__}: {error}") from error

    def close(self) -> None:
        """Disconnect; the consumer stays.  May be called twice."""
        loop, client = self._loop, self._client
        self._loop = self._client = self._pull = None
        if loop is None:
            return
        if client is not None:
            with contextlib.suppress(*TROUBLE):
                loop.run_until_complete(client.close())
        for task in asyncio.all_tasks(loop):
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError, *TROUBLE):
                loop.run_until_complete(task)
        loop.close()


def _arrival(message: Msg) -> Arrival:
    topic = message.subject.removeprefix(SUBJECT).replace(".", "/")
    return Arrival(topic, message.data, message.metadata.timestamp.timestamp(), message)


async def _quiet(error: Exception) -> None:
    """The client's own complaints; what matters of them ends a call."""
