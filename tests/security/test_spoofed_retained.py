"""Are words that a stranger left at the broker under the bench's topics gone once benchd connects?

Retained messages: OASIS MQTT 5.0, section 3.3.1.3.  A real mosquitto keeps them, an independent client reads them back.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from mosquitto import Mosquitto, needs_mosquitto, running
from outlet_tools import Bench, leak
from phone import Phone, until
from relay import Relay

from benchd.outlets.mqtt import MqttOutlet, Settings, make
from benchd.runtime.mqtt import retained

ROOT = "benchd/v0/quiet-harbour/north"
OTHER = "benchd/v0/quiet-harbour/south"
NEVER_KEPT = ("say", "alert-log", "did/mix", "did/anything")
SPOOFED = '{"v":0,"say":"All is well.","say_until":99999999999}'


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running(tmp_path) as started:
        yield started


@contextlib.asynccontextmanager
async def outlet_running(port: int, bench: Bench) -> AsyncIterator[MqttOutlet]:
    outlet = make(Settings(port=port), bench.tools)
    task = asyncio.create_task(outlet.run())
    try:
        yield outlet
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def spoof(broker: Mosquitto, *topics: str) -> None:
    async with Phone(broker.port) as stranger:
        for topic in topics:
            stranger.send(topic, SPOOFED, retain=True)
        for topic in topics:
            await stranger.hears(topic)


async def kept(broker: Mosquitto) -> set[str]:
    """The retained topics a phone gets that connects now."""
    async with Phone(broker.port) as phone:
        phone.send("mark/the/end", "1", retain=True)
        await phone.hears("mark/the/end")
        return {topic for topic, payload, is_kept in phone.heard if is_kept and payload}


async def until_kept(broker: Mosquitto, is_right: object) -> None:
    async with asyncio.timeout(20):
        while not is_right(await kept(broker)):  # type: ignore[operator]  # noqa: ASYNC110
            await asyncio.sleep(0.1)


@needs_mosquitto
async def test_what_was_spoofed_before_we_came_is_gone_and_another_benchs_stays(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Own root only: a bench beside ours looks after its own."""
    monkeypatch.setattr(retained, "SWEEP_AFTER_S", 0.3)
    ours = {f"{ROOT}/{tail}" for tail in (*NEVER_KEPT, "alert/pot-leaking/nowhere")}
    others = {f"{OTHER}/{tail}" for tail in (*NEVER_KEPT, "alert/pot-leaking/nowhere")}
    await spoof(broker, *ours, *others)
    assert ours | others <= await kept(broker)
    bench = Bench()
    async with outlet_running(broker.port, bench):
        bench.tell(leak(bench.tools.clock.now()))
        await until_kept(broker, lambda found: not ours & found)
        found = await kept(broker)
    assert others <= found
    assert f"{ROOT}/alert/pot-leaking/barrel" in found


@needs_mosquitto
async def test_what_was_spoofed_while_we_were_away_is_gone_after_the_next_connect(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retained, "SWEEP_AFTER_S", 0.3)
    spoofed = {f"{ROOT}/{tail}" for tail in (*NEVER_KEPT, "alert/pot-leaking/nowhere")}
    async with Relay(broker.port) as gate, outlet_running(gate.port, Bench()) as outlet:
        await asyncio.wait_for(outlet.link.ready(), 10)
        await until(lambda: outlet.marks_in == "ok")
        await asyncio.sleep(1.0)  # the first sweep is over
        gate.cut()
        await until(lambda: not outlet.link.is_connected)
        await spoof(broker, *spoofed)
        gate.is_open = True
        await until(lambda: outlet.link.is_connected, 20.0)
        await until_kept(broker, lambda found: not spoofed & found)


@pytest.mark.wide
@needs_mosquitto
async def test_our_own_words_are_swept_by_nobody(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    """A live word that comes back to us while we look is no retained one: nothing is published in its place."""
    monkeypatch.setattr(retained, "SWEEP_AFTER_S", 0.5)
    bench = Bench()
    async with outlet_running(broker.port, bench) as outlet, Phone(broker.port) as phone:
        await asyncio.wait_for(outlet.link.ready(), 10)
        bench.tell(leak(bench.tools.clock.now()))
        await phone.hears(f"{ROOT}/alert-log")
        await asyncio.sleep(1.0)
        assert [payload for topic, payload, _ in phone.heard if topic == f"{ROOT}/alert-log" and not payload] == []
