"""Does a NATS cluster lead to the same rows as a broker, a node killed in the middle, and does a bench speak to it?"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from dataclasses import replace
from pathlib import Path

import nats_cluster
import paho.mqtt.client as mqtt
import pytest
from gatherers import count, gathering, publish, until, write
from nats_cluster import needs_nats
from outlet_tools import Bench
from postgres import Cluster, needs_postgres
from shop_journal import T0, filled
from shop_records import Message, casting_day, minutes, record

from benchd.errors import SourceError
from benchd.outlets.workshop import Settings, make
from benchd.workshop.database.postgres import Postgres
from benchd.workshop.gathering.from_nats import NatsAddress, NatsWayIn

pytestmark = [needs_nats, needs_postgres]
ROWS = """
SELECT shop, bench, journal, number, after, kind, name, t, sent_t, pot, load, cup, pour, mold, channel, body
FROM records ORDER BY bench, number
"""


def by_nats(cluster: nats_cluster.Cluster, name: str = "gather-1") -> NatsWayIn:
    return NatsWayIn(NatsAddress(servers=cluster.servers), "benchd", name)


def test_before_any_bench_has_connected_it_says_so_and_waits(tmp_path: Path) -> None:
    with (
        nats_cluster.running(tmp_path, 1) as cluster,
        contextlib.closing(by_nats(cluster)) as door,
        pytest.raises(SourceError, match="no bench has connected"),
    ):
        door.open()


@pytest.mark.wide
async def test_a_benchs_journal_gives_the_same_rows_as_its_records_written_straight(
    tmp_path: Path, server: Cluster, database: Postgres
) -> None:
    """The outlet itself, in MQTT 3.1.1, to one node; the rows are those of a broker (test_gather.py)."""
    journal, bench = await filled(tmp_path / "journal.db"), Bench()
    bench.tools.clock.now = lambda: T0 + 3600.0  # type: ignore[method-assign]
    with nats_cluster.running(tmp_path, 1) as cluster:
        await asyncio.to_thread(publish, cluster.nodes[0].mqtt, [record(1, "first")], mqtt.MQTTv311)
        with contextlib.ExitStack() as stack:
            await asyncio.to_thread(stack.enter_context, gathering(server.dsn, by_nats(cluster)))
            outlet = make(Settings(port=cluster.nodes[0].mqtt), replace(bench.tools, journal=lambda: journal))
            task = asyncio.create_task(outlet.run())
            await asyncio.to_thread(until, database, 4)
            task.cancel()
            await asyncio.wait([task])
    await journal.close()
    found = database.rows("SELECT number, name, mold FROM records WHERE bench = 'north' ORDER BY number")
    assert [(r["number"], r["name"], r["mold"]) for r in found] == [
        (1, "pour_started", None), (2, "kicked", None), (4, "demolded", "m01"), (5, "pot-leaking", None),
    ]  # fmt: skip


@pytest.mark.soak
def test_a_node_killed_in_the_middle_loses_and_doubles_nothing(
    tmp_path: Path, server: Cluster, database: Postgres
) -> None:
    """Three nodes, twenty benches on the two that stay, two gatherers; the same rows as without any of it."""
    benches = [f"bench-{n}" for n in range(20)]
    cups = [["cup", 29_460_039, 240, 20.0, 21.0, 22.0]]
    days: dict[str, list[Message]] = {b: [*casting_day(b), minutes(b, cups), *more(b)] for b in benches}
    with nats_cluster.running(tmp_path) as cluster:
        publish(cluster.nodes[1].mqtt, [record(1, "first")], mqtt.MQTTv311)
        with gathering(server.dsn, by_nats(cluster)), gathering(server.dsn, by_nats(cluster, "gather-2")):
            senders = [
                threading.Thread(target=publish, args=(cluster.nodes[1 + n % 2].mqtt, days[b], mqtt.MQTTv311, 1))
                for n, b in enumerate(benches)
            ]
            for sender in senders:
                sender.start()
            until(database, 1000, 60.0)
            cluster.nodes[0].kill()
            for sender in senders:
                sender.join(120)
                assert not sender.is_alive()
            until(database, sum(len(day) - 1 for day in days.values()), 60.0)
    gathered = database.rows(ROWS)
    assert count(database, "missing") == 0
    assert count(database, "minutes") == len(benches)
    server.run("TRUNCATE records, journals, minutes")
    write(database, [message for day in days.values() for message in day])
    assert gathered == database.rows(ROWS)


def more(bench: str) -> list[Message]:
    return [record(n, bench) for n in range(7, 300)]
