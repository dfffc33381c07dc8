"""Does a bare mix take the sheet's next load, and does the sheet stand, come back and replay as it should?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from core.bench_double import BENCH, T0, context, mark, of, said, scripted

from benchd.core.casting.run_sheet import SHEET_LIVES_S, RunSheet, caught_up
from benchd.core.engine import Engine
from benchd.core.findings import Effect, PourStarted
from benchd.core.format.record import from_record, to_record
from benchd.core.intake.wire import encode
from benchd.core.model import Line, Mark, MarkAnswer


def load(number: int, *molds: str, **more: Any) -> dict[str, Any]:
    base = {"number": number, "pour": None, "pot": "barrel", "cup": "cup-1", "lot": "r-07", "a_g": 50.0, "b_g": 45.0}
    return base | {"molds": [{"mold": m} for m in molds]} | more


def sheet(*loads: dict[str, Any], id: str = "sheet-1", made_t: float = T0 - 60.0) -> dict[str, Any]:
    return {"id": id, "made_t": made_t, "loads": list(loads)}


TWO = sheet(load(1, "m02", "m01", a_g=159.5, b_g=143.5), load(2, "m05"))


def engine_with(plain: Mapping[str, Any] | None) -> Engine:
    engine = scripted()
    engine.step(context(t=T0, learned={"sheet": plain}))
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
        (True, "assumed load 1 of the sheet: m02 m01, 159.5 g A and 143.5 g B, cup cup-1, pot barrel, lot r-07")
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
    engine.step(context(t=T0 + 30.0, learned={"sheet": sheet(TWO["loads"][0], load(2, "m05"), id="sheet-2")}))
    assert next_number(engine) == 2  # though the new sheet was written before it knew of the pour
    engine.step(context(t=T0 + 40.0))
    assert next_number(engine) is None


def test_the_same_molds_planned_again_are_not_taken_by_the_pour_before() -> None:
    engine = engine_with(TWO)
    engine.step(mark("mix", 1.0))
    engine.step(mark("end", 1800.0))
    again = sheet(load(1, "m02", "m01"), id="sheet-9", made_t=T0 + 1900.0)
    engine.step(context(t=T0 + 1901.0, learned={"sheet": again}))
    assert next_number(engine) == 1


def test_the_same_sheet_told_again_keeps_what_it_was_told_was_mixed() -> None:
    engine = engine_with(sheet(load(1, "m02", "m01", pour="cup-1-5"), load(2, "m05")))
    engine.step(context(t=T0 + 30.0, learned={"sheet": TWO}))
    assert next_number(engine) == 2


def test_an_extract_brings_the_sheet_with_the_pours_before_it() -> None:
    told = [
        {"finding": "pour_started", "pour": "a", "molds": ["m05"], "mix_t": T0},
        {"finding": "pour_ended", "pour": "a", "why": "undone"},
        {"finding": "pour_started", "pour": "old", "molds": ["m05"], "mix_t": T0 - 9000.0},
        {"finding": "pour_started", "pour": "b", "molds": [], "mix_t": T0 + 5.0},
        {"finding": "pour_revised", "pour": "b", "molds": ["m01", "m02"], "mix_t": T0 + 5.0},
        {"finding": "pour_ended", "pour": "b", "why": "demolded"},
    ]
    caught = caught_up(TWO, told)
    assert isinstance(caught, dict)
    assert [each["pour"] for each in caught["loads"]] == ["b", None]
    assert caught_up(None, told) is None
    assert caught_up({"id": "x"}, told) == {"id": "x"}
    (started,) = of(engine_with(caught).step(mark("mix", 60.0)), PourStarted)
    assert started.molds == ("m05",)


def test_a_load_whose_mold_or_pot_left_the_shelf_is_taken_without_it() -> None:
    engine = engine_with(sheet(load(1, "m05", "m99", pot="drum", lot="r-99")))
    (started,) = of(engine.step(mark("mix", 1.0)), PourStarted)
    assert (started.molds, started.subject.pot, started.lot) == (("m05",), "barrel", None)


@pytest.mark.parametrize(
    "plain",
    [3, [], {"id": "x"}, {"id": "x", "made_t": "soon", "loads": []}, sheet({"number": 1, "molds": []}),
     sheet({"molds": [{"mold": "m05"}]}), {"id": "x", "made_t": T0, "loads": [7]}],
)  # fmt: skip
def test_a_spoilt_sheet_is_no_sheet(plain: Any) -> None:
    engine = engine_with(plain)
    assert [p.molds for p in of(engine.step(mark("mix", 1.0)), PourStarted)] == [()]


def test_a_recording_and_a_checkpoint_bring_the_sheet_back() -> None:
    inputs = [context(learned={"sheet": TWO}), mark("mix", 1.0), mark("undo", 4.0), mark("mix", 9.0)]
    whole, cut = Engine(lambda bench: []), Engine(lambda bench: [])
    for item in inputs:
        whole.step(item)
    for item in inputs[:2]:
        cut.step(from_record(to_record(item)))
    cut = Engine.thaw(cut.freeze(), lambda bench: [], inputs[:1])
    for item in inputs[2:]:
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
    assert BENCH.learned == {}
