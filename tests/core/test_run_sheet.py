"""Does a bare mix take the sheet's next load, and does the sheet stand, come back and replay as it should?"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from core.bench_double import T0, context, mark, of, said, scripted

from benchd.core.casting.run_sheet import SHEET_LIVES_S, RunSheet, caught_up
from benchd.core.engine import Engine
from benchd.core.findings import Effect, PourEnded, PourRevised, PourStarted
from benchd.core.format.record import from_record, to_record
from benchd.core.intake.wire import encode
from benchd.core.model import Input, Line, Mark, MarkAnswer, Standing, Subject
from benchd.core.model.day import DaySheet, SheetLoad
from benchd.errors import DecodeError


def load(number: int, *molds: str, **more: Any) -> SheetLoad:
    base: dict[str, Any] = {"pot": "barrel", "cup": "cup-1", "lot": "r-07", "a_g": 50.0, "b_g": 45.0}
    return SheetLoad(number, molds, **(base | more))


def sheet(*loads: SheetLoad, id: str = "sheet-1", made_t: float = T0 - 60.0, t: float = T0) -> DaySheet:
    return DaySheet(t, id, made_t, loads)


TWO = sheet(load(1, "m02", "m01", a_g=159.5, b_g=143.5), load(2, "m05"))


def engine_with(given: DaySheet) -> Engine:
    engine = scripted()
    engine.step(given)
    return engine


def next_number(engine: Engine) -> int | None:
    ahead = engine.books.sheet.next_load(engine.now)
    return ahead.number if ahead else None


def answers(effects: list[Effect]) -> list[tuple[bool, str]]:
    return [(a.ok, a.why) for a in of(effects, MarkAnswer)]


def test_a_bare_mix_takes_the_next_load_and_says_what_it_assumed() -> None:
    engine = engine_with(TWO)
    effects = engine.step(mark("mix", 1.0))
    (started,) = of(effects, PourStarted)
    assert (started.molds, started.lot, started.a_g, started.b_g) == (("m02", "m01"), "r-07", 159.5, 143.5)
    assert (started.subject.pot, started.subject.cup) == ("barrel", "cup-1")
    assert answers(effects) == [
        (True, "assumed load 1 of the sheet: M02 M01, 159.5 g A and 143.5 g B, Cup one, Barrel, lot R-07")
    ]
    assert next_number(engine) == 2


def test_a_long_press_takes_it_too_and_says_which() -> None:
    engine = engine_with(TWO)
    counts = {"short": 0, "long": 0, "double": 0}
    for seq, presses in ((1, 0), (2, 1)):
        text = encode([], board="b1-", seq=seq, presses=counts | {"long": presses}).decode().rstrip("\n")
        effects = engine.step(Line(T0 + seq, "board", text))
    assert [p.molds for p in of(effects, PourStarted)] == [("m02", "m01")]
    assert said(effects) == [(2.0, "Load one.")]


def test_what_the_mark_names_stands() -> None:
    engine = engine_with(TWO)
    (started,) = of(engine.step(mark("mix", 1.0, a_g=100.0, b_g=90.0)), PourStarted)
    assert (started.molds, started.a_g, started.b_g) == (("m02", "m01"), 100.0, 90.0)


def test_a_mix_of_other_molds_leaves_the_sheet_standing() -> None:
    engine = engine_with(TWO)
    engine.step(mark("mix", 1.0, molds=("M01",)))
    assert next_number(engine) == 1


def test_a_mix_that_names_a_later_loads_molds_takes_that_one() -> None:
    engine = engine_with(TWO)
    engine.step(mark("mix", 1.0, molds=("M05",)))
    assert [x.pour is None for x in engine.books.sheet.loads] == [True, False]


def test_undo_gives_the_load_back() -> None:
    engine = engine_with(TWO)
    engine.step(mark("mix", 1.0))
    engine.step(mark("undo", 5.0))
    assert next_number(engine) == 1
    (again,) = of(engine.step(mark("mix", 20.0)), PourStarted)
    assert again.molds == ("m02", "m01")


def test_the_loads_run_out_and_a_mix_is_bare_again() -> None:
    engine = engine_with(sheet(load(1, "m05")))
    engine.step(mark("mix", 1.0))
    engine.step(mark("end", 30.0))
    (second,) = of(engine.step(mark("mix", 60.0)), PourStarted)
    assert second.molds == ()
    assert next_number(engine) is None


def test_a_second_bare_mix_on_a_running_cup_is_refused_and_takes_nothing() -> None:
    engine = engine_with(TWO)
    engine.step(mark("mix", 1.0))
    assert answers(engine.step(mark("mix", 20.0)))[0][0] is False
    assert next_number(engine) == 2


def test_a_sheet_written_in_the_same_tenth_of_a_second_is_todays() -> None:
    engine = engine_with(sheet(load(1, "m05"), made_t=T0 + 1.05))
    assert [p.molds for p in of(engine.step(mark("mix", 1.0)), PourStarted)] == [("m05",)]


def test_yesterdays_sheet_is_nobodys() -> None:
    engine = engine_with(sheet(load(1, "m05"), made_t=T0 - SHEET_LIVES_S - 5.0))
    assert [p.molds for p in of(engine.step(mark("mix", 1.0)), PourStarted)] == [()]


def test_a_new_sheet_keeps_what_was_mixed_and_a_withdrawn_one_is_gone() -> None:
    engine = engine_with(TWO)
    engine.step(mark("mix", 1.0))
    engine.step(sheet(TWO.loads[0], load(2, "m05"), id="sheet-2", t=T0 + 30.0))
    assert next_number(engine) == 2  # though the new sheet was written before it knew of the pour
    engine.step(context(t=T0 + 35.0))
    assert next_number(engine) == 2  # another context says nothing of the sheet
    engine.step(DaySheet(T0 + 40.0))
    assert next_number(engine) is None


def test_the_same_molds_planned_again_are_not_taken_by_the_pour_before() -> None:
    engine = engine_with(TWO)
    engine.step(mark("mix", 1.0))
    engine.step(mark("end", 1800.0))
    engine.step(sheet(load(1, "m02", "m01"), id="sheet-9", made_t=T0 + 1900.0, t=T0 + 1901.0))
    assert next_number(engine) == 1


def test_the_same_sheet_told_again_keeps_what_it_was_told_was_mixed() -> None:
    engine = engine_with(sheet(load(1, "m02", "m01", pour="cup-1-5"), load(2, "m05")))
    engine.step(replace(TWO, t=T0 + 30.0))
    assert next_number(engine) == 2


def pour_of(id: str) -> Subject:
    return Subject(bench="north", pour=id)


def started_pour(id: str, mix_t: float, *molds: str, kind: type[PourStarted] = PourStarted) -> PourStarted:
    return kind(t=mix_t, subject=pour_of(id), mix_t=mix_t, lot=None, molds=molds, inferred=False, number=1)


def test_an_extract_brings_the_sheet_with_the_pours_before_it() -> None:
    told = [
        started_pour("a", T0, "m05"),
        PourEnded(t=T0 + 3.0, subject=pour_of("a"), why="undone"),
        started_pour("old", T0 - 9000.0, "m05"),
        started_pour("b", T0 + 5.0),
        started_pour("b", T0 + 5.0, "m01", "m02", kind=PourRevised),
        PourEnded(t=T0 + 900.0, subject=pour_of("b"), why="demolded"),
    ]
    caught = caught_up(TWO, told)
    assert [each.pour for each in caught.loads] == ["b", None]
    assert caught_up(DaySheet(T0), told) == DaySheet(T0)
    (started,) = of(engine_with(caught).step(mark("mix", 60.0)), PourStarted)
    assert started.molds == ("m05",)


def test_a_load_whose_mold_or_pot_left_the_shelf_is_taken_without_it() -> None:
    engine = engine_with(sheet(load(1, "m05", "m99", pot="drum", lot="r-99")))
    (started,) = of(engine.step(mark("mix", 1.0)), PourStarted)
    assert (started.molds, started.subject.pot, started.lot) == (("m05",), "barrel", None)


def old_record(plain: object) -> dict[str, Any]:
    """A context as it was written when it carried the page's whole sheet."""
    record = to_record(context())
    del record["context"]["day"]
    record["context"]["learned"]["sheet"] = plain
    return record


