"""Do the shop's example broker and access list hold on Debian's mosquitto, word for word, from a bench to the rows?"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import postgres
import pytest
from gatherers import count, gathering, until
from mosquitto import PROGRAM, Mosquitto, free_port, needs_mosquitto
from outlet_tools import Bench
from paho.mqtt.enums import CallbackAPIVersion
from postgres import needs_postgres
from shop_journal import T0, filled

from benchd.outlets.workshop import Settings, make
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.workshop.database.postgres import Postgres
from benchd.workshop.gathering.from_mqtt import MqttWayIn

CONFIG = Path(__file__).parents[2] / "config"
USERS = ("north", "south", "shop")
pytestmark = [
    needs_mosquitto, needs_postgres, pytest.mark.wide,
    pytest.mark.skipif(shutil.which("mosquitto_passwd") is None, reason="mosquitto_passwd is not installed"),
    pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed"),
]  # fmt: skip


class Example(Mosquitto):
    """mosquitto with the example files themselves, only their paths and the port moved."""

    def start(self) -> Mosquitto:
        folder = self.folder
        text = (CONFIG / "workshop-broker.example").read_text("utf-8")
        text = text.replace("listener 8883", f"listener {self.port} 127.0.0.1").replace(
            "/etc/mosquitto/certs", str(folder)
        )
        text = text.replace("/etc/mosquitto/passwords", f"{folder}/passwords")
        text = text.replace("/etc/mosquitto/benchd.acl", f"{folder}/acl").replace("/var/lib/mosquitto/", f"{folder}/")
        (folder / "main.conf").write_text(f"user root\nlog_dest file {folder}/mosquitto.log\n{text}")
        assert PROGRAM is not None
        self.process = subprocess.Popen([PROGRAM, "-c", str(folder / "main.conf")], stdin=subprocess.DEVNULL)
        deadline_s = time.monotonic() + 10
        while time.monotonic() < deadline_s:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
                return self
            time.sleep(0.05)
        raise AssertionError((folder / "mosquitto.log").read_text())


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = (CONFIG / "broker-tls.example").read_text("utf-8").splitlines()
    for command in [line.removeprefix("#$ ") for line in made if line.startswith("#$ ")]:
        local = command.replace("bench-hub.local", "localhost")
        subprocess.run(["sh", "-c", local], cwd=tmp_path, check=True, capture_output=True, timeout=30)
    shutil.copy(CONFIG / "workshop-acl.example", tmp_path / "acl")
    (tmp_path / "passwords").write_text("".join(f"{user}:secret-{user}\n" for user in USERS))
    subprocess.run(["mosquitto_passwd", "-U", str(tmp_path / "passwords")], check=True, capture_output=True, timeout=30)
    for user in USERS:
        (tmp_path / f"{user}.password").write_text(f"secret-{user}\n")
        (tmp_path / f"{user}.password").chmod(0o600)
    broker = Example(tmp_path, port=free_port())
    broker.start()
    yield broker
    broker.stop()


def known(broker: Mosquitto, user: str) -> dict[str, object]:
    folder = broker.folder
    return {
        "host": "localhost", "port": broker.port, "tls_ca": folder / "ca.pem", "username": user,
        "password_file": folder / f"{user}.password",
    }  # fmt: skip


async def test_a_bench_reaches_the_database(broker: Mosquitto, tmp_path: Path) -> None:
    journal, bench = await filled(tmp_path / "journal.db"), Bench()
    bench.tools.clock.now = lambda: T0 + 3600.0  # type: ignore[method-assign]
    outlet = make(Settings.model_validate(known(broker, "north")), replace(bench.tools, journal=lambda: journal))
    task = asyncio.create_task(outlet.run())
    try:
        await asyncio.to_thread(reaches, broker)
    finally:
        task.cancel()
        await asyncio.wait([task])
        await journal.close()


def reaches(broker: Mosquitto) -> None:
    with postgres.running() as server:
        shop = MqttWayIn(BrokerAddress.model_validate(known(broker, "shop")), "benchd", "gather-1")
        with gathering(server.dsn, shop), contextlib.closing(Postgres(server.dsn)) as database:
            until(database, 4)
            assert count(database, "records") == 4


def codes_of(broker: Mosquitto, user: str, topic: str, times: int = 1) -> list[int]:
    """The broker's answers to a user's messages: MQTT 5.0, section 3.4.2.1; 0x87 is not authorized."""
    address, codes = BrokerAddress.model_validate(known(broker, user)), list[int]()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.username_pw_set(user, address.password())
    client.tls_set(str(address.tls_ca))
    client.on_publish = lambda c, u, mid, reason, properties: codes.append(reason.value)
    client.connect("localhost", broker.port)
    client.loop_start()
    for _ in range(times):
        client.publish(topic, "{}", 1)
    deadline_s = time.monotonic() + 10
    while len(codes) < times and time.monotonic() < deadline_s:
        time.sleep(0.02)
    client.disconnect()
    client.loop_stop()
    return codes


def test_a_bench_speaks_for_itself_alone_and_may_not_gather(broker: Mosquitto) -> None:
    thief = MqttWayIn(BrokerAddress.model_validate(known(broker, "south")), "benchd", "thief")
    shop = MqttWayIn(BrokerAddress.model_validate(known(broker, "shop")), "benchd", "gather-1")
    root = "benchd/v0/quiet-harbour/north"
    with contextlib.closing(thief), contextlib.closing(shop):
        for door in (thief, shop):
            door.open()
        assert codes_of(broker, "south", f"{root}/record/finding") == [0x87]
        assert codes_of(broker, "shop", f"{root}/do/vent") == [0x87]
        assert codes_of(broker, "shop", f"{root}/resend")[0] < 0x80
        assert all(code < 0x80 for code in codes_of(broker, "north", f"{root}/record/finding", 10))
        assert list(thief.take(1.0)) == []
        assert len(shop.take(1.0)) >= 1
