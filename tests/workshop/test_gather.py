"""Does every record of every bench arrive once, whatever is killed on the way?  Real brokers, a real PostgreSQL."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from gatherers import BROKER, by_mqtt, count, gathering, publish, until, write
from mosquitto import Mosquitto, needs_mosquitto
from postgres import Cluster, needs_postgres
from shop_journal import T0
from shop_records import casting_day, minutes, record

from benchd.workshop.database.postgres import Postgres
from benchd.workshop.database.schema import MIGRATIONS
from benchd.workshop.gathering.gaps import Gap, Gaps
from benchd.workshop.gathering.gatherer import Gatherer
from benchd.workshop.gathering.ways_in import leaving

pytestmark = needs_postgres


def test_what_comes_again_changes_nothing(database: Postgres) -> None:
    day = [message for bench in ("north", "south") for message in casting_day(bench)]
    for _ in range(3):
        write(database, day)
        write(database, list(reversed(day)))
    assert count(database, "records") == len(day)
    assert count(database, "contested") == 0
    assert database.rows("SELECT bench, last_number FROM journals ORDER BY bench") == [
        {"bench": "north", "last_number": 6}, {"bench": "south", "last_number": 6},
    ]  # fmt: skip


def test_two_benches_with_one_name_both_arrive_and_are_told_apart(database: Postgres) -> None:
    write(database, [record(1, journal="one"), record(1, journal="two", name="no_cure")])
    assert count(database, "records") == 2
    (twins,) = database.rows("SELECT * FROM twins")
    assert (twins["bench"], twins["journal"], twins["other"]) == ("north", "one", "two")


def test_a_copied_journal_loses_nothing_either(database: Postgres) -> None:
    """The same id and number with another content is kept apart."""
    write(database, [record(1), record(2)])
    write(database, [record(2), record(2, name="no_cure"), record(3)])
    assert count(database, "records") == 3
    assert [(r["number"], r["name"]) for r in database.rows("SELECT * FROM contested")] == [(2, "no_cure")]


def test_a_missing_record_is_seen(database: Postgres) -> None:
    write(database, [record(n) for n in (1, 2, 5, 6)])
    assert [(r["number"], r["after"]) for r in database.rows("SELECT * FROM missing")] == [(5, 4)]
    write(database, [record(3), record(4)])
    assert count(database, "missing") == 0


def test_a_gap_is_asked_for_once_from_the_last_that_came(database: Postgres) -> None:
    write(database, [record(n, b) for b in ("north", "south") for n in (1, 2, 5, 6)] + [record(3, "south")], T0)
    write(database, [record(4, "south")], T0 + 5.0)
    gaps = Gaps(database)
    assert gaps.found(T0 + 59.0) == []
    assert gaps.found(T0 + 121.0) == [Gap("quiet-harbour", "north", "id-of-north", 2)]
    assert gaps.found(T0 + 500.0) == []


def test_a_wrong_clock_is_seen_and_order_is_kept_by_number(database: Postgres) -> None:
    late = [record(n, t=T0 - 86_400.0 * n, sent_t=T0 - 86_400.0) for n in (1, 2, 3)]
    write(database, late, received_t=T0)
    (journal,) = database.rows("SELECT skew_s FROM journals")
    assert journal["skew_s"] == -86_400.0
    assert [r["number"] for r in database.rows("SELECT number FROM records ORDER BY number")] == [1, 2, 3]


def test_minutes_grow_and_never_shrink(database: Postgres) -> None:
    for n in (240, 100):
        write(database, [minutes("north", [["cup", 29_460_039, n, 20.0, 21.0, 22.0]])])
    assert [r["n"] for r in database.rows("SELECT n FROM minutes")] == [240]


def test_one_row_that_the_database_refuses_does_not_stop_the_others(database: Postgres) -> None:
    """A number beyond PostgreSQL's numeric (131,072 digits before the point): valid JSON all the same."""
    topic, payload = record(2)
    write(database, [record(1), (topic, payload.replace('"body":{}', '"body":{"a":1e200000}')), record(3)])
    assert [r["number"] for r in database.rows("SELECT number FROM records ORDER BY number")] == [1, 3]
    assert "overflows numeric" in database.rows("SELECT why FROM refused")[0]["why"]


