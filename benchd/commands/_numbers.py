"""Listens at a broker for a while: every number in every message, by its topic and key.

For a person who looks for the topic and key of a sensor; nothing is judged or saved.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from benchd.core.format.plain_text import printable
from benchd.errors import OutletError, SourceError
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import Message
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.serial.overhear import Name

NAMES_MOST = 500
DEEPEST = 8
PAYLOAD_MOST_BYTES = 16_384

Leaf = tuple[str, str]
"""(topic, dotted key; "" where the payload is the number itself)"""


@dataclass(slots=True)
class HeardNumbers:
    """The numbers by topic and key, and how many messages there were."""

    names: dict[Leaf, Name] = field(default_factory=dict)
    messages: int = 0
    trouble: str = ""

    def take(self, message: Message, now_s: float) -> None:
        """One message, retained ones too: they show the form."""
        self.messages += 1
        for key, value in numbers(message.payload):
            leaf = (printable(message.topic), printable(key))
            if leaf in self.names or len(self.names) < NAMES_MOST:
                self.names.setdefault(leaf, Name("")).values.append((now_s, value))


def numbers(payload: bytes) -> Iterator[tuple[str, float]]:
    """The finite numbers of a payload with their keys; a text that is one counts.

    >>> list(numbers(b'{"a": {"b": 21.5, "c": "on"}, "d": [1]}'))
    [('a.b', 21.5), ('d.0', 1.0)]
    """
    if len(payload) <= PAYLOAD_MOST_BYTES:
        with contextlib.suppress(ValueError, RecursionError):
            yield from _leaves("", json.loads(payload), 0)


def _leaves(path: str, node: Any, depth: int) -> Iterator[tuple[str, float]]:
    if isinstance(node, dict | list) and depth < DEEPEST:
        for key, inner in node.items() if isinstance(node, dict) else enumerate(node):
            yield from _leaves(f"{path}.{key}" if path else str(key), inner, depth + 1)
    elif isinstance(node, int | float | str) and not isinstance(node, bool):
        with contextlib.suppress(ValueError, OverflowError):
            value = float(node)
            if abs(value) < float("inf"):
                yield path, value


async def overhear_numbers(
    address: BrokerAddress,
    topic_filter: str,
    for_s: float | None,
    on_news: Callable[[HeardNumbers], None] = lambda heard: None,
) -> HeardNumbers:
    """Listen for so long, None = until cancelled; `on_news` after each message.

    Raises SourceError when the broker cannot be reached in that time, or a password or TLS file can't be used.
    """
    heard = HeardNumbers()

    def hear(message: Message) -> None:
        heard.take(message, time.monotonic())
        on_news(heard)

    link = MqttLink(address, "", on_trouble=lambda text: setattr(heard, "trouble", text))
    link.subscribe(topic_filter, hear)
    try:
        async with link.opened():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(for_s):
                    await asyncio.Event().wait()
    except OutletError as error:
        raise SourceError(str(error)) from error
    if link.counts.connects == 0:
        raise SourceError(heard.trouble or f"{address.host}:{address.port}: no answer")
    return heard
