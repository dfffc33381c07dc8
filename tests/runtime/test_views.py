"""Do the journal's views give plain SQLite what the casting book reads, undone and refused marks left out?"""

from __future__ import annotations

import asyncio
import json
import lzma
import re
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from reports.cast_day import write_day

from benchd.core.findings import (
    CupPeaked,
    Finding,
    HoldComplete,
    Kicked,
    LoadClosed,
    LoadOpened,
    PotAtPressure,
    PotLeaking,
    PotVented,
    PourEnded,
    PourRevised,
    PourStarted,
)
from benchd.core.model import Mark, MarkAnswer, Subject
from benchd.page.book import Book, read_book
from benchd.runtime.journal.asked import to_read
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import MinuteRow, Writes
from benchd.runtime.journal.schema import prepare
from benchd.runtime.journal.schema.views import VIEWS

ROOT = Path(__file__).parents[2]
PAPER = (ROOT / "benchd" / "runtime" / "journal" / "schema" / "VIEWS.md").read_text("utf-8")
EXAMPLES = [
    text for text in re.findall(r"((?:^    .*\n)+)", PAPER.partition("## Queries")[2], re.MULTILINE) if "SELECT" in text
]


def write_a_few(path: Path) -> None:
    """Two pours and a load by hand, with what a day may bring: a revision, three kicks, a leak, a mix undone."""
    start_t = 1_767_606_000.0
    one = Subject(bench="north", cup="cup-1", pot="barrel", pour="p-1")
    load = Subject(bench="north", pot="barrel", load="l-1")
    two, gone = (Subject(bench="north", cup="cup-1", pot="barrel", pour=id) for id in ("p-2", "p-3"))
    mix: dict[str, Any] = {"lot": "r-07", "inferred": False, "a_g": 159.5, "b_g": 143.5}
    leak: dict[str, Any] = {"low": 1.4, "high": 6.3, "conductance_m3_s_pa": 2e-11, "floor_at": None, "matters": False}
    effects: list[Finding] = [
        PourStarted(t=start_t, subject=one, mix_t=start_t, molds=("m02",), number=1, **mix),
        PourRevised(t=start_t + 9.0, subject=one, mix_t=start_t, molds=("m02", "m07"), number=1, **mix),
        LoadClosed(t=start_t + 117.0, subject=load, pours=("p-1",), number=1),
        PotAtPressure(t=start_t + 147.0, subject=load, kpa=261.4, since=start_t + 142.6, margin_s=40.0),
        PotAtPressure(t=start_t + 150.0, subject=load, kpa=262.0, since=start_t + 149.0, margin_s=34.0),
        Kicked(t=start_t + 193.0, subject=one, at=start_t + 183.2, early=0.0, late=0.0, temp_c=116.9, basis="curve"),
        Kicked(t=start_t + 194.0, subject=one, at=start_t + 180.0, early=0.0, late=0.0, temp_c=None, basis="marked"),
        Kicked(t=start_t + 195.0, subject=one, at=start_t + 184.0, early=0.0, late=0.0, temp_c=118.0, basis="curve"),
        CupPeaked(t=start_t + 300.0, subject=one, at=start_t + 227.2, temp_c=134.5),
        PotLeaking(t=start_t + 400.0, subject=load, verdict="slow", kpa_per_min=3.8, hole_mm=0.13, active=True, **leak),
        PotLeaking(t=start_t + 500.0, subject=load, verdict="slow", kpa_per_min=9.9, hole_mm=0.2, active=False, **leak),
        HoldComplete(t=start_t + 828.0, subject=load, since=start_t + 142.6, min_kpa=277.9),
        PotVented(t=start_t + 933.0, subject=load, kpa=3.4, near_zero=True, vent_s=38.5),
        LoadOpened(t=start_t + 933.5, subject=load, pours=("p-1",), number=1),
        PourEnded(t=start_t + 1800.0, subject=one, why="demolded"),
        PourStarted(t=start_t + 2000.0, subject=gone, mix_t=start_t + 2000.0, molds=("m02",), number=2, **mix),
        PourEnded(t=start_t + 2005.0, subject=gone, why="undone"),
        PourStarted(t=start_t + 2100.0, subject=two, mix_t=start_t + 2100.0, molds=("m07",), number=2, **mix),
    ]
    writes = Writes()
    for number, effect in enumerate(effects, 1):
        writes.add_effect(number, number, effect)
    scrap = marked(50, "demolded", True, t=start_t + 1020.0, mold="M07", feel="hard", grade="scrap", cause="trap")
    good = marked(51, "demolded", True, t=start_t + 1080.0, mold="m02", feel="green", grade="good")
    asyncio.run(write(path, scrap, good, more=writes))


