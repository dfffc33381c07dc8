"""Does benchd speak MQTT 3.1.1 to a broker that knows no 5, and nothing less to one that does?

A server answers a CONNECT whose level it does not support with return code 1 and closes (MQTT 3.1.1, section 3.1.2.2);
some only close.  The old broker here is a gate before mosquitto that does the one or the other, and lets level 4 in.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from mosquitto import free_port, needs_mosquitto, running
from outlet_tools import Bench, leak, run, word
from phone import Phone, until
from stream_server import serving

from benchd.outlets.mqtt import MqttOutlet, Settings, make
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import End, Message
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.mqtt.versions import V5, V311, Versions

ROOT = "benchd/v0/quiet-harbour/north"
REFUSED_311 = b"\x20\x02\x00\x01"  # CONNACK, return code 1: MQTT 3.1.1, figure 3.8 and table 3.1


class OldBroker:
    """127.0.0.1:`port` leads to `to_port`, but for a CONNECT of level 5: that gets `answer`, and the end."""

    def __init__(self, to_port: int, answer: bytes) -> None:
        self.port = 0
        self.levels: list[int] = []
        self._to_port = to_port
        self._answer = answer
        self._over = contextlib.AsyncExitStack()

    async def __aenter__(self) -> OldBroker:
        listening = socket.socket()
        listening.bind(("127.0.0.1", 0))
        self.port, _ = await self._over.enter_async_context(serving(self._serve, listening, 65_536))
        return self

    async def __aexit__(self, *problem: object) -> None:
        await self._over.aclose()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        first = await reader.read(4096)
        name = first.find(b"MQTT")
        if name < 0:
            return
        self.levels.append(first[name + 4])
        if self.levels[-1] != 4:
            writer.write(self._answer)
            await writer.drain()
            return
        up_reader, up_writer = await asyncio.open_connection("127.0.0.1", self._to_port)
        up_writer.write(first)
        ways = [asyncio.ensure_future(_copied(*way)) for way in ((reader, up_writer), (up_reader, writer))]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            up_writer.close()


async def _copied(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await reader.read(65_536):
            writer.write(data)
            await writer.drain()


@contextlib.asynccontextmanager
async def telling(settings: Settings, bench: Bench) -> AsyncIterator[MqttOutlet]:
    async with run(make(settings, bench.tools)) as outlet:
        yield outlet


@needs_mosquitto
@pytest.mark.parametrize("answer", [REFUSED_311, b""])
async def test_a_whole_bench_works_with_a_broker_of_311(tmp_path: Path, answer: bytes) -> None:
    bench = Bench()
    with running(tmp_path) as broker:
        async with OldBroker(broker.port, answer) as old, Phone(broker.port) as phone:
            async with telling(Settings(port=old.port, external=True), bench) as outlet:
                await until(lambda: outlet.marks_in == "ok")
                assert old.levels == [5, 4]
                assert outlet.link.speaks_311
                now = bench.tools.clock.now()
                bench.tell(leak(now), word(now))
                assert (await phone.hears(f"{ROOT}/say"))[0]["say"] == "Lid now."
                assert await phone.hears(f"{ROOT}/alert/pot-leaking/barrel")
                phone.send(f"{ROOT}/do/note", '{"text": "hello"}')
                await until(lambda: [mark.text for mark in bench.marks] == ["hello"])
                await until(lambda: not bench.outbox.rows)
                assert bench.tools.health.last_error == ""  # not a word of trouble: it is none
            assert (await phone.hears(f"{ROOT}/up", most=2))[-1] == "gone"


@pytest.mark.wide
@needs_mosquitto
async def test_what_is_certain_is_kept_and_what_may_be_a_stop_is_tried_again(tmp_path: Path) -> None:
    """After a loss the sure one comes back with 3.1.1 at once; the other is asked for 5 first, until it is sure too."""
    for answer, levels in ((REFUSED_311, [5, 4, 4, 4]), (b"", [5, 4, 5, 4, 4])):
        with running(tmp_path) as broker:
            async with OldBroker(broker.port, answer) as old:
                link = MqttLink(BrokerAddress(port=old.port), "bench")
                async with link.opened():
                    for connects in (1, 2, 3):
                        await until(lambda link=link, n=connects: link.counts.connects == n)  # type: ignore[misc]
                        if connects < 3:
                            broker.kill()
                            broker.start()
                assert old.levels == levels


class Silent(OldBroker):
    """Takes a CONNECT of level 5 and says nothing, as a server does that reads its properties as a longer client id."""

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if (await reader.read(4096))[8] == 5:
            await reader.read(1)
            return
        writer.write(b"\x20\x02\x00\x00")
        self.levels.append(4)
        await reader.read(1)


@pytest.mark.wide
async def test_a_broker_that_never_answers_5_is_told_and_then_asked_for_311(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.runtime.mqtt.link.CONNACK_WITHIN_S", 0.3)
    troubles: list[str] = []
    async with Silent(0, b"") as silent:
        link = MqttLink(BrokerAddress(port=silent.port), "bench", on_trouble=troubles.append)
        async with link.opened():
            await until(lambda: silent.levels == [4], 8.0)
            await until(lambda: link.speaks_311)
    assert "no answer" in troubles[0]


@needs_mosquitto
async def test_the_settings_may_ask_for_one_version(tmp_path: Path) -> None:
    with running(tmp_path) as broker:
        link = MqttLink(BrokerAddress(port=broker.port, protocol="3.1.1"), "bench")
        async with link.opened():
            await asyncio.wait_for(link.ready(), 30)
            assert link.speaks_311
        async with OldBroker(broker.port, REFUSED_311) as old:
            troubles: list[str] = []
            link = MqttLink(BrokerAddress(port=old.port, protocol="5"), "bench", on_trouble=troubles.append)
            async with link.opened():
                await until(lambda: bool(troubles))
            assert set(old.levels) == {5}
    assert "version" in troubles[0].lower()


def test_the_choice_of_the_next_version() -> None:
    lost, early, old = End("lost"), End("closed", closed_early=True), End("refused", wrong_version=True)
    versions = Versions()
    assert (versions.after(lost, True), versions.now) == (False, V5)
    assert (versions.after(End("refused"), False), versions.now) == (False, V5)  # a wrong password is no old broker
    assert (versions.after(early, True), versions.now) == (False, V5)
    assert (versions.after(early, False), versions.now) == (True, V311)
    assert (versions.after(early, False), versions.now) == (False, V5)  # nor does it want 3.1.1: not at once again
    assert (versions.after(old, False), versions.now) == (True, V311)
    assert (versions.after(lost, True), versions.now) == (False, V311)


async def test_nobody_there_is_no_old_broker() -> None:
    troubles: list[str] = []
    link = MqttLink(BrokerAddress(port=free_port()), "bench", on_trouble=troubles.append)
    async with link.opened():
        await until(lambda: bool(troubles))
    assert "3.1.1" not in troubles[0]
    assert "refused" in troubles[0].lower()


async def test_the_embedded_brokers_311_side_serves_too() -> None:
    heard: list[Message] = []
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        address = BrokerAddress(port=broker.port_v311, username=broker.username, password_file=broker.password_file)
        link = MqttLink(address, "bench")
        link.subscribe("a/b", heard.append)
        async with link.opened():
            await asyncio.wait_for(link.ready(), 10)
            assert link.speaks_311
            assert await link.publish_event("a/b", "hello") == 0
            await until(lambda: [m.payload for m in heard] == [b"hello"])
