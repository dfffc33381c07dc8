"""Listens to the values that a `mqtt_values` source is to read: whether what comes has the form its settings say."""

from __future__ import annotations

import asyncio
import contextlib

from benchd.errors import SourceError
from benchd.runtime.mqtt.client import Message
from benchd.runtime.mqtt.link import MqttLink
from benchd.sources.mqtt_values import Settings, Value, reading_of
from benchd.sources.mqtt_values.payload import Misfit

LISTEN_S = 5.0


async def heard(settings: Settings) -> dict[str, tuple[str, str]]:
    """Value name -> (trouble, what came) within LISTEN_S; a retained message shows the form too.  Raises nothing."""
    found: dict[str, tuple[str, str]] = {}
    whole = asyncio.Event()

    def hear(message: Message) -> None:
        for value in settings.value:
            if value.topic == message.topic and message.payload:
                found[value.name] = _judged(value, message.payload)
        if len(found) == len(settings.value):
            whole.set()

    link = MqttLink(settings.model_copy(update={"client_id": ""}), "")
    for topic in {value.topic for value in settings.value}:
        link.subscribe(topic, hear)
    with contextlib.suppress(TimeoutError, SourceError):
        async with link.opened(), asyncio.timeout(LISTEN_S):
            await whole.wait()
    return found


def _judged(value: Value, payload: bytes) -> tuple[str, str]:
    try:
        number, unit = reading_of(value, payload)
    except Misfit as error:
        return f"{error}; look at its key and unit", ""
    return "", f"{number:.6g} {unit or 'counts'}"