@pytest.fixture(scope="module", params=["a few", pytest.param("a day", marks=pytest.mark.wide)])
def day(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal: a few findings by hand, or the invented studio's whole day as the engine found it."""
    path = tmp_path_factory.mktemp("day") / "journal.db"
    (write_a_few if request.param == "a few" else write_day)(path)
    return path


@pytest.fixture
def db(day: Path) -> Iterator[sqlite3.Connection]:
    """It, read-only, by nothing of benchd's."""
    with closing(sqlite3.connect(f"{day.as_uri()}?mode=ro", uri=True)) as db:
        db.row_factory = sqlite3.Row
        yield db


async def book_of(path: Path) -> Book:
    async with to_read(path) as journal:
        return await read_book(journal, 0.0, 1e12)


async def test_pours_are_those_of_the_casting_book(day: Path, db: sqlite3.Connection) -> None:
    pages = (await book_of(day)).pours
    rows = {row["pour"]: row for row in db.execute("SELECT * FROM pours")}
    assert list(rows) == list(pages)
    for id, page in pages.items():
        row = rows[id]
        assert {key: row[key] for key in ("number", "cup", "pot", "lot", "mix_t", "a_g", "b_g")} == {
            key: page[key] for key in ("number", "cup", "pot", "lot", "mix_t", "a_g", "b_g")
        }
        assert json.loads(row["molds"]) == page["molds"]
        kick, peak = page.get("kick", {"basis": None}), page.get("peak", {"temp_c": None})
        if "at" in kick:
            assert row["kick_s"] == pytest.approx(kick["at"] - page["mix_t"], abs=0.06)
        assert (row["kick_basis"], row["peak_c"]) == (kick["basis"], peak["temp_c"])
        assert row["ended"] == page.get("ended")
    assert next(row["mixed_utc"] for row in rows.values()) == "2026-01-05 09:40:00"


async def test_loads_are_those_of_the_casting_book(day: Path, db: sqlite3.Connection) -> None:
    pages = (await book_of(day)).loads
    rows = {row["load"]: row for row in db.execute("SELECT * FROM loads")}
    assert list(rows) == list(pages)
    for id, page in pages.items():
        row = rows[id]
        assert (row["number"], row["pot"], json.loads(row["pours"])) == (page["number"], page["pot"], page["pours"])
        assert (row["at_floor_t"], row["margin_s"]) == (page["at_pressure_t"], page["margin_s"])
        assert (row["least_kpa"], row["vent_s"]) == (page["min_kpa"], page["vent_s"])
        assert row["closed_min"] == pytest.approx((page["opened_t"] - page["closed_t"]) / 60.0, abs=0.06)
        leak = page["leak"] or {"verdict": None, "kpa_per_min": None, "hole_mm": None}
        assert (row["leak"], row["leak_kpa_per_min"], row["leak_hole_mm"]) == tuple(leak.values())


async def test_parts_have_the_outcomes_of_the_casting_book(day: Path, db: sqlite3.Connection) -> None:
    """Each outcome on the part of its own pour; a part nobody marked has none."""
    rows = [dict(row) for row in db.execute("SELECT * FROM parts WHERE grade IS NOT NULL")]
    told = {(row["pour"], row["mold"]): (row["feel"], row["grade"], row["cause"], row["pulled_min"]) for row in rows}
    wanted = {
        (page["pour"], o["mold"]): (o["feel"], o["grade"], o["cause"], round((o["t"] - page["mix_t"]) / 60.0, 1))
        for page in (await book_of(day)).pours.values() for o in page["outcomes"]
    }  # fmt: skip
    assert told == wanted
    assert len(rows) == len(told) >= 2
    casts = [len(page["molds"]) for page in (await book_of(day)).pours.values()]
    assert db.execute("SELECT count(*) FROM parts").fetchone()[0] == sum(casts)


def marked(seq: int, verb: str, ok: bool, t: float = 0.0, **keys: Any) -> tuple[Mark, MarkAnswer, int]:
    """A mark and its answer; as much later in the day as its number is higher, unless a time is given."""
    t, id = t or 1_767_610_000.0 + seq, f"m-{seq}"
    return Mark(t=t, verb=verb, id=id, by="page", **keys), MarkAnswer(t=t, id=id, verb=verb, ok=ok, why=""), seq


async def write(path: Path, *marks: tuple[Mark, MarkAnswer, int], more: Writes | None = None) -> None:
    writes = more or Writes()
    for mark, answer, seq in marks:
        writes.add_input(seq, mark)
        writes.add_effect(100_000 + seq, seq, answer)
    async with Journal(path) as journal:
        await journal.write(writes)


async def test_what_was_undone_or_refused_is_no_outcome(tmp_path: Path) -> None:
    """One refused, one undone, one that stood; the last is undone past a "heard", and a second undo finds nothing."""
    path, writes = tmp_path / "journal.db", Writes()
    mix_t = 1_767_609_000.0
    subject = Subject(bench="north", cup="cup-1", pour="p-1")
    found_first = PourStarted(
        t=mix_t, subject=subject, mix_t=mix_t, lot=None, molds=("m02", "m03"), inferred=False, number=1
    )
    writes.add_effect(1, 1, found_first)
    scrap: dict[str, Any] = {"mold": "m02", "grade": "scrap"}
    await write(
        path, marked(11, "demolded", False, **scrap), marked(12, "demolded", True, **scrap), marked(13, "undo", True),
        marked(14, "demolded", True, mold="M02", grade="second"),
        marked(15, "demolded", True, mold="m03", grade="good"), marked(16, "heard", True), marked(17, "undo", True),
        marked(18, "undo", True), more=writes,
    )  # fmt: skip
    with closing(sqlite3.connect(path)) as db:
        found = db.execute("SELECT mold, grade FROM parts WHERE grade IS NOT NULL").fetchall()
    assert found == [("m02", "second")]
    outcomes = [o for page in (await book_of(path)).pours.values() for o in page["outcomes"]]
    assert [(o["mold"], o["grade"]) for o in outcomes] == found


async def test_minutes_come_from_both_tables_in_real_units(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    rows = [MinuteRow("barrel-pressure", 29_460_100 + k, 240, 288.9 + k, 289.58, 290.1) for k in (0, 1)]
    await write(path, more=Writes(minutes=rows))
    with closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO minutes SELECT channel, minute, n, lo, mean, hi FROM fresh_minutes LIMIT 1")
        db.execute("DELETE FROM fresh_minutes WHERE minute = (SELECT minute FROM minutes)")
        found = db.execute("SELECT * FROM readings_by_minute").fetchall()
    assert found == [
        ("barrel-pressure", "2026-01-05 09:40:00", 60 * 29_460_100, 240, 288.9, 289.58, 290.1),
        ("barrel-pressure", "2026-01-05 09:41:00", 60 * 29_460_101, 240, 289.9, 289.58, 290.1),
    ]


def test_a_journal_of_0_1_0_has_them_after_its_first_start(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    path.write_bytes(lzma.decompress((ROOT / "tests" / "compat" / "journal-0.1.0.db.xz").read_bytes()))
    prepare(path, 0)
    with closing(sqlite3.connect(path)) as db:
        (pour,) = db.execute("SELECT number, lot, molds, ended FROM pours").fetchall()
        assert pour == (1, "r-07", '["m02","m03","m06","m01"]', None)
        assert db.execute("SELECT count(*), count(grade) FROM parts").fetchone() == (4, 0)


def test_views_of_another_version_are_replaced_and_the_same_ones_left(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    prepare(path, 0)
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP VIEW parts")
        db.execute("CREATE VIEW pots AS SELECT 1")
        (before,) = db.execute("PRAGMA schema_version").fetchone()
    for _ in range(2):
        prepare(path, 0)
        with closing(sqlite3.connect(path)) as db:
            found = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'view'")]
            (after,) = db.execute("PRAGMA schema_version").fetchone()
        assert found == list(VIEWS)
        assert after > before
        written, before = after, after - 1
    assert written == after  # the second time nothing was written


@pytest.mark.parametrize("name", VIEWS)
def test_the_paper_names_each_column(name: str, db: sqlite3.Connection) -> None:
    table = PAPER.partition(f"\n## {name}\n")[2].partition("\n## ")[0]
    cells = re.findall(r"^\| ([a-z_, ]+) \|", table, re.MULTILINE)
    named = [word for cell in cells for word in cell.split(", ") if word != "column"]
    assert named == [column[0] for column in db.execute(f"SELECT * FROM {name}").description]


@pytest.mark.parametrize("query", EXAMPLES)
def test_the_papers_queries_answer(query: str, db: sqlite3.Connection) -> None:
    assert len(EXAMPLES) == 3
    assert len(db.execute(query).fetchall()) > 0


@pytest.mark.skipif(shutil.which("sqlite3") is None, reason="sqlite3, the command, is not installed")
def test_the_papers_command_answers(day: Path) -> None:
    (command,) = re.findall(r"^    (sqlite3 .*)$", PAPER, re.MULTILINE)
    done = subprocess.run(command, shell=True, cwd=day.parent, capture_output=True, text=True, timeout=20, check=True)
    assert "m07|scrap|trap|1" in done.stdout


def test_the_plan_of_each_view_reads_no_table_twice_over(db: sqlite3.Connection) -> None:
    """A year's journal: what is looked up by pour or load goes by an index."""
    plans: Mapping[str, str] = {
        name: " ".join(row["detail"] for row in db.execute(f"EXPLAIN QUERY PLAN SELECT * FROM {name}"))
        for name in ("pours", "loads")
    }
    assert plans["pours"].count("INDEX effects_pour") >= 3
    assert plans["loads"].count("INDEX effects_load") >= 4
