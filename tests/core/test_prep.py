"""Are the next load's steps said at their minute, by name, ended by one mark, and taken back when the load slips?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from core.bench_double import POT, T0, Foot, context, mark, of, said, scripted

from benchd.core.engine import Engine
from benchd.core.findings import Effect, Finding, PotCreeping, PotLettingGo, PrepDue, PrepNoted, PrepPutOff
from benchd.core.format.record import from_record, to_record
from benchd.core.model import Input, MarkAnswer
from benchd.core.model.day import DaySheet, SheetLoad, SheetStep
from benchd.errors import DecodeError

WARM = SheetStep("warm-m02", "warm", T0 + 100.0, "m02")
LEGS = SheetStep("warm-m05", "warm", T0 + 100.0, "m05")
WEIGH = SheetStep("weigh", "weigh", T0 + 400.0)
TANK = SheetStep("tank", "tank", T0 + 600.0)


def sheet(*steps: SheetStep, after_s: float = 0.1, id: str = "sheet-1", a_g: float = 50.0) -> DaySheet:
    """A sheet with one load that waits, of M02 and M05."""
    load = SheetLoad(2, ("m02", "m05"), "barrel", "cup-1", "r-07", a_g, 45.0, steps=steps)
    return DaySheet(T0 + after_s, id, T0, (load,))


def planned(*lines: Finding, steps: Sequence[SheetStep] = (WARM, LEGS, WEIGH, TANK)) -> Engine:
    engine = scripted(*lines)
    engine.step(sheet(*steps))
    return engine


def answer(effects: list[Effect]) -> tuple[bool, str]:
    (told,) = of(effects, MarkAnswer)
    return told.ok, told.why


def test_each_step_is_said_at_its_minute_and_molds_of_one_minute_in_one_breath() -> None:
    engine = planned()
    assert said(engine.advance(T0 + 700.0)) == [
        (100.0, "Warm Keeper arms and Heron legs now."), (400.0, "Weigh load two now."), (600.0, "Drain the tank now."),
    ]  # fmt: skip


def test_without_a_load_that_waits_nothing_is_said() -> None:
    engine = scripted()
    assert said(engine.advance(T0 + 700.0)) == []
    away = planned()
    away.step(DaySheet(T0 + 50.0))
    assert said(away.advance(T0 + 700.0)) == []
    assert answer(away.step(mark("prepared", 701.0)))[1].startswith("no load waits that needs steps")


def test_from_mix_to_pressure_and_while_an_alarm_stands_a_step_waits() -> None:
    engine = planned()
    engine.step(mark("mix", 50.0, molds=("m01",)))  # of another load: the sheet's still waits
    assert said(engine.advance(T0 + 300.0)) == []
    assert said(engine.step(mark("end", 301.0)) + engine.advance(T0 + 310.0)) == [
        (301.0, "Warm Keeper arms and Heron legs now.")
    ]
    gone = PotLettingGo(t=T0 + 90.0, subject=POT, kpa=200.0, kpa_per_min=-120.0, limit_kpa=103.4, active=True)
    over = replace(gone, t=T0 + 300.0, active=False)
    alarmed = planned(gone, over, steps=(WARM,))
    alarmed.step(mark("heard", 95.0))
    words = said(alarmed.advance(T0 + 400.0))
    (at,) = [t for t, say in words if say.startswith("Warm")]
    assert at >= 300.0
    creeping = PotCreeping(t=T0 + 90.0, subject=POT, kpa=310.0, kpa_per_min=3.0, limit_kpa=289.6, active=True)
    heard = planned(creeping, steps=(WARM,))
    assert [t for t, say in said(heard.advance(T0 + 200.0)) if say.startswith("Warm")] == []
    heard.step(mark("heard", 201.0))
    assert [say for t, say in said(heard.advance(T0 + 300.0)) if say.startswith("Warm")] == ["Warm Keeper arms now."]


@pytest.mark.parametrize(
    ("code", "ended", "why"),
    [(None, ("warm-m05",), "warm-m05; 3 left"), ("M02", ("warm-m02",), "warm-m02; 3 left"),
     ("weigh", ("weigh",), "weigh; 3 left"),
     ("all", ("warm-m02", "warm-m05", "weigh", "tank"), "warm-m02, warm-m05, weigh, tank; 0 left")],
)  # fmt: skip
def test_a_mark_ends_one_step_or_all(code: str | None, ended: tuple[str, ...], why: str) -> None:
    engine = planned()
    engine.advance(T0 + 140.0)
    effects = engine.step(mark("prepared", 150.0, code=code))
    assert answer(effects) == (True, why)
    assert [(found.done, found.number) for found in of(effects, PrepNoted)] == [(ended, 2)]


def test_a_step_done_before_its_minute_is_not_said_and_undo_brings_it_back() -> None:
    engine = planned(steps=(WARM, WEIGH))
    engine.step(mark("prepared", 20.0, code="weigh"))
    engine.step(mark("prepared", 40.0, code="M02"))
    effects = engine.step(mark("undo", 60.0))
    assert answer(effects) == (True, "prepared taken back")
    assert [found.done for found in of(effects, PrepNoted)] == [("weigh",)]
    assert said(engine.advance(T0 + 700.0)) == [(100.0, "Warm Keeper arms now.")]


@pytest.mark.parametrize(
    ("code", "why"), [("m77", 'no step "m77"'), ("wiegh", 'no step "wiegh"; did you mean "weigh"')]
)
def test_an_unknown_step_is_refused_with_those_there_are(code: str, why: str) -> None:
    engine = planned()
    ok, told = answer(engine.step(mark("prepared", 5.0, code=code)))
    assert not ok
    assert told.startswith(why)


def test_a_step_marked_before_its_words_came_is_not_said_any_more() -> None:
    engine = planned(steps=(WARM,))
    engine.step(mark("mix", 90.0, molds=("m01",)))  # its words wait for the pressure
    engine.advance(T0 + 110.0)
    engine.step(mark("prepared", 115.0))
    assert said(engine.step(mark("end", 120.0)) + engine.advance(T0 + 300.0)) == []


def test_by_foot_a_short_press_ends_the_step_just_said() -> None:
    engine = planned(steps=(WARM, WEIGH))
    foot = Foot(engine)
    assert [a.verb for a in of(foot.press("short", 60.0), MarkAnswer)] == ["heard"]
    engine.advance(T0 + 131.0)
    effects = foot.press("short", 140.0)
    assert [(a.verb, a.why) for a in of(effects, MarkAnswer)] == [("prepared", "warm-m02; 1 left")]
    assert [a.verb for a in of(foot.press("short", 150.0), MarkAnswer)] == ["heard"]
    assert [a.verb for a in of(foot.press("short", 1200.0), MarkAnswer)] == ["heard"]


def moved(step: SheetStep, by_s: float) -> SheetStep:
    return replace(step, t=step.t + by_s)


def test_a_load_that_slips_takes_back_what_was_said_and_says_it_again_at_its_new_minute() -> None:
    engine = planned(steps=(WARM,))
    engine.advance(T0 + 150.0)
    effects = engine.step(sheet(moved(WARM, 900.0), after_s=200.0)) + engine.advance(T0 + 1100.0)
    assert [(found.steps, found.why) for found in of(effects, PrepPutOff)] == [(("warm-m02",), "later")]
    assert said(effects) == [(201.0, "Load two is later. Its prep can wait."), (1000.0, "Warm Keeper arms now.")]


def test_a_move_of_two_minutes_and_a_step_that_nobody_marks_are_left_alone() -> None:
    engine = planned(steps=(WARM,))
    engine.advance(T0 + 150.0)
    effects = engine.step(sheet(moved(WARM, 120.0), after_s=160.0)) + engine.advance(T0 + 2000.0)
    assert said(effects) == []


def test_a_plan_that_changed_takes_back_what_it_no_longer_has() -> None:
    engine = planned(steps=(WARM,))
    engine.advance(T0 + 150.0)
    effects = engine.step(sheet(WEIGH, after_s=200.0, id="sheet-2")) + engine.advance(T0 + 450.0)
    assert [found.why for found in of(effects, PrepPutOff)] == ["changed"]
    assert said(effects) == [(201.0, "The plan changed. Look at its steps."), (400.0, "Weigh load two now.")]


def test_the_mix_ends_the_steps_and_an_undone_mix_brings_back_what_was_done() -> None:
    engine = planned(steps=(WARM, TANK))
    engine.step(mark("prepared", 20.0, code="M02"))
    engine.step(mark("mix", 60.0))
    assert said(engine.advance(T0 + 65.0)) == []
    engine.step(mark("undo", 66.0))
    engine.advance(T0 + 70.0)
    assert answer(engine.step(mark("prepared", 71.0, code="all"))) == (True, "tank; 0 left")


def test_other_grams_are_weighed_again_and_the_rest_stays_done() -> None:
    engine = planned(steps=(WARM, WEIGH))
    engine.step(mark("prepared", 20.0, code="all"))
    effects = engine.step(sheet(WARM, WEIGH, after_s=60.0, id="sheet-2", a_g=61.5)) + engine.advance(T0 + 500.0)
    assert [found.done for found in of(effects, PrepNoted)] == [("warm-m02",)]
    assert said(effects) == [(400.0, "Weigh load two now.")]


def test_a_step_a_quarter_of_an_hour_old_is_shown_and_not_said() -> None:
    engine = scripted()
    engine.advance(T0 + 1100.0)
    engine.step(sheet(WARM, WEIGH, after_s=1100.0))
    assert said(engine.advance(T0 + 1200.0)) == [(1101.0, "Weigh load two now.")]


def test_a_recording_and_a_checkpoint_bring_the_steps_back() -> None:
    given = sheet(WARM, LEGS, WEIGH)
    inputs: list[Input] = [context(), given, mark("prepared", 50.0, code="M05"), mark("heard", 450.0)]
    whole, cut = Engine(lambda bench: []), Engine(lambda bench: [])
    told = [effect for item in inputs for effect in whole.step(item)]
    before = [effect for item in inputs[:3] for effect in cut.step(from_record(to_record(item)))]
    cut = Engine.thaw(cut.freeze(), lambda bench: [], [context(), given])
    assert before + cut.step(from_record(to_record(inputs[3]))) == told
    assert [found.step for found in of(told, PrepDue)] == ["warm-m02", "weigh"]


@pytest.mark.parametrize("step", [{"id": "x", "what": "warm"}, {"id": "x", "what": "warm", "t": "soon"}, 7])
def test_a_spoilt_step_is_no_sheet(step: Any) -> None:
    plain = to_record(sheet(WARM))
    plain["sheet"]["loads"][0]["steps"] = [step]
    with pytest.raises(DecodeError):
        from_record(plain)
