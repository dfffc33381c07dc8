"""Does the shop's page show what benches say, counting by their own clocks, and does it take nothing in?"""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import pytest
from asgi_ask import ask
from shop_journal import T0
from shop_records import arrival, casting_day, record

from benchd.runtime.mqtt.client import Message
from benchd.workshop.database.sqlite import DemoDatabase
from benchd.workshop.incoming import Batch
from benchd.workshop.page.books import books, recall
from benchd.workshop.page.site import ShopSite
from benchd.workshop.page.wall import SILENT_S, Wall

ROOT = "benchd/v0/quiet-harbour"
AS_JSON = {"content-type": "application/json"}


class Stopwatch:
    """Seconds as a test says."""

    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


def said(wall: Wall, topic: str, body: dict[str, Any] | str, retained: bool = False) -> None:
    payload = body if isinstance(body, str) else json.dumps(body)
    wall.take(Message(f"{ROOT}/{topic}", payload.encode(), retained))


@pytest.fixture
def watch() -> Stopwatch:
    return Stopwatch()


@pytest.fixture
def wall(watch: Stopwatch) -> Wall:
    """Two benches; the south's clock is a day wrong.  North has a cup, a pot that holds and a part that is due."""
    wall = Wall("benchd", watch)
    for bench, t in (("north", T0), ("south", T0 - 86_400.0)):
        said(wall, f"{bench}/up", "here")
        said(wall, f"{bench}/about", {"name": f"{bench.title()} bench"}, retained=True)
        said(wall, f"{bench}/health", {"t": t})
    kick = {"at": T0 + 70, "early": T0 + 60, "late": T0 + 80, "basis": "label", "found": False}
    said(wall, "north/pour/cup-1", {"t": T0, "phase": "mixing", "mix_t": T0 - 100.0, "lot": "r-07", "kick": kick})
    said(wall, "north/pot/barrel", {"t": T0, "phase": "isolated", "kpa": 289.58, "hold_at": T0 + 300.0})
    said(wall, "north/mold/m02", {"t": T0, "phase": "due-green", "green_at": [T0 - 60, T0 - 30, T0 - 1]})
    late = T0 - 86_400.0
    said(wall, "south/mold/m05", {"t": late, "phase": "curing", "hard_at": [late + 60, late + 100, late + 120]})
    return wall


def bench(wall: Wall, name: str) -> dict[str, Any]:
    return next(b for b in wall.view("psi")["benches"] if b["id"] == name)


def test_cups_and_pots_have_their_clocks(wall: Wall) -> None:
    assert bench(wall, "north")["lines"] == [
        {"what": "cup-1, R-07", "words": "mixing", "for_s": 100.0, "then": "kick", "in_s": 60.0},
        {"what": "barrel", "words": "holding, 42.0 psi", "then": "hold done", "in_s": 300.0},
    ]


def test_what_is_due_next_and_where_comes_in_order_whatever_the_benches_clocks_say(
    wall: Wall, watch: Stopwatch
) -> None:
    watch.s += 10.0
    due = [(d["bench"], d["what"], d["words"], d["in_s"]) for d in wall.view("psi")["due"]]
    assert due == [
        ("North bench", "M02", "due, pull green", -11.0), ("South bench", "M05", "hard", 110.0),
        ("North bench", "barrel", "hold done", 290.0),
    ]  # fmt: skip


def test_no_part_is_due_in_a_pot_under_pressure(wall: Wall, watch: Stopwatch) -> None:
    said(wall, "north/mold/m03", {"t": T0, "phase": "curing", "green_at": [T0 - 60, T0 - 30, T0 - 1]})
    assert ("M03", "once vented") in [(d["what"], d["words"]) for d in wall.view("psi")["due"]]
    said(wall, "north/pot/barrel", {"t": T0, "phase": "idle"})
    assert ("M03", "green") in [(d["what"], d["words"]) for d in wall.view("psi")["due"]]


def test_a_bench_that_is_gone_or_silent_is_blind_and_its_parts_are_not_promised(wall: Wall, watch: Stopwatch) -> None:
    said(wall, "south/up", "gone")
    assert bench(wall, "south")["blind"] == "gone"
    assert [d["bench"] for d in wall.view("psi")["due"]] == ["North bench", "North bench"]
    watch.s += SILENT_S + 1.0
    assert bench(wall, "north")["blind"] == "silent for 31 s"


