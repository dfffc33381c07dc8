"""Is what follows a part kept: its time in the oven, its support while soft, what was tried; and taken back?"""

from __future__ import annotations

from dataclasses import replace

import pytest
from core.bench_double import BENCH, FAST, T0, context, mark, of, said, scripted

from benchd.core.bench import Bench
from benchd.core.engine import Engine
from benchd.core.findings import DemoldForecast, Effect, Kicked, OvenDue, OvenLoaded, PartCured, PartToSupport
from benchd.core.format.mark_form import mark_from_outside
from benchd.core.model import MarkAnswer, Subject
from benchd.core.model.day import DaySheet, SheetLoad
from benchd.core.model.learned import Learned, Remedy
from benchd.errors import DecodeError
from benchd.plugins import watcher_plan

HOURS = 3600.0
WARMED = replace(FAST, post_cure_s=4 * HOURS, post_cure_c=65.0)
OVEN = replace(BENCH, resins=(WARMED,), lots=(replace(BENCH.lots[0], label=WARMED),))


def answer(effects: list[Effect]) -> tuple[bool, str]:
    (only,) = of(effects, MarkAnswer)
    return only.ok, only.why


def cast(bench: Bench = OVEN, *molds: str) -> Engine:
    """The parts of one pour are out at 3000 s and later."""
    engine = scripted(bench=bench)
    engine.step(mark("mix", 1.0, molds=molds or ("m02", "m05"), lot="r-07", id="mix"))
    for n, mold in enumerate(molds or ("m02", "m05")):
        assert answer(engine.step(mark("demolded", 3000.0 + n, mold=mold, feel="hard", grade="good", id=f"out{n}")))[0]
    return engine


def test_a_batch_is_in_for_as_long_as_the_label_asks_and_each_part_keeps_it() -> None:
    engine = cast()
    effects = engine.step(mark("oven", 3600.0))
    # T0 is 09:40 UTC; one hour later, four hours in the oven; arms and legs are thin
    assert answer(effects) == (True, "2 parts in, out at 14:40. Lay Keeper arms, Heron legs flat, heat slowly")
    (loaded,) = of(effects, OvenLoaded)
    assert (loaded.molds, loaded.out_at - T0, loaded.temp_c) == (("m02", "m05"), 5 * HOURS, 65.0)
    assert of(engine.advance(T0 + 5 * HOURS - 1.0), OvenDue) == []
    later = engine.advance(T0 + 5 * HOURS + 60.0)
    assert [due.molds for due in of(later, OvenDue)] == [("m02", "m05")]
    assert said(later) == [(5 * HOURS, "Out of the oven: Keeper arms and Heron legs.")]
    out = engine.step(mark("oven-out", 5 * HOURS + 600.0))
    assert answer(out) == (True, "")
    cured = of(out, PartCured)
    assert [(c.subject.mold, c.subject.pour, c.for_s, c.asked_s) for c in cured] == [
        (mold, "cup-1-1767606001", 4 * HOURS + 600.0, 4 * HOURS) for mold in ("m02", "m05")
    ]
    assert answer(engine.step(mark("oven", 5 * HOURS + 700.0)))[0] is False


def test_a_batch_taken_out_early_says_so_and_both_marks_can_be_taken_back() -> None:
    engine = cast()
    engine.step(mark("oven", 3600.0, mold="m02"))
    assert answer(engine.step(mark("undo", 3605.0))) == (True, "oven taken back")
    (loaded,) = of(engine.step(mark("oven", 3610.0)), OvenLoaded)
    assert loaded.molds == ("m02", "m05")
    out = engine.step(mark("oven-out", 3610.0 + HOURS))
    assert answer(out) == (True, "M02 M05 had 1 h 00 min of 4 h 00 min")
    undone = engine.step(mark("undo", 3615.0 + HOURS))
    assert [cured.taken_back for cured in of(undone, PartCured)] == [True, True]
    assert [due.molds for due in of(engine.advance(T0 + 3610.0 + 4 * HOURS), OvenDue)] == [("m02", "m05")]


def test_the_oven_outlasts_a_restart() -> None:
    engine = cast()
    engine.step(mark("oven", 3600.0))
    other = Engine.thaw(engine.freeze(), engine._plan_watchers, [context(OVEN)])
    assert [due.molds for due in of(other.advance(T0 + 5 * HOURS + 1.0), OvenDue)] == [("m02", "m05")]


