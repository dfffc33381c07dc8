"""How do tests run gatherers and benches' messages?  In threads, against real brokers and a real PostgreSQL."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from shop_journal import T0
from shop_records import Message, arrival

from benchd.runtime.mqtt.address import BrokerAddress
from benchd.workshop.database.contract import Unreachable
from benchd.workshop.database.postgres import Postgres
from benchd.workshop.gathering.from_mqtt import MqttWayIn
from benchd.workshop.gathering.gatherer import Gatherer, WayIn
from benchd.workshop.incoming import Batch

BROKER = "max_queued_messages 0\nmax_inflight_messages 0\nset_tcp_nodelay true\n"


def by_mqtt(port: int, name: str = "gather-1", most: int = 100) -> MqttWayIn:
    return MqttWayIn(BrokerAddress(port=port), "benchd", name, most)


@contextmanager
def gathering(dsn: str, way_in: WayIn) -> Iterator[Gatherer]:
    """A gatherer at work in a thread for the length of the block, connected before it begins."""
    stop = threading.Event()
    gatherer = Gatherer(way_in, Postgres(dsn))
    thread = threading.Thread(target=gatherer.run, args=(stop.is_set,))
    thread.start()
    try:
        while not gatherer.counts.connects:
            assert thread.is_alive()
            time.sleep(0.01)
        yield gatherer
    finally:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()


def publish(port: int, messages: list[Message], version: int = mqtt.MQTTv5, at_once: int = 200) -> None:
    """All of them, each acknowledged by the broker."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion(version))
    client.max_inflight_messages_set(at_once)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for info in [client.publish(topic, payload, 1) for topic, payload in messages]:
        info.wait_for_publish(20)
    client.loop_stop()
    client.disconnect()


def write(database: Postgres, messages: list[Message], received_t: float = T0) -> None:
    database.write(Batch.of([arrival(message, received_t) for message in messages]))


def count(database: Postgres, table: str) -> int:
    return int(database.rows(f"SELECT count(*) AS n FROM {table}")[0]["n"])


def until(database: Postgres, rows: int, within_s: float = 20.0) -> None:
    """Wait for so many records, through the database's own outages."""
    deadline_s, found = time.monotonic() + within_s, -1
    while found < rows:
        assert time.monotonic() < deadline_s, f"{found} of {rows} records"
        time.sleep(0.05)
        try:
            found = count(database, "records")
        except Unreachable:
            continue
