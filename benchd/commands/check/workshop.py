"""Tries whether a broker can carry a bench's records to a shop, by doing what a gatherer does there.

A session that outlives its connection takes a shared subscription and goes; a message is published; the session comes
back and must be given it.  All of it on a topic of the bench's own, by a client of its own.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterator

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchd.outlets.workshop import Settings
from benchd.runtime.mqtt.client import REFUSED, properties_of
from benchd.runtime.mqtt.topics import Topics

WITHIN_S = 4.0
KEPT_S = 60
ONLY_311 = "speaks MQTT 3.1.1 only: `benchd gather` needs MQTT 5, or a NATS cluster read through [nats]"
NOT_KEPT = "keeps nothing for a gatherer that is away: take one whose sessions outlive a connection, and let this user "
NOT_KEPT += "read and write its own topics (mosquitto: acl_file)"


def tried(settings: Settings, topics: Topics) -> str:
    """What stands in the way, and what to change; "" for nothing.  Blocks for some seconds at most."""
    topic = topics.at("workshop-check")
    shared = f"$share/benchd-check/{topic}"
    try:
        with _connected(settings, "away", KEPT_S) as (client, seen):
            client.subscribe(shared, options=SubscribeOptions(qos=1))
            if not _came(lambda: bool(seen.granted)) or seen.granted[0] >= REFUSED:
                return f"no shared subscription is granted to {shared}; let this user read {topics.root}/#"
        with _connected(settings, "sends", 0) as (client, _):
            client.publish(topic, b"{}", 1).wait_for_publish(WITHIN_S)
        with _connected(settings, "away", 0) as (_, seen):
            return "" if _came(lambda: bool(seen.heard)) else NOT_KEPT
    except ConnectionRefusedError as error:
        return str(error)
    except (OSError, RuntimeError, ValueError) as error:
        return f"{type(error).__name__}: {error}"


class _Seen:
    def __init__(self) -> None:
        self.codes: list[int] = []
        self.granted: list[int] = []
        self.heard: list[bytes] = []


@contextlib.contextmanager
def _connected(settings: Settings, name: str, kept_s: int) -> Iterator[tuple[mqtt.Client, _Seen]]:
    """A client and what it sees; with kept_s its session stays.  Raises ConnectionRefusedError with the reason."""
    seen = _Seen()
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, f"benchd-check-{os.getpid()}-{name}", protocol=MQTTProtocolVersion.MQTTv5
    )
    context = settings.tls_context()
    if context is not None:
        client.tls_set_context(context)
    if settings.username:
        client.username_pw_set(settings.username, settings.password())
    client.connect_timeout = WITHIN_S
    client.on_connect = lambda c, u, f, reason, p: seen.codes.append(reason.value)
    client.on_subscribe = lambda c, u, m, codes, p: seen.granted.append(codes[0].value)
    client.on_message = lambda c, u, message: seen.heard.append(bytes(message.payload))
    asked = properties_of(PacketTypes.CONNECT)
    asked.SessionExpiryInterval = kept_s
    client.connect(settings.host, settings.port, clean_start=bool(kept_s), properties=asked)
    client.loop_start()
    try:
        if not _came(lambda: bool(seen.codes)):
            raise ConnectionRefusedError(ONLY_311)
        if seen.codes[0] >= REFUSED:
            wrong = seen.codes[0] in (0x84, 0x01)
            raise ConnectionRefusedError(ONLY_311 if wrong else f"refuses the connection (0x{seen.codes[0]:02X})")
        yield client, seen
    finally:
        client.disconnect()
        client.loop_stop()


def _came(is_there: Callable[[], bool]) -> bool:
    until_s = time.monotonic() + WITHIN_S
    while not is_there():
        if time.monotonic() > until_s:
            return False
        time.sleep(0.02)
    return True
