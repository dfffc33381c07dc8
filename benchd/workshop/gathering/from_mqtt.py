"""Takes records from an MQTT 5 broker by a shared subscription, acknowledged by hand once they are committed.

1. The session outlives the connection (MQTT 5.0, section 3.1.2.11.2): what comes while a gatherer is away waits for it.
   So a gatherer keeps its name; a broker hands the share of one that never returns to nobody else.
2. The broker sends no more unacknowledged messages than it was told to (section 3.3.4, Receive Maximum): that bounds
   the memory however long the database is away.
3. One thread: the caller's.  Reading, writing to the database and acknowledging take turns, which costs less than
   handing messages from thread to thread.
"""

from __future__ import annotations

import contextlib
import select
import socket
import time
from collections.abc import Sequence
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchd.errors import SourceError
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import properties_of
from benchd.workshop.gathering.gaps import Gap
from benchd.workshop.incoming import Arrival

UNACKNOWLEDGED = 4000
KEPT_S = 30 * 86_400
CONNECT_WITHIN_S = 10.0
AT_ONCE = 1000


class MqttWayIn:
    """One gatherer's session at the broker; `take` and `settle` in turn, from one thread."""

    def __init__(self, address: BrokerAddress, prefix: str, name: str, most: int = UNACKNOWLEDGED) -> None:
        self._address, self._prefix, self._most = address, prefix, most
        self._filter = f"$share/gather/{prefix}/v0/+/+/record/+"
        self._client_id = f"benchd-gather-{name}"
        self._client: mqtt.Client | None = None
        self._arrivals: list[Arrival] = []
        self._session = 0
        self._granted: int | None = None
        self.is_leaving = False
        """Set it before `open` to be given nothing new: what waits can still be taken, then `end` the session."""

    def open(self) -> None:
        """Connect and subscribe.  Raises SourceError when the broker cannot be reached, or cannot do it."""
        self._arrivals.clear()
        self._granted, self._session = None, self._session + 1
        client = self._client = self._made()
        asked = properties_of(PacketTypes.CONNECT)
        asked.SessionExpiryInterval, asked.ReceiveMaximum = KEPT_S, self._most
        place = (self._address.host, self._address.port, max(1, round(self._address.keepalive_s)))
        try:
            client.connect(*place, clean_start=False, properties=asked)
            sock = client.socket()
            if isinstance(sock, socket.socket):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            try:
                self._until(client.is_connected, "no answer")
            except SourceError as error:
                raise SourceError(f"{error}; is it a broker of MQTT 5? a NATS server goes into [nats]") from error
            if self.is_leaving:
                client.unsubscribe(self._filter)
            else:
                client.subscribe(self._filter, options=SubscribeOptions(qos=1))
            self._until(lambda: self._granted is not None, "no answer to the subscription")
        except (OSError, ValueError) as error:
            raise SourceError(f"{self._address.host}:{self._address.port}: {error}") from error
        if self._granted is not None and self._granted >= 0x80:
            raise SourceError(f"the broker refuses {self._filter} (0x{self._granted:02X}); check its access list")

    def _made(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, self._client_id, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
        )
        context = self._address.tls_context()
        if context is not None:
            client.tls_set_context(context)
        if self._address.username:
            client.username_pw_set(self._address.username, self._address.password())
        client.connect_timeout = CONNECT_WITHIN_S
        client.on_message = self._on_message
        client.on_subscribe = lambda c, u, mid, codes, p: setattr(self, "_granted", codes[0].value)
        client.on_unsubscribe = lambda c, u, mid, codes, p: setattr(self, "_granted", 0)
        return client

    def _on_message(self, client: mqtt.Client, _: Any, message: mqtt.MQTTMessage) -> None:
        self._arrivals.append(Arrival(message.topic, bytes(message.payload), time.time(), (self._session, message.mid)))

    def _until(self, is_done: Any, trouble: str) -> None:
        deadline_s = time.monotonic() + CONNECT_WITHIN_S
        while not is_done():
            if time.monotonic() > deadline_s:
                raise SourceError(
                    f"{self._address.host}:{self._address.port}: {trouble} within {CONNECT_WITHIN_S:.0f} s"
                )
            self._serve(0.05)

    def take(self, within_s: float) -> Sequence[Arrival]:
        """What has come, after waiting up to within_s for the first.  Raises SourceError when the connection ended."""
        self._serve(0.0 if self._arrivals else within_s)
        found, self._arrivals = self._arrivals, []
        return found

    def _serve(self, within_s: float) -> None:
        """Read all that is there, once something is or within_s has passed; keep the connection alive."""
        client = self._client
        sock: Any = None if client is None else client.socket()
        if client is None or sock is None:
            raise SourceError("the broker has ended the connection")
        pending = getattr(sock, "pending", lambda: 0)
        readable = bool(pending()) or bool(select.select([sock], [], [], within_s)[0])
        for _ in range(AT_ONCE):
            if not readable:
                break
            self._checked(client.loop_read())
            readable = bool(pending()) or bool(select.select([sock], [], [], 0.0)[0])
        while client.want_write():
            self._checked(client.loop_write())
        self._checked(client.loop_misc())

    def _checked(self, code: MQTTErrorCode) -> None:
        if code not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_AGAIN):
            raise SourceError(f"{self._address.host}:{self._address.port}: {mqtt.error_string(code)}")

    def settle(self, arrivals: Sequence[Arrival]) -> None:
        """Acknowledge these, which are committed; those of an earlier connection come again anyway."""
        client = self._client
        if client is None:
            return
        for arrival in arrivals:
            session, mid = arrival.receipt
            if session == self._session:
                client.ack(mid, 1)

    def idle(self, within_s: float) -> None:
        """Keep the connection alive while the database is away: what comes waits for the next `take`."""
        self._serve(within_s)
        time.sleep(0.01)

    def ask(self, gap: Gap) -> None:
        """Ask a bench to send again from a gap on; the broker's access list must let us write its `resend`."""
        if self._client is not None:
            self._client.publish(f"{self._prefix}/v0/{gap.shop}/{gap.bench}/resend", gap.payload, 1)

    def close(self) -> None:
        """Disconnect; the session stays at the broker.  May be called twice."""
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(OSError, ValueError):
                client.disconnect()
                client.loop_write()

    def end(self) -> None:
        """End the session at the broker for good: what still waits there is lost.  Call it once nothing comes."""
        if self._client is not None:
            last = properties_of(PacketTypes.DISCONNECT)
            last.SessionExpiryInterval = 0
            self._client.disconnect(properties=last)
        self.close()