def test_migrations_run_once_and_an_older_gatherer_works_beside_a_newer_one(
    server: Cluster, database: Postgres, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The newer one adds a column and a table; the older one, connected before and after, goes on."""
    write(database, [record(1)])
    newer = "ALTER TABLE records ADD COLUMN tried text; CREATE TABLE tried (n integer)"
    monkeypatch.setattr("benchd.workshop.database.postgres.MIGRATIONS", (*MIGRATIONS, newer))
    other = Postgres(server.dsn)
    other.prepare()
    other.prepare()
    monkeypatch.undo()
    write(database, [record(2)])
    write(other, [record(3)])
    database.close()
    database.prepare()
    write(database, [record(4)])
    assert count(database, "records") == 4
    assert [r["version"] for r in database.rows("SELECT version FROM migrations ORDER BY 1")] == [1, 2]
    server.run("DROP TABLE tried")
    server.run("DROP VIEW twins, missing, lent_molds, scrap, gaskets, odd_lots, lots, parts, loads, pours, marks")
    server.run("ALTER TABLE records DROP COLUMN tried")
    server.run(f"DELETE FROM migrations WHERE version > {len(MIGRATIONS)}")
    other.prepare()
    other.close()


@needs_mosquitto
def test_a_broker_a_gatherer_and_postgres_are_killed_and_all_arrives_once(tmp_path: Path, server: Cluster) -> None:
    """Two gatherers share; one of them is away for a while; then the database is killed in the middle."""
    database = Postgres(server.dsn)
    database.prepare()
    server.run("TRUNCATE records, journals")
    benches, each = [f"bench-{n}" for n in range(10)], 60
    parts = [[record(n, b) for n in range(1 + k * each, 1 + (k + 1) * each) for b in benches] for k in range(3)]
    broker = Mosquitto(tmp_path, BROKER).start()
    try:
        with gathering(server.dsn, by_mqtt(broker.port, "gather-1")):
            with gathering(server.dsn, by_mqtt(broker.port, "gather-2")):
                publish(broker.port, parts[0])
                until(database, len(parts[0]))
            publish(broker.port, parts[1])  # gather-2 has its share waiting
            with gathering(server.dsn, by_mqtt(broker.port, "gather-2")) as second:
                until(database, 2 * len(parts[0]))
                database.close()
                server.kill()
                publish(broker.port, parts[2])
                time.sleep(1.0)
                server.start()
                until(database, 3 * len(parts[0]))
                assert second.counts.outages
    finally:
        broker.stop()
    assert count(database, "records") == 3 * len(parts[0])
    assert count(database, "missing") == 0
    assert {r["last_number"] for r in database.rows("SELECT last_number FROM journals")} == {3 * each}
    database.close()


@pytest.mark.wide
@needs_mosquitto
def test_a_gatherer_that_leaves_takes_its_share_first(tmp_path: Path, server: Cluster, database: Postgres) -> None:
    broker = Mosquitto(tmp_path, BROKER).start()
    try:
        with (
            gathering(server.dsn, by_mqtt(broker.port, "gather-1")),
            gathering(server.dsn, by_mqtt(broker.port, "gather-2")),
        ):
            time.sleep(0.5)
        publish(broker.port, [record(n) for n in range(1, 101)])
        for name in ("gather-1", "gather-2"):
            door = by_mqtt(broker.port, name)
            leaving(door, Gatherer(door, Postgres(server.dsn)), lambda: False)
        assert count(database, "records") == 100
        with gathering(server.dsn, by_mqtt(broker.port, "gather-3")):
            publish(broker.port, [record(n) for n in range(101, 121)])
            until(database, 120)
    finally:
        broker.stop()


def test_the_books_say_what_the_days_held(database: Postgres) -> None:
    """Worked by hand: two benches with one odd lot, one leak, two traps, M01 and M02 on both."""
    for bench, leak in (("north", True), ("south", False)):
        write(database, casting_day(bench, odd=True, leak=leak) + casting_day(bench, lot="R-09", first=60))
    lots = database.rows("SELECT lot, benches, odd_benches, pours, odd FROM odd_lots")
    assert [{k: int(v) if k != "lot" else v for k, v in lot.items()} for lot in lots] == [
        {"lot": "r-07", "benches": 2, "odd_benches": 2, "pours": 2, "odd": 2}
    ]
    recall = database.rows(
        "SELECT bench, mold, grade FROM parts WHERE lot = :lot ORDER BY bench, mold", {"lot": "r-07"}
    )
    assert [(r["bench"], r["mold"], r["grade"]) for r in recall] == [
        ("north", "m01", "good"), ("north", "m02", "scrap"), ("south", "m01", "good"), ("south", "m02", "scrap"),
    ]  # fmt: skip
    gaskets = database.rows("SELECT bench, pot, loads, leaky FROM gaskets ORDER BY bench")
    assert [(g["bench"], g["pot"], int(g["loads"]), int(g["leaky"])) for g in gaskets] == [
        ("north", "barrel", 2, 1), ("south", "barrel", 2, 0),
    ]  # fmt: skip
    scrap = database.rows("SELECT bench, cause, scrap FROM scrap ORDER BY bench")
    assert [(s["bench"], s["cause"], int(s["scrap"])) for s in scrap] == [("north", "trap", 2), ("south", "trap", 2)]
    lent = database.rows("SELECT mold, bench, casts FROM lent_molds ORDER BY mold, bench")
    assert len(lent) == 4
    (kick,) = {round(float(r["kick_s"]), 1) for r in database.rows("SELECT kick_s FROM pours")}
    assert kick == 165.0
    assert {round(float(r["least_kpa"])) for r in database.rows("SELECT least_kpa FROM loads")} == {250}


def test_an_undone_mark_is_no_part(database: Postgres) -> None:
    day = casting_day("north")
    write(database, [*day, record(7, kind="mark", name="undo")])
    (scrapped,) = database.rows("SELECT grade FROM parts WHERE mold = 'm02'")
    assert scrapped["grade"] is None
