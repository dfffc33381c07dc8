"""Is the load's checklist asked, answered by foot or phone, and is what was skipped kept, never more?"""

from __future__ import annotations

from dataclasses import replace

import pytest
from core.bench_double import BENCH, POT, T0, Foot, mark, of, said, scripted

from benchd.core.engine import Engine
from benchd.core.findings import ChecksNoted, CupReacting, Finding, PotLettingGo
from benchd.core.model import MarkAnswer, Subject
from benchd.core.model.day import DaySheet, SheetLoad

CUP = Subject(bench="north", cup="cup-1")
MOLDS = tuple(replace(m, traps="fingers, ring", warm_c=40.0) if m.id == "m02" else m for m in BENCH.molds)


def planned(*lines: Finding) -> Engine:
    """A bench whose run sheet has one load of M02 and M05 waiting."""
    engine = scripted(*lines, bench=replace(BENCH, molds=MOLDS))
    engine.step(DaySheet(T0 + 0.1, "sheet-1", T0, (SheetLoad(1, ("m02", "m05"), "barrel", "cup-1", "r-07"),)))
    return engine


def asked(engine: Engine, after_s: float, **more: str) -> str:
    """What is said to a `check` mark."""
    effects = engine.step(mark("check", after_s, **more))
    (answer,) = of(effects, MarkAnswer)
    assert answer.ok, answer.why
    why: str = answer.why
    return why


def test_by_foot_one_press_each_then_the_mix_keeps_what_was_skipped() -> None:
    engine = planned()
    foot = Foot(engine)
    questions = [
        words for at in range(4) for _, words in said(foot.press("double" if at == 0 else "short", 1.0 + 9 * at))
    ]
    assert questions == ["Release on?", "Vents clear?", "Bands on?", "Relief lifted?"]
    effects = foot.press("long", 60.0)  # a long press is the mix, always
    assert [(a.verb, a.ok) for a in of(effects, MarkAnswer)] == [("mix", True)]
    (noted,) = of(effects, ChecksNoted)
    assert noted.done == ("release", "vents", "bands")
    assert noted.skipped == ("relief", "tank", "traps-m02", "warm-m02")
    assert noted.subject.pour == "cup-1-1767606060"
    assert [(a.verb, a.ok) for a in of(foot.press("short", 70.0), MarkAnswer)] == [("heard", True)]


def test_by_foot_a_double_press_answers_all_the_rest() -> None:
    engine = planned()
    foot = Foot(engine)
    foot.press("double", 1.0)
    assert said(foot.press("double", 10.0)) == [(10.0, "Checks noted.")]
    assert [a.verb for a in of(foot.press("double", 20.0), MarkAnswer)] == ["repeat"]
    (noted,) = of(foot.press("long", 60.0), ChecksNoted)
    assert noted.skipped == ()


def test_without_a_sheet_or_with_no_list_open_presses_mean_what_they_always_did() -> None:
    foot = Foot(scripted())
    assert [a.verb for a in of(foot.press("double", 1.0), MarkAnswer)] == ["repeat"]
    assert [a.verb for a in of(foot.press("short", 9.0), MarkAnswer)] == ["heard"]
    assert of(foot.press("long", 20.0), ChecksNoted) == []


def test_an_alarm_takes_the_short_press_before_any_question() -> None:
    engine = planned(
        PotLettingGo(t=T0 + 20.0, subject=POT, kpa=200.0, kpa_per_min=-120.0, limit_kpa=103.4, active=True)
    )
    foot = Foot(engine)
    foot.press("double", 1.0)
    engine.advance(T0 + 25.0)
    assert [a.verb for a in of(foot.press("short", 30.0), MarkAnswer)] == ["heard"]


def test_on_the_phone_each_mold_is_asked_for_what_it_needs_and_one_may_be_skipped() -> None:
    engine = planned()
    assert asked(engine, 1.0) == "Release on?"
    assert asked(engine, 2.0, code="skip") == "Vents clear?"
    assert asked(engine, 3.0, code="tank") == "Vents clear?"
    assert [asked(engine, 4.0 + n) for n in range(4)] == [
        "Bands on?", "Relief lifted?", "Keeper arms: fingers, ring?", "Keeper arms warm?"]  # fmt: skip
    assert asked(engine, 9.0) == "Noted. 1 skipped."
    refused = engine.step(mark("check", 10.0))
    assert [a.why for a in of(refused, MarkAnswer)] == ["every question is answered; mark the mix"]
    (noted,) = of(engine.step(mark("mix", 11.0)), ChecksNoted)
    assert noted.skipped == ("release",)


def test_relief_noted_today_is_not_asked_and_relief_answered_counts_as_noted() -> None:
    engine = planned()
    engine.step(mark("note", 1.0, text="relief lifted"))
    assert asked(engine, 2.0, code="vents") == "Release on?"
    assert [asked(engine, 3.0 + n) for n in range(3)] == ["Bands on?", "Tank drained?", "Keeper arms: fingers, ring?"]
    other = planned()
    asked(other, 1.0)
    asked(other, 2.0, code="relief")
    assert other.books.noted["relief"] == T0 + 2.0


@pytest.mark.parametrize(
    ("code", "why"),
    [("brakes", 'no check "brakes"'), ("warm-m01", 'no check "warm-m01"; did you mean "warm-m02"?')],
)
def test_an_unknown_check_is_refused_with_those_there_are(code: str, why: str) -> None:
    engine = planned()
    asked(engine, 1.0)
    (answer,) = of(engine.step(mark("check", 2.0, code=code)), MarkAnswer)
    assert not answer.ok
    assert answer.why.startswith(why)


def test_from_mix_to_pressure_nothing_is_asked() -> None:
    engine = planned()
    engine.step(mark("mix", 1.0))
    (answer,) = of(engine.step(mark("check", 2.0)), MarkAnswer)
    assert (answer.ok, answer.why) == (False, "no checklist from mix to pressure")


def test_a_list_left_for_hours_belongs_to_no_load() -> None:
    engine = planned()
    asked(engine, 1.0)
    assert of(engine.step(mark("mix", 3 * 3600.0)), ChecksNoted) == []


def test_a_mix_marked_for_a_pour_found_in_the_cup_ends_the_list_too() -> None:
    reacting = CupReacting(t=T0 + 40.0, subject=CUP, mix_t=T0 + 30.0)
    engine = planned(reacting)
    asked(engine, 1.0)
    asked(engine, 2.0, code="all")
    engine.advance(T0 + 45.0)
    effects = engine.step(mark("mix", 46.0))
    assert [a.why for a in of(effects, MarkAnswer)] == ["joins the open pour"]
    (noted,) = of(effects, ChecksNoted)
    assert noted.skipped == ()
