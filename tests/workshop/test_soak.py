"""Two hundred benches, and everything on the way killed once: does every record arrive once, in order, and how soon?"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from gatherers import BROKER, by_mqtt, count, gathering, publish, until
from mosquitto import Mosquitto, needs_mosquitto
from outlet_tools import Bench
from paho.mqtt.enums import CallbackAPIVersion
from phone import Phone
from phone import until as soon
from postgres import Cluster, needs_postgres
from shop_journal import T0, add, filled, kicked
from shop_records import record

from benchd.outlets.workshop import Settings, make
from benchd.workshop.database.postgres import Postgres

pytestmark = [needs_mosquitto, needs_postgres, pytest.mark.soak, pytest.mark.timeout(280)]
VISIBLE = "SELECT extract(epoch FROM pg_xact_commit_timestamp(xmin)) - t AS s FROM records ORDER BY 1"
BENCHES, CONNECTIONS, PHASE_S, EACH_HZ = 200, 10, 8.0, 2.0


class Benches:
    """BENCHES simulated benches over some connections; each sends EACH_HZ records a second, as its outlet would.

    What the broker has not acknowledged is sent again after it is back.
    """

    def __init__(self, port: int) -> None:
        self._port, self._stop = port, threading.Event()
        self.sent = [0] * CONNECTIONS
        self._threads = [threading.Thread(target=self._run, args=(n,)) for n in range(CONNECTIONS)]
        for thread in self._threads:
            thread.start()

    def _run(self, n: int) -> None:
        mine = [f"bench-{b}" for b in range(n, BENCHES, CONNECTIONS)]
        client = mqtt.Client(CallbackAPIVersion.VERSION2, f"benches-{n}", protocol=mqtt.MQTTv311, clean_session=False)
        client.max_inflight_messages_set(len(mine))
        client.reconnect_delay_set(1, 1)
        client.connect("127.0.0.1", self._port)
        client.loop_start()
        number = 0
        while not self._stop.is_set():
            began_s, number = time.monotonic(), number + 1
            told = [record(number, bench, t=time.time()) for bench in mine]
            for info in [client.publish(topic, payload, 1) for topic, payload in told]:
                while not info.is_published():
                    info.wait_for_publish(1.0)
            self.sent[n] = number
            self._stop.wait(max(0.0, 1.0 / EACH_HZ - (time.monotonic() - began_s)))
        client.disconnect()
        client.loop_stop()

    def stop(self) -> int:
        """End them; how many records they sent."""
        self._stop.set()
        for thread in self._threads:
            thread.join(60)
            assert not thread.is_alive()
        return sum(number * len(range(n, BENCHES, CONNECTIONS)) for n, number in enumerate(self.sent))


def test_two_hundred_benches_through_the_loss_of_everything(tmp_path: Path, server: Cluster) -> None:
    """A quiet stretch; one gatherer is ended, then comes back; PostgreSQL is killed and is away; all is caught up."""
    database = Postgres(server.dsn)
    database.prepare()
    server.run("TRUNCATE records, journals")
    kept = BROKER + "persistence true\npersistence_location {folder}/\n"
    broker = Mosquitto(tmp_path, kept.replace("persistence true", "autosave_interval 1\npersistence true")).start()
    try:
        with gathering(server.dsn, by_mqtt(broker.port, "gather-1", 4000)):
            with gathering(server.dsn, by_mqtt(broker.port, "gather-2", 4000)):
                benches = Benches(broker.port)
                time.sleep(PHASE_S)
                delays = database.rows(VISIBLE)
                time.sleep(PHASE_S / 4)
            time.sleep(PHASE_S)  # one gatherer is away
            database.close()
            with gathering(server.dsn, by_mqtt(broker.port, "gather-2", 4000)):
                server.kill()
                time.sleep(PHASE_S)
                server.start()
                time.sleep(PHASE_S)
                sent = benches.stop()
                began_s = time.monotonic()
                until(database, sent, 120.0)
                caught_up_s = time.monotonic() - began_s
    finally:
        broker.stop()
    worst_s = float(delays[int(0.99 * len(delays))]["s"])
    print(f"\n{sent} records of {BENCHES} benches; in SQL within {worst_s:.2f} s (99 of 100) while all was well; "
          f"the rest {caught_up_s:.1f} s after the last was sent")  # fmt: skip
    assert count(database, "records") == sent
    assert count(database, "missing") == 0
    numbers = database.rows("SELECT bench, count(*) AS n, max(number) AS last FROM records GROUP BY bench")
    assert len(numbers) == BENCHES
    assert all(row["n"] == row["last"] for row in numbers)
    assert worst_s < 2.0
    database.close()


def test_an_hour_without_gatherers_is_caught_up(tmp_path: Path, server: Cluster) -> None:
    """What 200 benches send in an hour (a busy one some 100 records) waits at the broker for two gatherers."""
    database = Postgres(server.dsn)
    database.prepare()
    server.run("TRUNCATE records, journals")
    broker = Mosquitto(tmp_path, BROKER).start()
    doors = [by_mqtt(broker.port, f"gather-{n}", 4000) for n in (1, 2)]
    try:
        for door in doors:
            door.open()
            door.close()
        told = [record(number, f"bench-{b}") for number in range(1, 101) for b in range(BENCHES)]
        publish(broker.port, told, at_once=1000)
        began_s = time.monotonic()
        with gathering(server.dsn, doors[0]), gathering(server.dsn, doors[1]):
            until(database, len(told), 120.0)
        caught_up_s = time.monotonic() - began_s
    finally:
        broker.stop()
    print(f"\nan hour's {len(told)} records of {BENCHES} benches were caught up in {caught_up_s:.1f} s")
    assert count(database, "records") == len(told)
    assert count(database, "missing") == 0
    assert caught_up_s < 120.0
    database.close()


async def test_a_broker_that_loses_what_it_acknowledged_loses_nothing_in_the_end(
    tmp_path: Path, server: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed with a gatherer's share in memory, it knows nothing of either afterwards; the bench is asked again."""
    for name in ("EVERY_S", "SETTLED_S"):
        monkeypatch.setattr(f"benchd.workshop.gathering.gaps.{name}", 0.5)
    database = Postgres(server.dsn)
    database.prepare()
    server.run("TRUNCATE records, journals")
    journal, bench = await filled(tmp_path / "journal.db"), Bench()
    bench.tools.clock.now = lambda: T0 + 3600.0  # type: ignore[method-assign]
    broker = Mosquitto(tmp_path).start()
    outlet = make(Settings(port=broker.port), replace(bench.tools, journal=lambda: journal))
    task = asyncio.create_task(outlet.run())
    try:
        await asyncio.to_thread(_was_there, server, broker)
        async with Phone(broker.port, topic_filter="benchd/v0/+/+/record/+") as phone:
            await add(journal, 6, [kicked(T0 + 900 + n, n) for n in range(50)])
            await soon(lambda: any('"number":55,' in payload for _, payload, _ in phone.heard))
        broker.kill()
        broker.start()
        await add(journal, 56, [kicked(T0 + 2000, 1)])
        await asyncio.to_thread(_all_there, server, broker, 55)
    finally:
        task.cancel()
        await asyncio.wait([task])
        broker.stop()
        await journal.close()
    assert count(database, "missing") == 0
    database.close()


def _was_there(server: Cluster, broker: Mosquitto) -> None:
    with gathering(server.dsn, by_mqtt(broker.port)), contextlib.closing(Postgres(server.dsn)) as database:
        until(database, 4)


def _all_there(server: Cluster, broker: Mosquitto, records: int) -> None:
    with gathering(server.dsn, by_mqtt(broker.port)), contextlib.closing(Postgres(server.dsn)) as database:
        until(database, records, 60.0)