def test_a_context_of_before_brings_its_sheet_and_is_written_back_as_it_was() -> None:
    loads = [{"number": 1, "state": "next", "molds": [{"mold": "M05", "due_t": T0}], "pot": "barrel", "margin_s": 39.1}]
    item = from_record(old_record({"id": "sheet-1", "made_t": T0 - 60.0, "why": "planned", "loads": loads}))
    engine = scripted()
    engine.step(item)
    assert [p.molds for p in of(engine.step(mark("mix", 1.0)), PourStarted)] == [("m05",)]
    assert from_record(to_record(item)) == item
    engine.step(from_record(old_record(None) | {"t": T0 + 60.0}))
    assert next_number(engine) is None
    assert engine.books.sheet.loads == []


@pytest.mark.parametrize(
    "plain",
    [3, [], {"id": "x"}, {"id": "x", "made_t": "soon", "loads": []}, {"id": "x", "made_t": T0, "loads": [7]},
     {"id": "x", "made_t": T0, "loads": [{"number": 1, "molds": []}]},
     {"id": "x", "made_t": T0, "loads": [{"molds": [{"mold": "m05"}]}]}],
)  # fmt: skip
def test_a_spoilt_sheet_is_no_sheet(plain: Any) -> None:
    engine = scripted()
    engine.step(from_record(old_record(plain)))
    assert [p.molds for p in of(engine.step(mark("mix", 1.0)), PourStarted)] == [()]
    if plain:
        with pytest.raises(DecodeError):
            from_record({"t": T0, "sheet": plain})


def test_a_recording_and_a_checkpoint_bring_the_sheet_back() -> None:
    standing: list[Standing] = [context(), TWO]
    inputs: list[Input] = [*standing, mark("mix", 1.0), mark("undo", 4.0), mark("mix", 9.0)]
    whole, cut = Engine(lambda bench: []), Engine(lambda bench: [])
    for item in inputs:
        whole.step(item)
    for item in inputs[:3]:
        cut.step(from_record(to_record(item)))
    cut = Engine.thaw(cut.freeze(), lambda bench: [], standing)
    for item in inputs[3:]:
        cut.step(from_record(to_record(item)))
    assert cut.books.sheet == whole.books.sheet
    assert [x.pour for x in whole.books.sheet.loads] == [f"cup-1-{int(T0) + 9}", None]


def test_a_sheet_alone_changes_nothing_of_the_bench_watchers_know() -> None:
    """Else each new sheet would seat every watcher anew."""
    assert engine_with(TWO).bench == scripted().bench


def test_weighed_grams_of_one_part_keep_the_sheets_off() -> None:
    engine = engine_with(TWO)
    (started,) = of(engine.step(mark("mix", 1.0, a_g=100.0)), PourStarted)
    assert (started.a_g, started.b_g) == (100.0, None)


def test_an_empty_sheet_sees_nothing() -> None:
    empty = RunSheet()
    (started,) = of(scripted().step(Mark(t=T0, verb="mix", molds=("m05",))), PourStarted)
    empty.see(started)
    assert empty == RunSheet()
