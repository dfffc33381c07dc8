"""Is the sheet stored whole, followed by its pours, planned anew when the day slips, and left alone in mid-pour?"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from shelf.test_plan_wish import BENCH

from benchd.core.bench import Bench
from benchd.core.casting.run_sheet import RunSheet
from benchd.core.findings import Effect, PourEnded, PourStarted, PrepNoted
from benchd.core.model import Card, MarkAnswer, Reading, Subject
from benchd.core.model.day import DaySheet
from benchd.core.model.learned import Learned
from benchd.errors import JournalError
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.files.beside import RUN_SHEET
from benchd.runtime.history.shelf import spent
from benchd.runtime.journal.schema import MIGRATIONS
from benchd.runtime.watch.run_sheet import SheetKeeper
from benchd.runtime.watch.sheet_file import read_sheet
from benchd.shelf.plan.wish import CannotPlan, Wish

T0 = 1_767_606_000.0
SEVEN = Wish(molds=("M01", "M02", "M03", "M04", "M05", "M06", "M07"), temp_c=21.5, temp_basis="measured", start_t=T0)


@dataclass
class Log:
    """A journal that answers with these printed findings, or not at all."""

    findings: list[dict[str, Any]] = field(default_factory=list)
    is_broken: bool = False
    marks: list[tuple[float, dict[str, Any]]] = field(default_factory=list)

    async def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        if self.is_broken:
            raise JournalError("disk")
        if "FROM inputs" in sql:
            rows = enumerate(self.marks, start=1)
            return [(t, json.dumps({"mark": mark}), n) for n, (t, mark) in rows if t >= values[0]]
        with closing(sqlite3.connect(":memory:")) as db:
            db.executescript(MIGRATIONS[0])
            found = [
                (n, n, f["t"], "finding", f["finding"], json.dumps(f)) for n, f in enumerate(self.findings, start=1)
            ]
            db.executemany("INSERT INTO effects (number, seq, t, kind, name, body) VALUES (?, ?, ?, ?, ?, ?)", found)
            return db.execute(sql, values).fetchall()


@dataclass
class Desk:
    """A keeper and all around it."""

    folder: Path
    now_t: float = T0
    bench: Bench = BENCH
    log: Log = field(default_factory=Log)
    board: Bulletin = field(default_factory=Bulletin)
    changes: list[DaySheet] = field(default_factory=list)
    keeper: SheetKeeper = field(init=False)

    def __post_init__(self) -> None:
        self.keeper = SheetKeeper(
            self.folder, lambda: self.now_t, lambda: self.bench, Learned, self.log, self.board,
            lambda: self.changes.append(self.keeper.given(self.now_t)),
        )  # fmt: skip

    def post(self, *effects: Effect) -> None:
        self.board.post([Posted(effect) for effect in effects])

    def room(self, temp_c: float) -> None:
        self.post(Reading(self.now_t, "room", "room_temperature", "", temp_c, temp_c))

    async def mixes(self, number: int, **more: Any) -> str:
        """A pour takes the load of this number."""
        sheet = self.keeper.sheet
        assert sheet is not None
        molds = tuple(m.mold for m in sheet.loads[number - 1].molds)
        subject = Subject(bench="north", cup="cup-1", pour=f"cup-1-{int(self.now_t)}")
        begun = PourStarted(
            t=self.now_t, subject=subject, mix_t=self.now_t, lot="r-07", molds=molds, inferred=False, number=1, **more
        )
        await self.keeper._follow(begun)
        assert subject.pour is not None
        return subject.pour

    @property
    def states(self) -> list[str]:
        return [load.state for load in self.keeper.sheet.loads] if self.keeper.sheet else []


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


async def test_a_kept_sheet_is_stored_told_to_the_engine_and_read_back(desk: Desk) -> None:
    assert desk.keeper.sheet is None
    made = await desk.keeper.make(SEVEN)
    assert (desk.keeper.sheet, desk.changes) == (None, [])
    await desk.keeper.keep(made)
    assert desk.states == ["next", "waiting"]
    first = desk.changes[0]
    assert (first.id, first.made_t) == (made.id, made.made_t)
    assert [(x.number, x.molds, x.a_g) for x in first.loads] == [
        (x.number, tuple(m.mold for m in x.molds), x.a_g) for x in made.loads
    ]
    assert Desk(desk.folder).states == ["next", "waiting"]
    assert [p.name for p in desk.folder.iterdir()] == [RUN_SHEET]
    await desk.keeper.keep(None)
    assert (desk.changes[-1], list(desk.folder.iterdir())) == (DaySheet(T0), [])


async def test_a_pour_takes_its_load_and_gives_it_back(desk: Desk) -> None:
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    pour = await desk.mixes(1)
    assert desk.states == ["mixed", "next"]
    assert Desk(desk.folder).states == ["mixed", "next"]
    subject = Subject(bench="north", pour=pour)
    await desk.keeper._follow(PourEnded(t=T0, subject=subject, why="undone"))
    assert desk.states == ["next", "waiting"]


async def test_after_a_kill_the_engine_knows_what_the_file_does_not(desk: Desk) -> None:
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    before = (desk.folder / RUN_SHEET).read_bytes()
    desk.now_t += 300.0
    pour = await desk.mixes(1)
    (desk.folder / RUN_SHEET).write_bytes(before)
    back = Desk(desk.folder, now_t=desk.now_t)
    assert back.states == ["next", "waiting"]
    back.keeper.catch_up(desk.keeper._taken)
    assert back.states == ["mixed", "next"]
    assert back.keeper.sheet == desk.keeper.sheet  # its times moved along, too
    assert back.keeper.sheet is not None
    assert back.keeper.sheet.loads[0].pour == pour
    back.keeper.catch_up(RunSheet())  # an engine that knows no sheet changes nothing
    assert back.states == ["mixed", "next"]


async def test_a_room_that_warms_has_the_rest_planned_anew_and_the_engine_told(desk: Desk) -> None:
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    pour = await desk.mixes(1)
    desk.now_t += 1200.0
    desk.room(22.9)
    await desk.keeper.review()
    assert len({given.id for given in desk.changes}) == 1
    desk.room(24.1)
    await desk.keeper.review()
    sheet = desk.keeper.sheet
    assert sheet is not None
    assert sheet.why == "room moved from 21.5 to 24.1 C"
    assert [load.pour for load in sheet.loads] == [pour, None]
    assert sheet.left_out
    assert desk.changes[-1].id == sheet.id


async def test_from_mix_to_pressure_nothing_is_planned(desk: Desk) -> None:
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    desk.room(24.1)
    desk.post(Card(t=T0, of="pour", id="cup-1", body={"phase": "pouring", "pot": "barrel"}))
    await desk.keeper.review()
    assert len(desk.changes) == 1
    desk.post(Card(t=T0, of="pour", id="cup-1", body={"phase": "standing", "pot": "barrel"}),
              Card(t=T0, of="pot", id="barrel", body={"phase": "fed"}))  # fmt: skip
    await desk.keeper.review()
    assert len(desk.changes) == 3  # planned anew, and the next load's steps set into the hold that is seen


async def test_an_empty_lot_ends_the_day_with_the_reason(desk: Desk) -> None:
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    pour = {"t": T0, "finding": "pour_started", "pour": "x-1", "mix_t": T0, "lot": "r-07", "molds": ["m08"],
            "a_g": 500.0, "b_g": 495.0}  # fmt: skip
    desk.log.findings.append(pour)
    await desk.keeper._follow(PourEnded(t=T0, subject=Subject(bench="north", pour="x-1"), why="marked"))
    await desk.keeper.review()
    sheet = desk.keeper.sheet
    assert sheet is not None
    assert sheet.loads == ()
    assert {out.why for out in sheet.left_out} == {
        "lot R-07 runs out: 5 g left; every lot is empty or suspect: open another and write its [[lot]] into shelf.toml"
    }


async def test_a_part_graded_scrap_is_planned_again_unless_taken_back(desk: Desk) -> None:
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    await desk.keeper.review()
    await desk.mixes(1)
    mold = desk.keeper.sheet.loads[0].molds[0].mold  # type: ignore[union-attr]
    desk.now_t += 1200.0
    said = {"verb": "demolded", "mold": mold, "grade": "scrap", "cause": "trap"}
    undone = {**said, "mold": desk.keeper.sheet.loads[0].molds[1].mold}  # type: ignore[union-attr]
    desk.log.marks = [
        (desk.now_t - 30.0, undone), (desk.now_t - 25.0, {"verb": "undo"}), (desk.now_t, said),
        (desk.now_t + 1.0, {"verb": "demolded", "mold": "m09", "grade": "good"}),
    ]  # fmt: skip
    answer = MarkAnswer(t=desk.now_t, id="1", verb="demolded", ok=True, why="")
    await desk.keeper._see(answer)
    await desk.keeper.review()
    before = desk.keeper.sheet
    assert before is not None
    assert mold not in [m.mold for load in before.loads[1:] for m in load.molds]  # may still be taken back
    desk.now_t += 12.0
    await desk.keeper.review()
    after = desk.keeper.sheet
    assert after is not None
    assert after.why == f"{mold.upper()} came out scrap: to be cast again"
    assert [load.state for load in after.loads][:2] == ["mixed", "next"]
    again = [m.mold for load in after.loads[1:] for m in load.molds]
    assert again.count(mold) == 1
    assert undone["mold"] not in again
    await desk.keeper._see(replace(answer, t=desk.now_t))
    desk.now_t += 12.0
    await desk.keeper.review()
    assert [m.mold for load in desk.keeper.sheet.loads[1:] for m in load.molds] == again  # type: ignore[union-attr]


async def test_a_late_load_moves_and_yesterdays_sheet_goes(desk: Desk) -> None:
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    desk.now_t += 700.0
    await desk.keeper.review()
    assert desk.keeper.sheet is not None
    assert desk.keeper.sheet.loads[0].mix_t == T0 + 700.0
    desk.now_t += 20 * 3600.0
    await desk.keeper.review()
    assert desk.keeper.sheet is None
    assert read_sheet(desk.folder) is None


async def test_a_sheet_that_cannot_be_stored_is_not_kept(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    before = (desk.folder / RUN_SHEET).read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("benchd.runtime.files.whole_file.os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        await desk.keeper.keep(await desk.keeper.make(replace(SEVEN, molds=("M01",))))
    assert desk.states == ["next", "waiting"]
    assert (desk.folder / RUN_SHEET).read_bytes() == before
    assert [p.name for p in desk.folder.iterdir()] == [RUN_SHEET]


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b'{"id": "x", "loads": [1]}', b'{"id":"x","made_t":1,"loads":[]}'])
def test_a_spoilt_file_is_no_sheet(tmp_path: Path, text: bytes) -> None:
    (tmp_path / RUN_SHEET).write_bytes(text)
    assert Desk(tmp_path).keeper.sheet is None


def test_a_huge_file_is_no_sheet(tmp_path: Path) -> None:
    (tmp_path / RUN_SHEET).write_text(json.dumps({"id": "x", "loads": [], "made_t": T0, "pad": "x" * 300_000}), "utf-8")
    assert read_sheet(tmp_path) is None


async def test_a_wish_that_cannot_be_planned_says_so(desk: Desk) -> None:
    with pytest.raises(CannotPlan, match="no mold is named"):
        await desk.keeper.make(replace(SEVEN, molds=()))


async def test_what_was_taken_back_is_not_counted_and_a_broken_log_counts_nothing() -> None:
    def told(kind: str, pour: str, **more: Any) -> dict[str, Any]:
        return {"t": T0, "finding": kind, "pour": pour} | more

    first = {"mix_t": T0 - 90_000.0, "lot": "r-07", "molds": ["m01"], "a_g": 60.0, "b_g": None}
    today = {"mix_t": T0, "lot": "r-07", "molds": ["m01", "m02"], "a_g": 100.0, "b_g": 90.0}
    findings = [
        told("pour_started", "a", **first), told("pour_started", "b", **{**today, "molds": []}),
        told("pour_revised", "b", **today), told("pour_ended", "b", why="marked"),
        told("pour_started", "c", **today), told("pour_ended", "c", why="undone"),
    ]  # fmt: skip
    used = await spent(Log(findings), T0 - 3600.0)
    assert (used.casts, used.today, used.lot_g) == ({"m01": 2, "m02": 1}, {"m01": 1, "m02": 1}, {"r-07": 250.0})
    assert used.last_t == {"m01": T0, "m02": T0}
    weighed = await spent(Log(findings), T0 - 3600.0, {"r-07": T0 - 50_000.0})
    assert (weighed.lot_g, weighed.casts) == ({"r-07": 190.0}, used.casts)
    assert (await spent(Log(findings, is_broken=True), T0)).casts == {}


async def test_the_next_loads_steps_follow_the_bench_reach_the_engine_and_stay_done(desk: Desk) -> None:
    """Nothing is given again while nothing moves; a hold that lasts longer moves the steps; done ones are stored."""
    await desk.keeper.keep(await desk.keeper.make(SEVEN))
    await desk.mixes(1)
    desk.now_t += 200.0
    up = {"phase": "isolated", "hold_at": T0 + 681.0}
    desk.post(Card(t=desk.now_t, of="pot", id="barrel", body=up))
    await desk.keeper.review()
    given = desk.changes[-1]
    first = {step.id: step.t for step in given.loads[1].steps}
    assert first["warm-m02"] >= desk.now_t
    assert given.loads[0].steps == ()
    count = len(desk.changes)
    desk.now_t += 5.0
    await desk.keeper.review()
    assert len(desk.changes) == count
    desk.post(Card(t=desk.now_t, of="pot", id="barrel", body=up | {"hold_at": T0 + 1000.0}))
    await desk.keeper.review()
    assert len(desk.changes) == count + 1
    noted = PrepNoted(t=desk.now_t, subject=Subject(bench="north"), done=("weigh", "warm-m02"), number=2)
    await desk.keeper._see(noted)
    stored = read_sheet(desk.folder)
    assert stored is not None
    assert sorted(step.id for step in stored.loads[1].steps if step.done) == ["warm-m02", "weigh"]
    other = SheetKeeper(
        desk.folder, lambda: desk.now_t, lambda: desk.bench, Learned, desk.log, desk.board, lambda: None
    )  # fmt: skip
    engine = RunSheet()
    engine.configure(desk.keeper.given(desk.now_t))
    other.catch_up(engine, ("weigh",))
    await other.review()
    assert other.sheet is not None
    assert [step.id for step in other.sheet.loads[1].steps if step.done] == ["weigh"], "the engine knows better"
