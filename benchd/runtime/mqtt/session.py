"""One connection to a broker: paho's client in its own thread, with its events passed to the event loop.

One session is one connection and one paho client; when it ends, both are discarded.  paho could reconnect by itself,
but it then sends again what was in flight before we can publish our state, subscribe, or notice that a message is
outdated; and an exception in its thread would leave it dead while `is_connected()` says True.  Here the end of the
thread, whatever the cause, is the end of the session, and the link above starts another.

Threads: every `_on_...` runs in paho's thread, catches everything, and hands a plain value to the loop; the rest runs
on the loop.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes

from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import (
    LARGEST_PACKET_BYTES,
    SESSION_TAKEN_OVER,
    WRONG_VERSION,
    Client,
    End,
    Message,
    ServerLimits,
    Will,
    cut,
    guarded,
    plain,
    properties_of,
)

TCP_TIMEOUT_S = 4.0
LARGEST_IN_BYTES = 65_536  # announced to the broker, which then sends nothing larger
SEND_BUFFER_BYTES = 16_384
QUEUED_IN_MOST = 512

try:
    import fcntl
    import termios
except ImportError:  # not on Windows
    fcntl = None  # type: ignore[assignment]


class Session:
    """One connection, from the first SYN to the end of paho's thread.  Make and use it on the event loop."""

    def __init__(
        self,
        address: BrokerAddress,
        client_id: str,
        will: Will | None,
        deliver: Callable[[Message], None],
        version: int = mqtt.MQTTv5,
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._deliver = deliver
        self._address = address
        self.version = version
        self._is_unanswered = False  # CONNECT is out, no CONNACK in; written by paho's thread alone
        self.connected: asyncio.Future[ServerLimits] = self._loop.create_future()
        self.ended: asyncio.Future[End] = self._loop.create_future()
        self.callback_errors = 0
        self.last_callback_error = ""
        self.dropped_in = 0
        self.began_s = time.monotonic()
        self._put_in = 0  # written by paho's thread alone
        self._taken_in = 0  # written by the loop alone
        self._end: End | None = None
        self._acks: dict[int, asyncio.Future[int | None]] = {}
        self._unwritten: set[int] = set()  # of QoS 0: added to by the loop, taken from by whichever thread knows first
        self._client = self._make_client(client_id, will)

    def _make_client(self, client_id: str, will: Will | None) -> Client:
        client = Client(client_id, self._thread_ended, self.version)
        context = self._address.tls_context()
        if context is not None:
            client.tls_set_context(context)
        if self._address.username:
            client.username_pw_set(self._address.username, self._address.password())
        if will is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=True)
        client.connect_timeout = TCP_TIMEOUT_S
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def start(self) -> None:
        """Begin to connect, off the event loop; `connected` or `ended` gives the result."""
        place = self._address.host, self._address.port, max(1, round(self._address.keepalive_s))
        if self.version == mqtt.MQTTv5:
            asked = properties_of(PacketTypes.CONNECT)
            asked.MaximumPacketSize = LARGEST_IN_BYTES
            asked.SessionExpiryInterval = 0
            self._client.connect_async(*place, clean_start=True, properties=asked)
        else:  # a clean session is paho's default
            self._client.connect_async(*place)
        self._client.loop_start()

    # -- asked on the loop

    async def answered(self, within_s: float) -> None:
        """Wait until the session is connected or has ended, at most `within_s`."""
        both: list[asyncio.Future[Any]] = [self.connected, self.ended]
        await asyncio.wait(both, timeout=within_s, return_when=asyncio.FIRST_COMPLETED)

    def publish(
        self, topic: str, payload: bytes, qos: int, retain: bool, expiry_s: float | None
    ) -> asyncio.Future[int | None]:
        """Send one message; the future gets the reason code (0 once written, for QoS 0), None if the session ends.

        Raises ConnectionError when paho does not take it (the connection has just gone).
        """
        return self._await_ack(self._given(topic, payload, qos, retain, expiry_s))

    def tell(self, topic: str, payload: bytes, retain: bool) -> None:
        """Send one message of QoS 0, of which nothing more is heard: waking the loop for it would cost more than it.

        Raises ConnectionError as `publish` does.
        """
        self._unwritten.add(self._given(topic, payload, 0, retain, None))

    @property
    def unwritten(self) -> int:
        """How many messages of QoS 0 wait for paho's thread to write them."""
        return len(self._unwritten)

    def _given(self, topic: str, payload: bytes, qos: int, retain: bool, expiry_s: float | None) -> int:
        """The number of a message that paho has taken."""
        if self.ended.done():
            raise ConnectionError("the session has ended")
        properties = None
        if expiry_s is not None and self._address.external and self.version == mqtt.MQTTv5:
            properties = properties_of(PacketTypes.PUBLISH)
            properties.MessageExpiryInterval = max(1, int(expiry_s))
        try:
            info = self._client.publish(topic, payload, qos, retain, properties)
        except (OSError, AttributeError) as error:  # paho's thread is just closing its sockets
            raise ConnectionError(str(error)) from error
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise ConnectionError(mqtt.error_string(info.rc))
        return info.mid

    def subscribe(self, topic_filter: str) -> asyncio.Future[int | None]:
        """Subscribe; the future gets the reason code, None if the session ends first."""
        try:
            code, mid = self._client.subscribe(topic_filter, qos=1)
        except (OSError, AttributeError) as error:
            raise ConnectionError(str(error)) from error
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS or mid is None:
            raise ConnectionError(mqtt.error_string(code))
        return self._await_ack(mid)

    def unsubscribe(self, topic_filter: str) -> None:
        """Unsubscribe from a filter, without waiting for the answer."""
        with contextlib.suppress(OSError, AttributeError):
            self._client.unsubscribe(topic_filter)

    def _await_ack(self, mid: int) -> asyncio.Future[int | None]:
        future: asyncio.Future[int | None] = self._loop.create_future()
        self._acks[mid] = future
        return future

    def unsent_bytes(self) -> int:
        """The bytes of ours that the kernel has not sent (0 where it cannot say): the first sign of a slow link."""
        sock = self._client.socket()
        if sock is None or fcntl is None:
            return 0
        try:
            held: bytes = fcntl.ioctl(sock.fileno(), termios.TIOCOUTQ, b"\0\0\0\0")
        except (OSError, ValueError):
            return 0
        return int(struct.unpack("i", held)[0])

    async def close(self, within_s: float = 1.0) -> None:
        """Disconnect and wait for paho's thread; after `within_s` the connection is cut instead."""
        if not self.ended.done():
            with contextlib.suppress(OSError, AttributeError):
                self._client.disconnect()
            await asyncio.wait([self.ended], timeout=within_s)
        if not self.ended.done():
            self.abort("closed while the broker was not answering")
            await asyncio.wait([self.ended], timeout=within_s)
        self._finish(End("closed"))

    def abort(self, why: str) -> None:
        """Cut the connection now, or as soon as paho's thread has made it."""
        self._end = self._end or End(why, unanswered=self._is_unanswered)
        self._client.abandoned = True
        cut(self._client.socket())

    def _finish(self, end: End) -> None:
        if not self.ended.done():
            self.ended.set_result(self._end or end)
        if not self.connected.done():
            self.connected.cancel()
        for future in self._acks.values():
            if not future.done():
                future.set_result(None)
        self._acks.clear()
        client = self._client  # without its callbacks, which refer to this session, paho's client is freed at once
        client.on_connect = client.on_disconnect = client.on_publish = client.on_subscribe = None
        client.on_message = client.on_socket_open = None

    # -- called by paho's thread

    def _tell(self, callback: Callable[..., None], *args: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has closed: nobody needs to know
            self._loop.call_soon_threadsafe(callback, *args)

    def _thread_ended(self, why: str) -> None:
        self._tell(self._finish, End(why or "connection lost", closed_early=self._is_unanswered and not why))

    @guarded
    def _on_socket_open(self, client: Any, userdata: Any, sock: Any) -> None:
        self._is_unanswered = True
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)

    @guarded
    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._is_unanswered = False
        if reason.is_failure:
            self._end = End(f"the broker refuses us: {plain(reason)}", wrong_version=reason.value == WRONG_VERSION)
            return
        limits = ServerLimits(
            packet_bytes=getattr(properties, "MaximumPacketSize", LARGEST_PACKET_BYTES),
            qos=min(1, getattr(properties, "MaximumQoS", 1)),
            retain=bool(getattr(properties, "RetainAvailable", 1)),
            unacknowledged=getattr(properties, "ReceiveMaximum", 65_535),
        )
        self._tell(self._connected, limits)

    def _connected(self, limits: ServerLimits) -> None:
        if not self.connected.done():
            self.connected.set_result(limits)

    @guarded
    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        from_broker = bool(flags.is_disconnect_packet_from_server)
        taken = from_broker and reason.value == SESSION_TAKEN_OVER
        who = "the broker ended it" if from_broker else "connection lost"
        early = self._is_unanswered and not from_broker
        self._end = self._end or End(f"{who}: {plain(reason)}", taken_over=taken, closed_early=early)

    @guarded
    def _on_publish(self, client: Any, userdata: Any, mid: int, reason: Any, properties: Any) -> None:
        try:
            self._unwritten.remove(mid)
        except KeyError:  # of QoS 1; or so quickly written that the loop does not know its number yet
            self._tell(self._acknowledged, mid, int(reason.value))

    @guarded
    def _on_subscribe(self, client: Any, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        self._tell(self._acknowledged, mid, max((int(r.value) for r in reasons), default=0))

    def _acknowledged(self, mid: int, code: int) -> None:
        self._unwritten.discard(mid)
        future = self._acks.pop(mid, None)
        if future is not None and not future.done():
            future.set_result(code)

    @guarded
    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        if self._put_in - self._taken_in >= QUEUED_IN_MOST or len(message.payload) > LARGEST_IN_BYTES:
            self.dropped_in += 1
            return
        self._put_in += 1
        self._tell(self._received, Message(message.topic, bytes(message.payload), bool(message.retain)))

    def _received(self, message: Message) -> None:
        self._taken_in += 1
        self._deliver(message)
