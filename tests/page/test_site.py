"""Does the whole site answer rightly: history, book, files, the page's weight?"""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from asgi_ask import ask

from benchd.core.bench import Bench, Channel, Lot, Mold, Pot, Resin
from benchd.core.findings import HoldComplete, Kicked, LoadClosed, PotAtPressure, PotLeaking, PourEnded, PourStarted
from benchd.core.learned.working_time import WorkingTime, working_time
from benchd.core.model import Mark, MarkAnswer, Quality, Reading, Subject
from benchd.errors import JournalError
from benchd.page.api import Api
from benchd.page.bench_view import WorkingView
from benchd.page.shell import STATIC, static_files
from benchd.page.site import Site
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Event as StoredEvent
from benchd.runtime.journal.rows import MinuteRow, Writes

MIX_T = 1_000_000.0
RESIN = Resin(id="fast-white", name="Fast white", pot_life_s=165.0, demold_s=600.0)
EVIL = '<img src=x onerror="alert(1)">'
BENCH = Bench(
    id="north",
    shop="quiet-harbour",
    name=EVIL,
    channels=(
        Channel(id="pot-1", source="board", senml="b1-pot", role="pot_pressure", of="barrel"),
        Channel(id="room-1", source="board", senml="b1-room", role="room_temperature"),
    ),
    pots=(
        Pot(
            id="barrel",
            name="Barrel",
            volume_l=16.5,
            free_l=13.0,
            marked_kpa=413.7,
            relief_kpa=379.2,
            target_kpa=289.6,
            floor_kpa=241.3,
            limit_kpa=372.3,
        ),
    ),
    molds=(Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28, thin_mm=2.2, thick_mm=9, casts_before=22),),
    lots=(
        Lot(id="r-05", code="R-05", resin="fast-white", label=RESIN, opened=100.0),
        Lot(id="r-07", code="R-07", resin="fast-white", label=RESIN, opened=200.0),
    ),
    resins=(RESIN,),
)


class NoJournal:
    async def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        raise JournalError("journal.db: it is gone")


@dataclass
class Served:
    site: Site
    app: Any
    bulletin: Bulletin

    async def get(self, path: str, status: int = 200) -> Any:
        answer = await ask(self.app, "GET", path)
        assert answer.status == status, answer.body
        return json.loads(answer.body)


def serve(journal: Any) -> Served:
    bulletin, health = Bulletin(), Health()
    clock = BenchClock(anchor_s=MIX_T + 1000.0, monotonic=lambda: 0.0)
    api = Api(clock, bulletin, health, lambda mark: None, lambda: {"boot": "b1"}, lambda: 0.0)
    site = Site(api, clock, bulletin, health, lambda: BENCH, journal, "b1", lambda: 0.0)
    return Served(site, site.app(), bulletin)


@asynccontextmanager
async def journal_at(path: Path) -> AsyncIterator[Journal]:
    async with Journal(path / "journal.db") as journal:
        yield journal


def subject(**more: str) -> Subject:
    return Subject(bench="north", pot="barrel", **more)


