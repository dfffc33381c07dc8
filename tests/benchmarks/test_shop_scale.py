"""How many benches does one gatherer carry, and how does that change as they double?  `pytest -m speed -s`.

CPU time of the gatherer's thread, so that what else the machine does counts little; the baseline is a client that takes
the same messages and does nothing with them, in the same run.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import postgres
import pytest
from gatherers import BROKER, by_mqtt, count, publish
from mosquitto import Mosquitto, needs_mosquitto
from postgres import Cluster, needs_postgres
from shop_records import Message, record

from benchd.workshop.database.postgres import Postgres
from benchd.workshop.gathering.gatherer import Gatherer

pytestmark = [needs_mosquitto, needs_postgres, pytest.mark.speed, pytest.mark.timeout(900)]
MESSAGES = 8000
PER_BENCH_HZ = 20.0
MUST_CARRY = 400


@pytest.fixture(scope="module")
def server() -> Iterator[Cluster]:
    with postgres.running() as cluster:
        yield cluster


def messages(benches: int, first: int = 0) -> list[Message]:
    """MESSAGES findings of so many benches, turn by turn, as benches send them."""
    body = {"at": 1_767_602_340.0, "early": 1.0, "late": 2.0, "temp_c": 40.0, "basis": "curve"}
    return [record(1 + first + n // benches, f"b{n % benches}", body=body) for n in range(MESSAGES)]


def cpu_s(broker: Mosquitto, name: str, gatherer: Gatherer | None, told: list[Message]) -> float:
    """CPU seconds of this thread to take all of them; without a gatherer they are acknowledged and dropped."""
    door = by_mqtt(broker.port, name, 4000)
    door.open()
    door.close()
    publish(broker.port, told)
    door.open()
    began_s, taken = time.thread_time(), 0
    if gatherer is None:
        while taken < len(told):
            arrivals = door.take(0.5)
            door.settle(arrivals)
            taken += len(arrivals)
    else:
        gatherer._way_in = door
        while gatherer.counts.messages < len(told):
            gatherer.turn(lambda: False)
    spent_s = time.thread_time() - began_s
    door.is_leaving = True
    door.end()
    return spent_s


def test_the_cost_of_a_message_stays_the_same_as_benches_double(tmp_path: Path, server: Cluster) -> None:
    broker = Mosquitto(tmp_path, BROKER).start()
    costs: dict[int, float] = {}
    try:
        print("\n| benches | ms CPU/1000 messages | over taking alone | benches a core at 20/s |\n|---|---|---|---|")
        for benches in (25, 50, 100, 200, 400):
            database = Postgres(server.dsn)
            database.prepare()
            server.run("TRUNCATE records, journals")
            bare_s = cpu_s(broker, f"bare-{benches}", None, messages(benches))
            costs[benches] = cpu_s(
                broker, f"full-{benches}", Gatherer(by_mqtt(broker.port), database), messages(benches)
            )
            carried = MESSAGES / costs[benches] / PER_BENCH_HZ
            each = 1e6 * costs[benches] / MESSAGES
            print(f"| {benches} | {each:.0f} | {costs[benches] / bare_s:.2f} | {carried:.0f} |", flush=True)
            assert count(database, "records") == MESSAGES
            database.close()
    finally:
        broker.stop()
    assert costs[400] < 1.5 * costs[25]  # a cost by bench would double four times


def test_rows_by_copy_against_rows_one_by_one(server: Cluster) -> None:
    """COPY and INSERT in one transaction, against a commit for each row, the plain way."""
    from shop_records import arrival

    from benchd.workshop.incoming import Batch

    database = Postgres(server.dsn)
    database.prepare()
    server.run("TRUNCATE records, journals")
    batch = Batch.of([arrival(m) for m in messages(200)])
    began_s = time.perf_counter()
    database.write(batch)
    copied_s = (time.perf_counter() - began_s) / len(batch.records)
    singles = [Batch(records=[row]) for row in Batch.of([arrival(m) for m in messages(200, 1000)]).records[:300]]
    began_s = time.perf_counter()
    for single in singles:
        database.write(single)
    single_s = (time.perf_counter() - began_s) / len(singles)
    print(f"\nCOPY {1 / copied_s:.0f} rows/s, one by one {1 / single_s:.0f} rows/s: {single_s / copied_s:.0f} times")
    assert single_s > 5 * copied_s
    database.close()