@pytest.mark.parametrize(
    ("bench", "verb", "more", "why"),
    [
        (BENCH, "oven", {}, "no part waits for the oven; post_cure and post_cure_at in its resin's file ask it"),
        (OVEN, "oven", {"molds": ("m01",)}, "no part of M01 waits for the oven; post_cure and post_cure_at in its "
                                             "resin's file ask it"),
        (OVEN, "oven", {"mold": "m9"}, 'no mold "M9"'),
        (OVEN, "oven-out", {}, "nothing is in the oven; mark oven when parts go in"),
        (OVEN, "tried", {"text": "vent"}, "say which mold; mark it as tried M02"),
        (OVEN, "tried", {"mold": "m02"}, "say what was tried; mark it as tried M02 vent at the strap loops"),
        (OVEN, "trimmed", {}, "say which mold; mark it as trimmed M02"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_a_remedy(bench: Bench, verb: str, more: dict[str, str], why: str) -> None:
    ok, told = answer(cast(bench).step(mark(verb, 3600.0, **more)))
    assert not ok
    assert told.startswith(why)


def test_two_heats_are_two_batches() -> None:
    hot = replace(WARMED, id="hot", post_cure_c=80.0)
    lots = (*OVEN.lots, replace(OVEN.lots[0], id="r-09", code="R-09", resin="hot", label=hot))
    engine = cast(replace(OVEN, resins=(WARMED, hot), lots=lots))
    engine.step(mark("mix", 3100.0, molds=("m01",), lot="r-09"))
    engine.step(mark("demolded", 7000.0, mold="m01", feel="hard"))
    assert answer(engine.step(mark("oven", 7100.0))) == (
        False, "they ask 65 C and 80 C; put them in one after the other, as oven M02")  # fmt: skip
    assert answer(engine.step(mark("oven", 7200.0, molds=("m01",)))) == (True, "1 part in, out at 15:40")
    assert answer(engine.step(mark("oven", 7300.0)))[0] is False


def test_scrap_is_not_post_cured_and_a_part_back_in_its_mold_does_not_wait() -> None:
    engine = scripted(bench=OVEN)
    engine.step(mark("mix", 1.0, molds=("m02", "m05", "m01"), lot="r-07"))
    engine.step(mark("demolded", 3000.0, mold="m02", grade="scrap"))
    engine.step(mark("demolded", 3001.0, mold="m05"))
    engine.step(mark("undo", 3002.0))
    assert engine.books.after.kept.waiting == ()


@pytest.mark.parametrize(
    ("feel", "length_mm", "sag_mm"),
    [("green", None, -1.0), ("hot", 80.0, 16.1), ("rubbery", 20.0, -1.0), ("hard", None, -1.0)],
)
def test_a_long_thin_part_pulled_soft_is_laid_flat(feel: str, length_mm: float | None, sag_mm: float | None) -> None:
    molds = tuple(replace(m, length_mm=length_mm) if m.id == "m05" else m for m in BENCH.molds)
    about = Subject(bench="north", mold="m05", cup="cup-1")
    times = (T0 + 4000.0, T0 + 4500.0, T0 + 5000.0)
    engine = scripted(
        Kicked(
            t=T0 + 200.0, subject=about, at=T0 + 200.0, early=T0 + 195.0, late=T0 + 205.0, temp_c=60.0, basis="curve"
        ),
        DemoldForecast(t=T0 + 210.0, subject=about, green_at=None, hard_at=times, basis="label", mold="m05"),
        bench=replace(BENCH, molds=molds),
    )
    engine.step(mark("mix", 1.0, molds=("m05", "m01"), lot="r-07"))
    engine.step(mark("poured", 60.0))
    effects = engine.step(mark("demolded", 3000.0, mold="m05", feel=feel))
    is_told = answer(effects)[1] == "lay it flat until hard, about 11:03"
    assert is_told == (feel in ("green", "hot"))
    effects += engine.advance(T0 + 3040.0)
    found = of(effects, PartToSupport)
    if sag_mm == -1.0:
        assert found == []
        return
    assert [(f.subject.mold, f.sag_mm, f.until) for f in found] == [("m05", sag_mm, T0 + 5000.0)]
    assert "Lay Heron legs flat until hard." in [words for _, words in said(effects)]


def test_what_is_on_trial_is_asked_before_the_next_load_with_how_it_did() -> None:
    remedy = Remedy(text="vent at the toes", cause="trap", worked=3, of=4)
    bench = replace(BENCH, learned=Learned(remedies={"m05": (remedy,)}))
    engine = scripted(bench=bench)
    engine.step(DaySheet(T0 + 0.1, "sheet-1", T0, (SheetLoad(1, ("m05",), "barrel", "cup-1", "r-07"),)))
    assert answer(engine.step(mark("tried", 1.0, mold="M05", text="Vent  at the toes"))) == (
        True, "counts for the casts that come out from now on")  # fmt: skip
    asked = [answer(engine.step(mark("check", 2.0 + n)))[1] for n in range(6)]
    assert asked[5] == "Heron legs: Vent at the toes, worked 3 of 4?"
    engine.step(mark("tried", 20.0, mold="m05", text="nothing"))
    assert engine.books.after.on_trial(bench.learned) == {}
    assert answer(engine.step(mark("undo", 21.0))) == (True, "tried taken back")
    assert engine.books.after.on_trial(bench.learned) == {"m05": "Vent at the toes"}
    assert scripted(bench=bench).books.after.on_trial(bench.learned) == {
        "m05": "vent at the toes"
    }  # after a lost state


@pytest.mark.parametrize(
    ("name", "is_good"),
    [("heron-legs.jpg", True), ("IMG 0042.HEIC", True), ("Fuß.png", True), ("../secret.jpg", False),
     ("/etc/a.png", False),
     ("a\\b.jpg", False), (".hidden.jpg", False), ("run.sh", False), ("a" * 120 + ".jpg", False), ("x..jpg", False),
     ("", False), ("legs.jpg\u202e", False), ("javascript:a.jpg", False)],
)  # fmt: skip
def test_a_picture_is_the_name_of_one_and_nothing_else(name: str, is_good: bool) -> None:
    body = {"verb": "demolded", "mold": "m05", "picture": name}
    if is_good:
        assert mark_from_outside(T0, body).picture == name
        return
    with pytest.raises(DecodeError, match="picture"):
        mark_from_outside(T0, body)


def test_the_real_watchers_see_nothing_new_where_nothing_is_used() -> None:
    engine = Engine(watcher_plan)
    engine.step(context(BENCH))
    engine.step(mark("mix", 1.0, molds=("m01",), lot="r-07"))
    effects = engine.step(mark("demolded", 900.0, mold="m01", feel="hard", grade="good")) + engine.advance(T0 + 910.0)
    assert of(effects, OvenLoaded) + of(effects, OvenDue) + of(effects, PartCured) + of(effects, PartToSupport) == []
