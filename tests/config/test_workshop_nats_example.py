"""Does the shop's example NATS cluster hold as it stands: three nodes over TLS, from a bench's journal to the rows?"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import postgres
import pytest
from gatherers import count, gathering, until
from mosquitto import free_port
from nats_cluster import Cluster, Node, needs_nats
from outlet_tools import Bench
from phone import until as soon
from postgres import needs_postgres
from shop_journal import T0, filled

from benchd.outlets.workshop import Settings, WorkshopOutlet, make
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.runtime.mqtt.link import MqttLink
from benchd.workshop.database.postgres import Postgres
from benchd.workshop.gathering.from_nats import NatsAddress, NatsWayIn
from benchd.workshop.page.wall import Wall

CONFIG = Path(__file__).parents[2] / "config"
pytestmark = [
    needs_nats, needs_postgres, pytest.mark.wide,
    pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed"),
]  # fmt: skip


class Example(Cluster):
    """The example's nodes; only paths, names and ports are moved."""

    def __init__(self, folder: Path) -> None:
        self.nodes = []
        routes = [free_port() for _ in range(3)]
        for n, route in enumerate(routes):
            node = Node(folder / f"node-{n}.conf", free_port(), free_port(), free_port())
            text = (CONFIG / "workshop-nats.example").read_text("utf-8")
            moved = {
                "server_name: node-1": f"server_name: node-{n + 1}", "0.0.0.0:4222": f"127.0.0.1:{node.client}",
                "127.0.0.1:8222": f"127.0.0.1:{node.monitor}", "0.0.0.0:8883": f"127.0.0.1:{node.mqtt}",
                "0.0.0.0:6222": f"127.0.0.1:{route}", "/etc/nats/node": f"{folder}/broker",
                "/etc/nats/ca.pem": f"{folder}/ca.pem", "/var/lib/nats": f"{folder}/store-{n}",
            } | {f"nats://node-{k + 1}.lan:6222": f"nats://localhost:{to}" for k, to in enumerate(routes)}  # fmt: skip
            for old, new in moved.items():
                assert old in text, old
                text = text.replace(old, new)
            node.config.write_text(text)
            self.nodes.append(node)

    @property
    def servers(self) -> list[str]:
        return [f"nats://localhost:{node.client}" for node in self.nodes]


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    commands = (CONFIG / "broker-tls.example").read_text("utf-8").splitlines()
    for command in [line.removeprefix("#$ ") for line in commands if line.startswith("#$ ")]:
        local = command.replace("bench-hub.local", "localhost").replace("=serverAuth", "=serverAuth,clientAuth")
        subprocess.run(["sh", "-c", local], cwd=tmp_path, check=True, capture_output=True, timeout=30)
    for user in ("north", "south", "shop"):
        (tmp_path / f"{user}.password").write_text(f"change-{user}\n")
        (tmp_path / f"{user}.password").chmod(0o600)
    example = Example(tmp_path)
    try:
        yield example.start()
    finally:
        example.stop()


def known(cluster: Cluster, user: str, node: int = 0) -> dict[str, Any]:
    folder = cluster.nodes[0].config.parent
    return {
        "host": "localhost", "port": cluster.nodes[node].mqtt, "username": user, "tls_ca": folder / "ca.pem",
        "password_file": folder / f"{user}.password",
    }  # fmt: skip


def gatherer(cluster: Cluster) -> NatsWayIn:
    folder = cluster.nodes[0].config.parent
    address = NatsAddress(
        servers=cluster.servers, username="shop", password_file=folder / "shop.password", tls_ca=folder / "ca.pem"
    )
    return NatsWayIn(address, "benchd", "gather-1")


async def test_a_bench_reaches_the_database_and_the_wall_in_its_own_name_alone(
    cluster: Cluster, tmp_path: Path
) -> None:
    """Bench and wall subscribe by MQTT under the example's permissions; what the south says of the north is dropped."""
    journal, bench = await filled(tmp_path / "journal.db"), Bench()
    bench.tools.clock.now = lambda: T0 + 3600.0  # type: ignore[method-assign]
    outlet = make(Settings.model_validate(known(cluster, "north")), replace(bench.tools, journal=lambda: journal))
    wall = Wall("benchd")
    seen = MqttLink(BrokerAddress.model_validate(known(cluster, "shop", 1)), "wall")
    seen.subscribe("benchd/v0/+/+/up", wall.take)
    forged = MqttLink(BrokerAddress.model_validate(known(cluster, "south", 2)), "south")
    async with seen.opened(), forged.opened():
        await asyncio.gather(seen.ready(), forged.ready())
        task = asyncio.create_task(reached(cluster, outlet))
        await forged.publish_event("benchd/v0/quiet-harbour/north/up", "gone")
        forged.publish_state("benchd/v0/quiet-harbour/south/up", "here")
        await soon(lambda: ("quiet-harbour", "south") in wall.benches, 60.0)
        assert await task == 4
        assert ("quiet-harbour", "north") not in wall.benches
    assert outlet.link.counts.refused == seen.counts.refused == 0
    await journal.close()


async def reached(cluster: Cluster, outlet: WorkshopOutlet) -> int:
    """How many records are in the database once the bench has sent all it has."""
    await outlet_once(outlet)  # the stream is made by the first bench

    def gathered() -> int:
        with (
            postgres.running() as server,
            gathering(server.dsn, gatherer(cluster)),
            contextlib.closing(Postgres(server.dsn)) as database,
        ):
            loop.call_soon_threadsafe(began.set)
            until(database, 4, 90.0)
            return count(database, "records")

    loop, began = asyncio.get_running_loop(), asyncio.Event()
    waiting = asyncio.create_task(asyncio.to_thread(gathered))
    await began.wait()
    task = asyncio.create_task(outlet.run())
    try:
        return await waiting
    finally:
        task.cancel()
        await asyncio.wait([task])


async def outlet_once(outlet: WorkshopOutlet) -> None:
    """Connect as the bench does, without sending."""
    async with outlet.link.opened():
        await outlet.link.ready()
