"""What would a phone on the broker see?  A second, independent MQTT client that keeps all it hears."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

Heard = tuple[str, str, bool]


class Phone:
    """A subscriber and sender; `heard` holds (topic, payload, retained) in order of arrival."""

    def __init__(
        self,
        port: int,
        username: str = "",
        password: str = "",
        topic_filter: str = "#",
        version: int = mqtt.MQTTv5,
        host: str = "127.0.0.1",
        ca: Path | None = None,
    ) -> None:
        self.heard: list[Heard] = []
        self.refused: list[int] = []
        self._subscribed = False
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion(version))
        if username:
            self._client.username_pw_set(username, password)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda c, u, f, reason, p: (
            self.refused.append(reason.value) if reason.is_failure else c.subscribe(topic_filter, 1)
        )
        self._client.on_subscribe = lambda *rest: setattr(self, "_subscribed", True)
        self._client.on_disconnect = lambda *rest: setattr(self, "_subscribed", False)
        self._client.on_message = lambda c, u, m: self.heard.append(
            (m.topic, m.payload.decode("utf-8", "replace"), bool(m.retain))
        )
        if ca is not None:
            self._client.tls_set(str(ca))
        self._client.connect_async(host, port)

    async def __aenter__(self) -> Phone:
        self._client.loop_start()
        await until(lambda: self._subscribed or bool(self.refused))
        return self

    async def __aexit__(self, *problem: object) -> None:
        self._client.disconnect()
        await asyncio.to_thread(self._client.loop_stop)

    async def subscribed(self, within_s: float = 30.0) -> None:
        await until(lambda: self._subscribed, within_s)

    async def lost(self) -> None:
        """Wait until the broker has gone, everything it sent before being heard."""
        await until(lambda: not self._subscribed)

    def send(self, topic: str, payload: str | bytes, retain: bool = False, qos: int = 1) -> None:
        self._client.publish(topic, payload, qos, retain)

    def on(self, topic: str) -> list[Any]:
        """The payloads heard on one topic, as JSON where they are."""
        return [_parsed(payload) for heard, payload, _ in self.heard if heard == topic]

    async def hears(self, topic: str, within_s: float = 30.0, most: int = 1) -> list[Any]:
        """Wait for `most` messages on a topic."""
        await until(lambda: len(self.on(topic)) >= most, within_s)
        return self.on(topic)


def _parsed(payload: str) -> Any:
    return json.loads(payload) if payload[:1] in "{[" and payload else payload


async def until(condition: Callable[[], bool], within_s: float = 30.0) -> float:
    """Wait for a condition; the seconds it took.  Fails the test when it does not come."""
    began_s = time.monotonic()
    while not condition():
        assert time.monotonic() - began_s < within_s, f"not within {within_s} s"
        await asyncio.sleep(0.01)
    return time.monotonic() - began_s
