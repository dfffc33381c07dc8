"""A phone for the demo: subscribes to the bench's utterances at a real broker, and sends the caster's typed marks."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

CONNECT_WITHIN_S = 5.0


class Phone:
    """`hears(words, t, tone)` is called on the phone's own thread for each utterance; connect() before use.

    start_t: when the script began [bench unix s]; a mark says when the hand was there, as a phone on the bench's time.
    """

    def __init__(
        self, host: str, port: int, username: str, password: str, start_t: float,
        hears: Callable[[Mapping[str, Any]], None],
    ) -> None:  # fmt: skip
        self._where = (host, port)
        self._start_t = start_t
        self._hears = hears
        self._root = ""
        self._listening = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="demo-phone", protocol=paho.MQTTv5)
        self._client.username_pw_set(username, password)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._listening.set()
        self._client.on_message = self._on_message

    def connect(self, root: str) -> None:
        """Subscribe below `root` (benchd/v0/<shop>/<bench>).  Raises OSError when the broker cannot be reached."""
        self._root = root
        self._client.connect(*self._where, keepalive=10)
        self._client.loop_start()
        if not self._listening.wait(CONNECT_WITHIN_S):
            raise OSError("the demo's phone could not subscribe")

    def mark(self, mark: Mapping[str, Any]) -> None:
        """Send a typed mark as do/<verb>."""
        body = {k: v for k, v in mark.items() if k not in ("t_s", "verb")}
        body["t"] = self._start_t + float(mark["t_s"])
        self._client.publish(f"{self._root}/do/{mark['verb']}", json.dumps(body), qos=1)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: paho.Client, *_: object) -> None:
        client.subscribe(f"{self._root}/say", qos=1)

    def _on_message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        self._hears(json.loads(message.payload))
