"""Is "two benches, one name" said only where the broker says that a session was taken over?

A broker of our own answers CONNECT and then ends each session as told.  Packets and reason codes: OASIS MQTT 5.0,
sections 3.2, 3.14.2.1 and 2.4 (0x8E session taken over, 0x95 packet too large, 0x97 quota exceeded).
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from mosquitto import Mosquitto, needs_mosquitto, running
from outlet_tools import Bench
from phone import until
from stream_server import serving

from benchd.outlets import hub_discovery
from benchd.outlets.mqtt import Settings, make
from benchd.runtime.contracts import Health
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.pauses import Pauses

CONNACK = b"\x20\x03\x00\x00\x00"
SESSIONS = 5
TAKEN_OVER, TOO_LARGE, QUOTA = 0x8E, 0x95, 0x97


class Ending:
    """A broker that ends each session a moment after it began, with a reason code or (None) without a word."""

    def __init__(self, code: int | None) -> None:
        self.code = code
        self.sessions = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
            await reader.read(4096)
            writer.write(CONNACK)
            await writer.drain()
            self.sessions += 1
            if self.code is not None:
                writer.write(bytes((0xE0, 0x02, self.code, 0x00)))
                await writer.drain()
                while await reader.read(4096):  # what is left unread would reset the connection, reason and all
                    pass


@contextlib.asynccontextmanager
async def ending(code: int | None) -> AsyncIterator[tuple[Ending, int]]:
    broker = Ending(code)
    async with serving(broker.serve) as (port, _):
        yield broker, port


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running(tmp_path) as started:
        yield started


@pytest.mark.parametrize(
    ("code", "is_contested", "says"),
    [
        (None, False, "connection lost"),
        (TOO_LARGE, False, "the broker ended it: Packet too large"),
        (QUOTA, False, "the broker ended it: Quota exceeded"),
        (TAKEN_OVER, True, "another client uses the id"),
    ],
)
async def test_short_sessions_are_a_contest_only_when_the_broker_says_so(
    code: int | None, is_contested: bool, says: str, caplog: pytest.LogCaptureFixture
) -> None:
    """Whatever else ends them is told by its reason's name: in the log once, in the last error each time."""
    caplog.set_level(logging.WARNING, "benchd")
    troubles: list[str] = []
    async with ending(code) as (broker, port):
        link = MqttLink(BrokerAddress(port=port), "benchd-north", None, "", troubles.append)
        link.pauses = Pauses(chance=lambda low, high: 0.0)
        async with link.opened():
            await until(lambda: broker.sessions >= SESSIONS and len(troubles) >= SESSIONS, 20.0)
            assert link.is_contested is is_contested
    assert all(says in trouble for trouble in troubles)
    assert sum(says in record.getMessage() for record in caplog.records) == 1


async def test_a_broker_that_throws_us_out_raises_no_alarm_of_two_benches(monkeypatch: pytest.MonkeyPatch) -> None:
    """The outlet's health, which the engine makes the alarm of, stays without a contested id."""
    monkeypatch.setattr("benchd.outlets.mqtt.REACH_EVERY_S", 0.01)
    bench = Bench()
    async with ending(TOO_LARGE) as (broker, port):
        outlet = make(Settings(port=port), bench.tools)
        outlet.link.pauses = Pauses(chance=lambda low, high: 0.0)
        task = asyncio.create_task(outlet.run())
        await until(lambda: broker.sessions >= SESSIONS, 20.0)
        await asyncio.sleep(0.1)
        assert bench.tools.health.contested == ""
        assert "Packet too large" in bench.tools.health.last_error
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_the_hubs_own_name_contested_is_told_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    """The hub's outlet has a connection and an id of its own; another one that takes it is the same mistake."""
    monkeypatch.setattr(hub_discovery, "LOOK_EVERY_S", 0.01)
    bench = Bench()
    async with ending(TAKEN_OVER) as (_, port):
        hub = hub_discovery.make(hub_discovery.Settings(port=port), bench.tools)
        task = asyncio.create_task(hub.run())
        await until(lambda: bench.tools.health.contested == "benchd-hub-quiet-harbour-north", 20.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def test_of_two_contested_names_the_first_stays_until_it_is_over() -> None:
    """Two links write into one health: neither wipes out what the other found."""
    health = Health()
    first, second = (MqttLink(BrokerAddress(), id) for id in ("first", "second"))
    for link in (first, second):
        link.contest()
        link.note_contest(health)
    assert health.contested == "first"
    second.pauses.is_contested = False
    second.note_contest(health)
    assert health.contested == "first"
    first.pauses.is_contested = False
    first.note_contest(health)
    assert health.contested == ""


@needs_mosquitto
async def test_a_broker_that_says_nothing_of_a_takeover_still_shows_the_other_bench(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Mosquitto 2.0.11 ends the old session without a word; the other's boot id in our own `about` is proof as well."""
    monkeypatch.setattr("benchd.outlets.mqtt.REACH_EVERY_S", 0.05)
    bench, other = Bench(), Bench()
    other.tools = replace(other.tools, boot="b2", about=lambda: {"version": "0.1.0", "boot": "b2"})
    ours = make(Settings(port=broker.port, client_id="one"), bench.tools)
    tasks = [asyncio.create_task(ours.run())]
    try:
        await ours.link.ready()
        await asyncio.sleep(0.2)
        assert bench.tools.health.contested == ""
        tasks.append(asyncio.create_task(make(Settings(port=broker.port, client_id="two"), other.tools).run()))
        await until(lambda: bench.tools.health.contested == "one", 10.0)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@needs_mosquitto
async def test_what_our_own_run_before_left_at_the_broker_is_no_other_bench(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.outlets.mqtt.REACH_EVERY_S", 0.05)
    for boot in ("b0", "b1"):
        bench = Bench()
        bench.about["boot"] = boot
        outlet = make(Settings(port=broker.port), replace(bench.tools, boot=boot))
        task = asyncio.create_task(outlet.run())
        await outlet.link.ready()
        await asyncio.sleep(0.3)
        assert bench.tools.health.contested == ""
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