def written() -> Writes:
    """One pour in one load: kicked, leaked, held; its one mold out, first refused, then twice, the last taken back."""
    writes, pour, load = Writes(), subject(cup="cup-1", pour="cup-1-1"), subject(load="barrel-1")
    effects: list[StoredEvent] = [
        PourStarted(
            t=MIX_T, subject=pour, mix_t=MIX_T, lot="r-07", molds=("m02",), inferred=False, number=1, a_g=10.0, b_g=9.0
        ),
        LoadClosed(t=MIX_T + 110, subject=load, pours=("cup-1-1",), number=1),
        PotAtPressure(t=MIX_T + 140, subject=load, kpa=285.0, since=MIX_T + 135, margin_s=39.0),
        Kicked(
            t=MIX_T + 180,
            subject=pour,
            at=MIX_T + 174.0,
            early=MIX_T + 172.0,
            late=MIX_T + 176.0,
            temp_c=60.0,
            basis="curve",
        ),
        PotLeaking(
            t=MIX_T + 300,
            subject=load,
            verdict="slow",
            kpa_per_min=4.4,
            low=4.0,
            high=4.8,
            conductance_m3_s_pa=1e-9,
            hole_mm=0.15,
            floor_at=None,
            matters=False,
            active=True,
        ),
        PotLeaking(
            t=MIX_T + 400,
            subject=load,
            verdict="slow",
            kpa_per_min=0.0,
            low=0.0,
            high=0.0,
            conductance_m3_s_pa=0.0,
            hole_mm=0.0,
            floor_at=None,
            matters=False,
            active=False,
        ),
        HoldComplete(t=MIX_T + 700, subject=load, since=MIX_T + 135, min_kpa=250.0),
        MarkAnswer(t=MIX_T + 800, id="no", verb="demolded", ok=False, why="which pour?"),
        PourEnded(t=MIX_T + 900, subject=pour, why="demolded"),
    ]
    for number, effect in enumerate(effects, start=1):
        writes.add_effect(number, 1 if isinstance(effect, MarkAnswer) else number, effect)
    marks = [
        Mark(t=MIX_T + 800, verb="demolded", id="no", mold="M02", grade="scrap", cause="soft"),
        Mark(t=MIX_T + 810, verb="demolded", id="a", mold="M02", grade="scrap", cause="trap"),
        Mark(t=MIX_T + 815, verb="undo", id="b"),
        Mark(t=MIX_T + 820, verb="demolded", id="c", mold="M02", grade="good", feel="hard"),
    ]
    for seq, mark in enumerate(marks, start=1):
        writes.add_input(seq, mark)
    writes.minutes = [MinuteRow("pot-1", int(MIX_T // 60) - i, 240, 1.0, 2.0, 3.0) for i in range(1440)]
    return writes


async def test_the_book_tells_what_became_of_pour_load_mold_and_lot(tmp_path: Path) -> None:
    async with journal_at(tmp_path) as journal:
        await journal.write(written())
        book = await serve(journal).get("/api/v0/book")
    (pour,), (load,), (mold,) = book["pours"], book["loads"], book["molds"]
    assert pour["kick"]["at"] == MIX_T + 174.0
    assert pour["outcomes"] == [{"mold": "m02", "t": MIX_T + 820, "feel": "hard", "grade": "good", "cause": None}]
    assert (load["margin_s"], load["min_kpa"], load["leak"]["hole_mm"]) == (39.0, 250.0, 0.15)
    assert (mold["casts"], mold["best_demold_s"], mold["grades"]["good"], mold["causes"]) == (23, 820.0, 1, {})
    assert {lot["id"]: lot["kicks"] for lot in book["lots"]} == {"r-05": [], "r-07": [[MIX_T, 174.0]]}


async def test_a_day_comes_from_the_journal_and_the_last_hour_from_memory(tmp_path: Path) -> None:
    async with journal_at(tmp_path) as journal:
        await journal.write(written())
        served = serve(journal)
        for second in range(600):
            served.site._trace.see(Reading(MIX_T + 100 + second, "pot-1", "pot_pressure", "barrel", float(second), 1.0))
        day = await served.get(f"/api/v0/history?channel=pot-1&since={MIX_T - 86400}&points=200")
    assert day["unit"] == "kPa"
    assert [day["points"][0][1], day["points"][-1][1]] == [0.0, 599.0]
    assert 100 <= len(day["points"]) <= 200
    assert 150 <= len(day["minutes"]) <= 200
    assert all(low == 1.0 and mean == 2.0 and high == 3.0 for _, low, mean, high in day["minutes"])
    assert day["minutes"][-1][0] <= MIX_T + 100


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("channel=nobody", 404), ("", 404), ("channel=pot-1&since=x", 400), ("channel=pot-1&until=nan", 400),
        ("channel=pot-1&since=1e999", 400), ("channel=pot-1&points=-5", 200), ("channel=pot-1&points=1e9", 200),
        ("channel=pot-1&since=9e9&until=1", 200),
    ],
)  # fmt: skip
async def test_odd_questions_are_answered_without_failing(query: str, status: int) -> None:
    body = await serve(NoJournal()).get(f"/api/v0/history?{query}", status)
    assert ("why" in body) == (status != 200)


async def test_without_a_journal_the_book_says_so_and_history_has_its_memory() -> None:
    served = serve(NoJournal())
    served.site._trace.see(Reading(MIX_T + 990, "pot-1", "pot_pressure", "barrel", 5.0, 5.0))
    assert "cannot be read" in (await served.get("/api/v0/book", 503))["why"]
    assert (await served.get("/api/v0/history?channel=pot-1"))["points"] == [[MIX_T + 990, 5.0]]


async def test_a_route_nobody_knows_is_refused_as_json() -> None:
    assert (await serve(NoJournal()).get("/api/v0/nothing", 404))["ok"] is False
    assert (await serve(NoJournal()).get("/../benchd/cli.py", 404))["ok"] is False


def test_the_working_time_follows_the_room() -> None:
    """The label's own time at 23 C, and some twice as long 10 K colder (common practice, no source)."""
    view = WorkingView()

    def at(value: float | None, quality: Quality = Quality.GOOD) -> dict[str, Any]:
        reading = Reading(5.0, "room-1", "room_temperature", "", value, value, quality)
        found = view(BENCH, {"room-1": reading}, 0.0)
        assert found is not None
        return found

    assert at(23.0)["working_s"] == pytest.approx(165.0, rel=0.01)
    assert at(13.0)["working_s"] == pytest.approx(330.0, rel=0.05)
    assert at(23.0)["early_s"] < at(23.0)["working_s"] < at(23.0)["late_s"]
    assert (at(13.0)["temp_basis"], at(13.0)["lot"], at(13.0)["basis"]) == ("measured", "R-07", "label")
    for blind in (at(None), at(float("nan")), at(85.0), at(20.0, Quality.FAULT)):
        assert blind["working_s"] == pytest.approx(165.0, rel=0.01)
        assert blind["temp_basis"] == "label"
    assert WorkingView()(Bench(id="x", shop="x", name="x"), {}, 0.0) is None
    assert Bench(id="x", shop="x", name="x").lot_in_use() is None


def test_the_working_time_is_worked_out_once_for_a_room_that_stands_still(monkeypatch: pytest.MonkeyPatch) -> None:
    """An equal bench made anew, as each beat hands one in, and a probe's flicker ask for nothing new."""
    asked: list[float | None] = []

    def counted(bench: Bench, lot: str | None, room_c: float | None, now_t: float) -> WorkingTime | None:
        asked.append(room_c)
        return working_time(bench, lot, room_c, now_t)

    monkeypatch.setattr("benchd.page.bench_view.working_time", counted)
    view = WorkingView()
    for value in (23.0, 23.04, 22.96, 23.0, 24.0):
        reading = Reading(5.0, "room-1", "room_temperature", "", value, value, Quality.GOOD)
        view(replace(BENCH, learned=replace(BENCH.learned)), {"room-1": reading}, 0.0)
    assert [round(value or 0.0, 1) for value in asked] == [23.0, 24.0]


async def test_the_page_weighs_less_than_150_kb_and_asks_nobody_else() -> None:
    files = static_files()
    weight = sum(len(file.body) for file in files.values())
    print(f"the page weighs {weight / 1000:.0f} kB in {len(files)} files")
    assert weight <= 150_000
    allowed = ("http://www.w3.org/2000/svg",)
    for name, file in files.items():
        text = file.body.decode()
        assert [u for u in re.findall(r"(?:https?:)?//[\w.]+\.[a-z]{2,}[^\s\"'`)]*", text) if u not in allowed] == [], (
            name
        )
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|style=\"| on\w+=\"", text
        ), name
        assert not re.search(r"randomUUID|crypto\.|clipboard|Date\.now|new Date\(\)|localStorage", text), name


async def test_the_service_worker_knows_every_file_the_page_needs() -> None:
    listed = set(re.findall(r'"/([\w.]*)"', (STATIC / "sw.js").read_text("utf-8")))
    needed = {name for name in static_files() if not name.startswith("pair.")}  # nobody pairs with a bench that is away
    assert listed - {""} == needed - {"index.html", "sw.js"}


async def test_files_are_asked_for_again_but_sent_once() -> None:
    app = serve(NoJournal()).app
    first = await ask(app, "GET", "/page.js")
    assert first.headers["content-type"].startswith("text/javascript")
    again = await ask(app, "GET", "/page.js", {"if-none-match": first.headers["etag"]})
    assert (again.status, again.body) == (304, b"")


@pytest.mark.parametrize("verdict", ["slow", "fast"])
def test_a_leak_while_holding_is_shown_with_what_to_do(verdict: str) -> None:
    found = re.search(rf'[{{,] {verdict}: "([^"]+)"', (STATIC / "words.js").read_text("utf-8"))
    assert found is not None
    first, *rest = found[1].split(". ")
    assert "eak" in first
    assert rest
    assert len(found[1]) <= 60, "as long as a word may be"
