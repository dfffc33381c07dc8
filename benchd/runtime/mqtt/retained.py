"""Finds retained messages on our topics that are outdated or were never ours, after a connect, and clears them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection

from benchd.runtime.mqtt.client import Message, plain
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.topics import Topics

SWEEP_AFTER_S = 10.0
SWEPT_MOST = 10_000  # topics in one sweep, far more than a bench ever has; the next connect takes the rest


async def swept(link: MqttLink, topics: Topics, published: Collection[str], on_trouble: Callable[[str], None]) -> None:
    """Clear the retained topics of molds, probes and alerts that no longer exist, and messages that were never ours.

    `published` are our own current topics, which are kept.  A message retained on a topic for transient messages would
    be spoken by every phone that connects: it is cleared at once.
    """
    found: dict[str, None] = {}
    foreign: dict[str, None] = {}

    def note(message: Message) -> None:
        if message.retained and message.payload and len(found) < SWEPT_MOST:
            found[message.topic] = None

    def clear(message: Message) -> None:
        if message.retained and message.payload and len(foreign) < SWEPT_MOST:
            foreign[message.topic] = None
            link.publish_state(message.topic, "")

    filters = dict.fromkeys(topics.kept_filters, note) | dict.fromkeys(topics.never_kept_filters, clear)
    for topic_filter, handler in filters.items():
        link.subscribe(topic_filter, handler)
    await asyncio.sleep(SWEEP_AFTER_S)
    for topic_filter in filters:
        link.unsubscribe(topic_filter)
    for topic in found:
        if topic not in published:
            link.publish_state(topic, "")
    if foreign:
        first = plain(next(iter(foreign)))
        on_trouble(f"{len(foreign)} retained messages of somebody else emptied, the first on {first}")
