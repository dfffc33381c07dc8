"""Does the embedded broker serve a small bench, on loopback, behind a password, and leave nothing behind?"""

from __future__ import annotations

import asyncio
import importlib.util
import socket
import stat
import tomllib
from pathlib import Path

import paho.mqtt.client as mqtt
import psutil
import pytest
from mosquitto import free_port
from phone import Phone, until

from benchd.errors import OutletError, PluginError
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.client import Will
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker, listener_config
from benchd.runtime.mqtt.link import MqttLink


def test_the_configuration_is_loopback_with_a_password_on_every_listener() -> None:
    """Both versions listen on 127.0.0.1 alone, ask for the same name and password, and keep little in memory."""
    config = tomllib.loads(listener_config(1884, 1883, "bench", "secret"))
    listeners = {version: config[version]["1"] for version in ("v4", "v5")}
    assert [listeners[v]["listen"] for v in ("v4", "v5")] == ["127.0.0.1:1883", "127.0.0.1:1884"]
    assert all(one["connections"]["auth"] == {"bench": "secret"} for one in listeners.values())
    assert config["router"]["max_segment_size"] * config["router"]["max_segment_count"] <= 8 * 1024 * 1024


async def test_both_protocol_versions_talk_to_each_other() -> None:
    """A 3.1.1 phone hears what the MQTT 5 link says, and stays connected through it."""
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        password = broker.password_file.read_text()
        address = BrokerAddress(port=broker.port, username="bench", password_file=broker.password_file)
        link = MqttLink(address, "bench", Will("up", "gone"))
        async with Phone(broker.port_v311, "bench", password, version=mqtt.MQTTv311) as old, link.opened():
            await link.ready()
            for word in ("one", "two"):
                assert await link.publish_event("say", word, expiry_s=20.0) == 0
            assert await old.hears("say", most=2) == ["one", "two"]


async def test_a_wrong_password_is_refused() -> None:
    """Neither listener lets a stranger in."""
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        troubles: list[str] = []
        link = MqttLink(BrokerAddress(port=broker.port), "stranger", on_trouble=troubles.append)
        async with link.opened():
            await until(lambda: bool(troubles))
        assert link.counts.connects == 0


async def test_its_files_are_private_and_gone_afterwards() -> None:
    """Configuration and password: 0600 in a 0700 folder while it runs, removed after; the ports are free again."""
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        folder = broker.password_file.parent
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}
        assert broker.is_running
    assert not folder.exists()
    with socket.socket() as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(("127.0.0.1", broker.port))
    await broker.stop()


async def test_a_taken_port_is_a_clear_error() -> None:
    """Somebody else's broker is on the port: said, and nothing is left running."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        sock.listen(1)
        broker = EmbeddedBroker(int(sock.getsockname()[1]), free_port())
        with pytest.raises(OutletError, match="embedded broker"):
            await broker.start()
        assert not broker.is_running


async def test_without_the_extra_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not installed: the message names the extra and the other way out."""
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(PluginError, match=r"benchd\[broker\]"):
        await EmbeddedBroker().start()


async def test_state_is_published_again_when_it_restarts(tmp_path: Path) -> None:
    """Fault 10: it forgets what it retained; after a kill -9 and a new start the state stands there again."""
    ports = free_port(), free_port()
    secret = tmp_path / "password"
    secret.touch(mode=0o600)
    link = MqttLink(BrokerAddress(port=ports[0], username="bench", password_file=secret), "bench")

    async def greet() -> None:
        link.publish_state("up", "here")

    link.when_connected(greet)
    async with EmbeddedBroker(*ports) as first:
        secret.write_text(first.password_file.read_text())
        async with link.opened():
            await link.ready()
            psutil.Process(first._broker._process.pid).kill()
            await until(lambda: not link.is_connected)
            await first.stop()
            async with EmbeddedBroker(*ports) as second:
                secret.write_text(second.password_file.read_text())
                await asyncio.wait_for(link.ready(), 30)
                async with Phone(ports[0], "bench", secret.read_text()) as phone:
                    assert await phone.hears("up") == ["here"]


async def test_starting_does_not_hold_up_the_event_loop() -> None:
    """It starts in a thread: the loop goes on turning."""
    turns = 0
    broker = EmbeddedBroker(free_port(), free_port())
    starting = asyncio.ensure_future(broker.start())
    while not starting.done():
        await asyncio.sleep(0.005)
        turns += 1
    await broker.stop()
    assert turns > 5  # a start on the loop itself leaves it one turn