def test_the_most_urgent_alarm_is_the_word(wall: Wall) -> None:
    for code, priority, text in (("pot-leaking", 2, "Top up."), ("pot-over-limit", 1, "Pot over pressure.")):
        body = {"t": T0, "alert": code, "active": True, "heard": False, "priority": priority, "text": text}
        said(wall, f"north/alert/{code}/barrel", body)
    assert (bench(wall, "north")["word"], bench(wall, "north")["priority"]) == ("Pot over pressure.", 1)
    said(wall, "north/alert/pot-over-limit/barrel", "")
    assert bench(wall, "north")["word"] == "Top up."


def test_a_blind_pot_and_a_lost_board_are_named(wall: Wall) -> None:
    said(wall, "north/pot/barrel", {"t": T0, "phase": "isolated", "basis": "blind"})
    said(wall, "north/probe/board/up", "gone")
    doubtful = [line["what"] for line in bench(wall, "north")["lines"] if line.get("doubt")]
    assert doubtful == ["barrel", "board"]


def test_what_a_broker_kept_sets_no_clock_that_runs_already(wall: Wall) -> None:
    said(wall, "north/health", {"t": T0 - 5000.0}, retained=True)
    assert bench(wall, "north")["lines"][0]["for_s"] == 100.0


@pytest.mark.parametrize("payload", ["{", "[]", '{"t": "x", "phase": 3, "kick": []}', '{"t": 1e300, "mix_t": true}'])
def test_odd_payloads_change_nothing_else(wall: Wall, payload: str) -> None:
    for topic in ("north/pour/cup-9", "north/health", "north/alert/a/b", "north/mold/m09", "north/strange/topic"):
        said(wall, topic, payload)
    assert bench(wall, "north")["lines"][0]["words"] == "mixing"


# ------------------------------------------------------------------------------------------------------- the books


@pytest.fixture
def database(tmp_path: Path) -> DemoDatabase:
    """The same days as in test_gather.py: the demo's SQLite must say what PostgreSQL says there."""
    found = DemoDatabase(tmp_path / "shop.db")
    found.prepare()
    for name, leak in (("north", True), ("south", False)):
        day = casting_day(name, odd=True, leak=leak) + casting_day(name, lot="R-09", first=60)
        for _ in range(2):
            found.write(Batch.of([arrival(message) for message in day]))
    return found


def test_the_demos_database_says_the_same(database: DemoDatabase) -> None:
    found = books(database)
    assert [(x["lot"], x["benches"], x["odd_benches"], x["pours"], x["odd"]) for x in found["odd_lots"]] == [
        ("r-07", 2, 2, 2, 2)
    ]
    assert [(x["bench"], x["pot"], x["loads"], x["leaky"]) for x in found["gaskets"]] == [
        ("north", "barrel", 2, 1), ("south", "barrel", 2, 0),
    ]  # fmt: skip
    assert sorted((x["bench"], x["cause"], x["scrap"]) for x in found["scrap"]) == [
        ("north", "trap", 2), ("south", "trap", 2),
    ]  # fmt: skip
    assert len(found["lent_molds"]) == 4
    assert [(x["bench"], x["mold"], x["grade"]) for x in recall(database, "R-07")] == [
        ("north", "m01", "good"), ("north", "m02", "scrap"), ("south", "m01", "good"), ("south", "m02", "scrap"),
    ]  # fmt: skip
    database.close()


async def test_the_page_answers_and_takes_nothing(wall: Wall, database: DemoDatabase) -> None:
    app = ShopSite(wall, database, "Quiet Harbour", "psi").app()
    for path in ("/", "/shop.js", "/shop.css", "/style.css", "/dom.js"):
        assert (await ask(app, "GET", path)).status == 200
    assert json.loads((await ask(app, "GET", "/api/v0/wall")).body)["name"] == "Quiet Harbour"
    assert len(json.loads((await ask(app, "GET", "/api/v0/books")).body)["gaskets"]) == 2
    assert len(json.loads((await ask(app, "GET", "/api/v0/recall?lot=R-07")).body)["parts"]) == 4
    assert (await ask(app, "GET", "/api/v0/recall")).status == 400
    for path in ("/api/v0/marks", "/api/v0/wall", "/api/v0/books", "/"):
        assert (await ask(app, "POST", path, AS_JSON, b"{}")).status in (404, 405)
    database.close()


def test_a_copy_of_a_record_is_one_record(database: DemoDatabase) -> None:
    before = database.rows("SELECT count(*) AS n FROM records")
    thread = threading.Thread(target=database.write, args=(Batch.of([arrival(record(1))]),))
    thread.start()
    thread.join()
    assert database.rows("SELECT count(*) AS n FROM records") == before
    database.close()
