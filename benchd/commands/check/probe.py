"""Tries at a broker what the daemon will publish there: does it arrive, and what has to be changed if it does not.

Each message is sent once, not retained, and listened for: a broker of MQTT 3.1.1 gives no reason when it drops one, and
one that holds a message for too large may end the connection instead.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchd import __version__
from benchd.errors import OutletError
from benchd.outlets.hub_discovery import Settings as HubSettings
from benchd.outlets.hub_discovery import device_topic
from benchd.outlets.hub_discovery.payload import Payload
from benchd.outlets.mqtt import Settings as MqttSettings
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import PACKET_TOO_LARGE, REFUSED, Message
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.topics import Topics, packed
from benchd.settings import Loaded

CONNECT_WITHIN_S = 5.0
BACK_WITHIN_S = 3.0
LARGEST_BYTES = 4096  # what benchd's own tree ever holds


@dataclass(frozen=True, slots=True)
class Probe:
    """One message to try."""

    topic: str
    payload: str


def probes_of(loaded: Loaded, settings: BrokerAddress) -> list[Probe]:
    """What an outlet's settings say it publishes: its largest messages; none for a source, which only listens."""
    bench = loaded.bench
    if isinstance(settings, MqttSettings):
        topics = Topics(bench.shop, bench.id, settings.prefix)
        filled = packed({"check": "x" * (LARGEST_BYTES - 64), "subject": topics.subject})
        return [Probe(topics.at("check"), filled)]
    if isinstance(settings, HubSettings) and not settings.remove:
        topics = Topics(bench.shop, bench.id, settings.prefix)
        payload = Payload(
            lambda: bench, lambda *levels: topics.at("hub", *levels), settings.every_s, __version__,
            loaded.page.url, settings.buttons, settings.molds,
        )  # fmt: skip
        return [Probe(topics.at("hub", "check"), "{}"), Probe(device_topic(settings, payload), payload.message({})[0])]
    return []


async def tried(address: BrokerAddress, probes: Sequence[Probe]) -> str:
    """Connect, send each probe and listen for it; the first trouble and its remedy, "" for none.

    The client id is its own, so that a running daemon's session is not disturbed.
    """
    refused: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def note(trouble: str) -> None:
        if not refused.done():
            refused.set_result(trouble.removeprefix(f"{address.host}:{address.port}: "))

    apart = address.model_copy(update={"client_id": ""})
    link = MqttLink(apart, f"benchd-check-{os.getpid()}", on_trouble=note)
    came: dict[str, asyncio.Event] = {probe.topic: asyncio.Event() for probe in probes}
    for topic, event in came.items():
        link.subscribe(topic, lambda message, event=event: _note(message, event))  # type: ignore[misc]
    try:
        async with link.opened():
            ready = asyncio.ensure_future(link.ready())
            either: list[asyncio.Future[Any]] = [ready, refused]
            done, _ = await asyncio.wait(either, timeout=CONNECT_WITHIN_S, return_when=asyncio.FIRST_COMPLETED)
            ready.cancel()
            if ready not in done:
                return refused.result() if refused in done else f"no answer within {CONNECT_WITHIN_S:.0f} s"
            for probe in probes:
                trouble = await _sent(link, probe, came[probe.topic])
                if trouble:
                    return trouble
    except OutletError as error:
        return str(error)
    return ""


def _note(message: Message, event: asyncio.Event) -> None:
    if not message.retained:
        event.set()


async def _sent(link: MqttLink, probe: Probe, came: asyncio.Event) -> str:
    """Why a probe did not go through, and what to change."""
    size = len(probe.payload.encode())
    code = await link.publish_event(probe.topic, probe.payload, most_bytes=size)
    grow = f"let the broker take messages of {size + 1000} bytes (mosquitto: message_size_limit, max_packet_size)"
    if probe.topic.endswith("/config"):
        grow += ", or write molds = false in [hub_discovery]"
    if code is None or code == PACKET_TOO_LARGE:
        return f"{probe.topic}: {size} bytes are too many for it; {grow}"
    if code >= REFUSED:
        return f"{probe.topic}: refused (0x{code:02X}); let this user write and read it (mosquitto: acl_file)"
    try:
        async with asyncio.timeout(BACK_WITHIN_S):
            await came.wait()
    except TimeoutError:
        why = f"let this user write and read it (mosquitto: acl_file), and {grow}"
        return f"{probe.topic}: {size} bytes were taken and never came back; {why}"
    return ""
