"""The broker and its client library: paho's client as `Session` uses it, without a socket, and what is behind it.

A publish arrives after a moment, is stored if retained, passed to the phone and to our own subscriptions, and answered.
The phone's session is the broker's own affair: what the broker has acknowledged, the phone gets.  A broker that dies
ends all connections; one that forgets also loses its retained store; one that stalls takes nothing until it goes on,
or until the client finds its keepalive unanswered.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

from faultsim.world import World
from paho.mqtt.client import topic_matches_sub
from paho.mqtt.enums import MQTTErrorCode

NO_SUBSCRIBERS, REFUSED = 0x10, 0x87
KEEPALIVE_S = 5.0  # as the night's bench.toml says


fits = lru_cache(maxsize=None)(topic_matches_sub)
"""(filter, topic) -> whether they fit, remembered: a bench has few of both."""


@dataclass(frozen=True)
class Got:
    """One message that reached the broker, and when [virtual s since the night's begin]."""

    t_s: float
    topic: str
    payload: str

    @property
    def body(self) -> dict[str, Any]:
        """The JSON object; empty for a plain word."""
        found = json.loads(self.payload) if self.payload.startswith("{") else {}
        return dict(found)


class SimBroker:
    """One broker and the phone behind it."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.retained: dict[str, str] = {}
        self.got: list[Got] = []
        self.sessions: list[SimClient] = []
        self.on_got: Callable[[Got], None] = lambda got: None
        self.refused: set[str] = set()
        self.hub_refused: set[str] = set()
        self._rng = world.stream("broker")
        for fault in world.faults:
            if fault.kind in ("broker-dies", "broker-forgets"):
                world.at(world.t + fault.at_s, lambda forgets=fault.kind == "broker-forgets": self._die(forgets))  # type: ignore[misc]
            if fault.kind == "broker-stalls":
                world.at(world.t + fault.until_s, self._go_on)

    @property
    def is_joined(self) -> bool:
        """Whether the phone's own session of the daemon is there."""
        return any(not session.is_hubs for session in self.sessions)

    @property
    def is_hub_joined(self) -> bool:
        """Whether the hub's is."""
        return any(session.is_hubs for session in self.sessions)

    @property
    def is_up(self) -> bool:
        """Whether it takes connections."""
        return not (self.world.on("broker-dies") or self.world.on("broker-forgets"))

    @property
    def is_stalled(self) -> bool:
        """Whether it takes and answers nothing."""
        return self.world.on("broker-stalls") is not None

    def latency_s(self) -> float:
        """The time of one way [virtual s]."""
        late = self.world.on("broker-late")
        usual_s = 0.001 + 0.004 * self._rng.random()
        return usual_s + (3.0 * late.luck if late is not None else 0.0)

    def _die(self, forgets: bool) -> None:
        if forgets:
            self.retained.clear()
        for session in list(self.sessions):
            session.end("connection lost")

    def _go_on(self) -> None:
        for session in list(self.sessions):
            session.catch_up()

    def arrives(self, client: SimClient, topic: str, payload: bytes, qos: int, retain: bool) -> int:
        """A publish has come; the reason code."""
        world = self.world
        refuses = world.on("broker-refuses")
        if refuses is not None and qos and self._rng.random() < 0.3 + 0.7 * refuses.luck:
            (self.hub_refused if client.is_hubs else self.refused).add(topic)
            return REFUSED
        text = payload.decode()
        if retain:
            self.retained[topic] = text
            if not text:
                del self.retained[topic]
        repeats = world.on("broker-repeats") is not None and qos and self._rng.random() < 0.5
        for _ in range(2 if repeats else 1):
            got = Got(world.since_s, topic, text)
            if qos:
                self.got.append(got)
                world.note("broker", topic, text)
                self.on_got(got)
            for session in self.sessions:
                session.offer(topic, payload, False)
        return 0

    def send(self, topic: str, payload: bytes) -> bool:
        """The phone publishes; whether the daemon was there to get it."""
        if not self.is_up or self.is_stalled:
            return False
        found = False
        for session in self.sessions:
            found = session.offer(topic, payload, False) or found
        return found


class SimClient:
    """paho's client, as far as a Session calls it.  Its callbacks come as from paho's thread."""

    broker: SimBroker  # set in a subclass for one life of the process

    def __init__(self, client_id: str, thread_ended: Callable[[str], None], version: int) -> None:
        self.is_hubs, self._thread_ended = client_id.startswith("benchd-hub-"), thread_ended
        self.abandoned = False
        self.connect_timeout = 0.0
        self.on_connect = self.on_disconnect = self.on_publish = self.on_subscribe = self.on_message = None
        self.on_socket_open: Any = None
        self._mid = 0
        self._filters: list[str] = []
        self._waiting: list[Callable[[], None]] = []
        self._is_over = self._is_connected = False
        self._free_s = self._back_s = 0.0
        self._will: tuple[str, str] | None = None

    # -- what a Session calls

    def tls_set_context(self, context: Any) -> None:
        """Not used here."""

    def username_pw_set(self, name: str, word: str | None) -> None:
        """Not used here."""

    def will_set(self, topic: str, payload: str, qos: int, retain: bool) -> None:
        """What the broker publishes if we vanish."""
        self._will = topic, payload

    def connect_async(self, host: str, port: int, keepalive_s: int, **options: Any) -> None:
        """Only noted: `loop_start` connects."""

    def loop_start(self) -> None:
        """Begin to connect."""
        self._later(self._connect)

    def socket(self) -> Any:
        """Something that can be cut."""
        return SimpleNamespace(setsockopt=_nothing, shutdown=lambda how: self._cut(), fileno=_no_file)

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool, properties: Any) -> Any:
        """Send; on_publish follows with the reason code."""
        if self._is_over or not self._is_connected:
            return SimpleNamespace(rc=MQTTErrorCode.MQTT_ERR_NO_CONN, mid=0)
        self._mid += 1
        mid = self._mid
        if not qos:
            self._soon(lambda: self._call(self.on_publish, mid, _code(0), None))
        self._later(lambda: self._arrive(mid, topic, payload, qos, retain))
        return SimpleNamespace(rc=MQTTErrorCode.MQTT_ERR_SUCCESS, mid=mid)

    def subscribe(self, topic_filter: str, qos: int) -> tuple[MQTTErrorCode, int]:
        """Subscribe; on_subscribe follows, and what is retained."""
        if self._is_over or not self._is_connected:
            return MQTTErrorCode.MQTT_ERR_NO_CONN, 0
        self._mid += 1
        mid = self._mid
        self._later(lambda: self._subscribed(mid, topic_filter))
        return MQTTErrorCode.MQTT_ERR_SUCCESS, mid

    def unsubscribe(self, topic_filter: str) -> None:
        """Unsubscribe."""
        self._later(lambda: self._unsubscribed(topic_filter))

    def disconnect(self) -> None:
        """End in order: no will is published."""
        self._will = None
        self._later(lambda: self.end("closed"))

    # -- what happens

    def _soon(self, what: Callable[[], object]) -> None:
        self.broker.world.after(0.0002, lambda: None if self._is_over else (what(), None)[1])

    def _later(self, what: Callable[[], object]) -> None:
        """In order, one way's time from now; kept while the broker stalls."""
        world = self.broker.world
        self._free_s = max(self._free_s + 1e-6, world.t + self.broker.latency_s())

        def do() -> None:
            if self._is_over:
                return
            if self.broker.is_stalled or self._waiting:
                self._waiting.append(lambda: (what(), None)[1])
                self._mind_keepalive()
            else:
                what()

        world.at(self._free_s, do)

    def _mind_keepalive(self) -> None:
        if len(self._waiting) == 1:
            since_s = self.broker.world.t
            still = self._waiting
            self.broker.world.at(
                since_s + 1.5 * KEEPALIVE_S,
                lambda: self.end("keepalive timeout") if still and self.broker.is_stalled else None,
            )

    def catch_up(self) -> None:
        """The broker goes on: what waited is taken, in order."""
        waiting, self._waiting = self._waiting, []
        for what in waiting:
            if not self._is_over:
                what()

    def _connect(self) -> None:
        if not self.broker.is_up:
            self.end("ConnectionRefusedError: connection refused")
            return
        self._is_connected = True
        self.broker.sessions.append(self)
        self._call(self.on_connect, SimpleNamespace(), SimpleNamespace(is_failure=False), SimpleNamespace())

    def _arrive(self, mid: int, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        if not self.broker.is_up:
            return
        code = self.broker.arrives(self, topic, payload, qos, retain)
        if qos:
            self._answer(lambda: self._call(self.on_publish, mid, _code(code), None))

    def _subscribed(self, mid: int, topic_filter: str) -> None:
        if topic_filter not in self._filters:
            self._filters.append(topic_filter)
        self._answer(lambda: self._call(self.on_subscribe, mid, [_code(1)], None))
        for topic, text in list(self.broker.retained.items()):
            if fits(topic_filter, topic):
                self._deliver(topic, text.encode(), True)

    def _unsubscribed(self, topic_filter: str) -> None:
        if topic_filter in self._filters:
            self._filters.remove(topic_filter)

    def offer(self, topic: str, payload: bytes, retained: bool) -> bool:
        """Pass a message on if one of our filters fits."""
        if self._is_over or not any(fits(one, topic) for one in self._filters):
            return False
        self._deliver(topic, payload, retained)
        return True

    def _deliver(self, topic: str, payload: bytes, retained: bool) -> None:
        message = SimpleNamespace(topic=topic, payload=payload, retain=retained)
        self._answer(lambda: self._call(self.on_message, message))

    def _answer(self, what: Callable[[], object]) -> None:
        """The way back, in order."""
        world = self.broker.world
        self._back_s = max(self._back_s + 1e-6, world.t + self.broker.latency_s())

        def do() -> None:
            if self._is_over:
                return
            if self.broker.is_stalled:
                self._waiting.append(lambda: (what(), None)[1])
                self._mind_keepalive()
            else:
                what()

        world.at(self._back_s, do)

    def _call(self, callback: Any, *values: Any) -> None:
        if callback is not None:
            callback(self, None, *values)

    def _cut(self) -> None:
        self.broker.world.after(0.001, lambda: self.end("cut"))

    def end(self, why: str) -> None:
        """The connection is over, and with it paho's thread."""
        if self._is_over:
            return
        self._is_over = True
        if self in self.broker.sessions:
            self.broker.sessions.remove(self)
            if self._will is not None:
                self.broker.retained[self._will[0]] = self._will[1]
            flags = SimpleNamespace(is_disconnect_packet_from_server=False)
            self._call(self.on_disconnect, flags, _Reason(0x80, why), None)
        self._thread_ended(why)

    def die(self) -> None:
        """The process is gone: the broker notices, nobody here does."""
        is_known = not self._is_over and self in self.broker.sessions
        self._is_over = True
        if is_known:
            self.broker.sessions.remove(self)
            if self._will is not None:
                self.broker.retained[self._will[0]] = self._will[1]


class _Reason:
    def __init__(self, value: int, text: str) -> None:
        self.value, self._text = value, text
        self.is_failure = value >= 0x80

    def __str__(self) -> str:
        return self._text


def _code(value: int) -> _Reason:
    return _Reason(value, f"0x{value:02X}")


def _nothing(*values: Any) -> None:
    """A socket's option, taken."""


def _no_file() -> int:
    raise ValueError("no file descriptor")
