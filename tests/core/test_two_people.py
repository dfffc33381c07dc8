"""Two people at one bench: who has the watch, whom alarms reach first, and what two hands mark of one thing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from core.bench_double import BENCH, POT, T0, context, mark, of, said, scripted

from benchd.core.engine import Engine
from benchd.core.findings import Effect, Finding, PotCreeping, PotLettingGo, PourRevised, WatchHanded, WatchSure
from benchd.core.format.printed import to_json_object
from benchd.core.format.record import from_record, to_record
from benchd.core.model import Card, Input, Mark, MarkAnswer, Utterance

ADA, BO = "page:Ada", "page:Bo"


def by(who: str, verb: str, after_s: float, **more: Any) -> Mark:
    return replace(mark(verb, after_s, **more), by=who)


def answer(effects: list[Effect]) -> tuple[bool, str]:
    (told,) = of(effects, MarkAnswer)
    return told.ok, told.why


def creeping(after_s: float) -> Finding:
    return PotCreeping(
        t=T0 + after_s, subject=POT, kpa=310.0, kpa_per_min=3.0, limit_kpa=289.6, active=True
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------------- the watch


def test_who_takes_the_watch_is_told_and_shown() -> None:
    engine = scripted()
    effects = engine.step(by(ADA, "watch", 1.0))
    assert answer(effects) == (True, "Ada has the watch")
    (handed,) = of(effects, WatchHanded)
    assert (handed.who, handed.was, handed.by, handed.sure) == ("Ada", "", ADA, True)
    assert said(effects) == [(1.0, "North bench: yours, Ada.")]
    (card,) = [c for c in of(engine.advance(T0 + 2.0), Card) if c.of == "watch"]
    assert (card.id, card.body) == ("north", {"phase": "sure", "who": "Ada", "since_t": T0 + 1.0})


def test_a_watch_handed_over_is_sure_with_the_first_mark_of_its_new_holder() -> None:
    engine = scripted()
    engine.step(by(ADA, "watch", 1.0))
    effects = engine.step(by(ADA, "watch", 20.0, text="Bo"))
    assert answer(effects) == (True, "Bo has the watch once a mark of Bo's comes")
    assert said(effects) == [(20.0, "North bench: yours, Bo.")]
    assert engine.books.watch.first == ""
    shown = engine.step(by(BO, "heard", 30.0))
    assert [found.who for found in of(shown, WatchSure)] == ["Bo"]
    assert engine.books.watch.first == "Bo"
    assert said(engine.step(by(BO, "watch", 60.0, text="nobody"))) == [(60.0, "Nobody has the watch.")]
    assert engine.books.watch.first == ""


@pytest.mark.parametrize("who", ["switch", "page", "mqtt", "hub", "cli"])
def test_a_door_without_a_name_has_to_say_who(who: str) -> None:
    engine = scripted()
    ok, why = answer(engine.step(by(who, "watch", 1.0)))
    assert not ok
    assert why.startswith("say who: benchd mark watch Ada")
    assert answer(engine.step(by(who, "watch", 2.0, text="x" * 41))) == (
        False, "a name is at most 40 characters; shorten it",
    )  # fmt: skip
    assert answer(engine.step(by(who, "watch", 3.0, text=" Ada ")))[0]
    assert engine.books.watch.who == "Ada"


def test_taken_twice_is_said_once_and_undo_gives_it_back() -> None:
    engine = scripted()
    engine.step(by(ADA, "watch", 1.0))
    assert answer(engine.step(by(ADA, "watch", 40.0))) == (True, "Ada has it already")
    engine.step(by(ADA, "watch", 60.0, text="Bo"))
    effects = engine.step(by(ADA, "undo", 70.0))
    assert answer(effects) == (True, "watch taken back")
    assert said(effects) == [(70.0, "North bench: yours, Ada.")]
    assert engine.books.watch.first == "Ada"


def test_an_alarm_reaches_its_holder_first_and_all_from_its_first_repeat_on() -> None:
    engine = scripted(creeping(30.0))
    engine.step(by(ADA, "watch", 1.0))
    words = [u for u in of(engine.advance(T0 + 300.0), Utterance) if u.code == "pot-creeping"]
    assert [(u.t - T0, u.to) for u in words] == [(30.0, "Ada"), (90.0, ""), (270.0, "")]
    assert to_json_object(words[0])["to"] == "Ada"
    assert "to" not in to_json_object(words[1])


def test_an_alarm_that_the_holder_heard_reaches_nobody_else() -> None:
    engine = scripted(creeping(30.0))
    engine.step(by(ADA, "watch", 1.0))
    words = of(engine.advance(T0 + 40.0), Utterance)
    words += of(engine.step(by(ADA, "heard", 41.0)), Utterance) + of(engine.advance(T0 + 600.0), Utterance)
    assert [u.to for u in words if u.code == "pot-creeping"] == ["Ada"]


def test_priority_one_is_for_all_at_once_and_so_is_everything_without_a_watch() -> None:
    gone = PotLettingGo(t=T0 + 30.0, subject=POT, kpa=200.0, kpa_per_min=-120.0, limit_kpa=103.4, active=True)
    engine = scripted(gone)
    engine.step(by(ADA, "watch", 1.0))
    assert {u.to for u in of(engine.advance(T0 + 60.0), Utterance)} == {""}
    alone = scripted(creeping(30.0))
    assert {u.to for u in of(alone.advance(T0 + 300.0), Utterance)} == {""}


def test_a_watch_not_sure_yet_keeps_no_alarm_from_anybody() -> None:
    engine = scripted(creeping(30.0))
    engine.step(by(ADA, "watch", 1.0, text="Bo"))
    assert {u.to for u in of(engine.advance(T0 + 120.0), Utterance)} == {""}


def test_a_restart_in_the_middle_of_a_hand_over_replays_to_the_same() -> None:
    inputs: list[Input] = [context(), by(ADA, "watch", 1.0), by(ADA, "watch", 20.0, text="Bo"), by(BO, "heard", 30.0),
              by(BO, "undo", 40.0)]  # fmt: skip
    whole, cut = Engine(lambda bench: []), Engine(lambda bench: [])
    told = [effect for item in inputs for effect in whole.step(item)]
    before = [effect for item in inputs[:3] for effect in cut.step(from_record(to_record(item)))]
    cut = Engine.thaw(cut.freeze(), lambda bench: [], [context()])
    assert before + [effect for item in inputs[3:] for effect in cut.step(from_record(to_record(item)))] == told
    assert cut.books.watch == whole.books.watch


def test_a_long_bench_name_leaves_room_for_who() -> None:
    engine = scripted(bench=replace(BENCH, name="The long bench under the north window of the old boat shed"))
    assert said(engine.step(by(ADA, "watch", 1.0))) == [(1.0, "Yours, Ada.")]


# ---------------------------------------------------------------------------------------------------- the same thing


def both(engine: Engine, first: Mark, second: Mark) -> tuple[bool, str, str]:
    """The answer to the second of two marks."""
    assert answer(engine.step(first))[0]
    (told,) = of(engine.step(second), MarkAnswer)
    return told.ok, told.why, told.same_as


def mixed() -> Engine:
    engine = scripted()
    engine.step(by("switch", "mix", 1.0, molds=("m02", "m05")))
    return engine


@pytest.mark.parametrize(
    ("verb", "more"),
    [("poured", {"mold": "M02"}), ("poured", {}), ("kicked", {}), ("topup", {}), ("dumped", {}), ("end", {}),
     ("shut", {"pot": "barrel"})],
)  # fmt: skip
def test_what_two_phones_mark_within_seconds_counts_once(verb: str, more: dict[str, str]) -> None:
    engine = mixed()
    first, second = replace(by(ADA, verb, 20.0, **more), id="a1"), by(BO, verb, 23.0, **more)
    assert both(engine, first, second) == (True, "counted once: Ada marked it 3 s before", "a1")


def test_a_mix_that_two_mark_is_one_pour_and_the_later_adds_what_the_first_left_open() -> None:
    engine = scripted()
    assert both(engine, by("switch", "mix", 1.0), by(ADA, "mix", 3.0))[1] == (
        "counted once: the foot switch marked it 2 s before"
    )
    effects = engine.step(by(BO, "mix", 4.0, molds=("M02",)))
    assert answer(effects) == (True, "joins the open pour")
    assert [found.molds for found in of(effects, PourRevised)] == [("m02",)]


def test_a_mix_of_another_hand_once_the_pour_is_over_is_a_mix_of_its_own() -> None:
    engine = scripted()
    engine.step(by(ADA, "mix", 1.0, lot="r-07"))
    engine.step(by(ADA, "end", 2.0))
    assert answer(engine.step(by(BO, "mix", 4.0, lot="r-07")))[0]
    assert len(engine.books.pours.open) == 1
    assert answer(engine.step(by(BO, "undo", 5.0)))[0]
    assert not engine.books.pours.open


def test_the_second_of_two_undos_takes_nothing_more_back() -> None:
    engine = mixed()
    engine.step(by(ADA, "poured", 20.0, mold="M02"))
    assert both(engine, by(ADA, "undo", 22.0), by(BO, "undo", 23.0))[1] == "counted once: Ada marked it 1 s before"
    assert [pour.poured for pour in engine.books.pours] == [{}]
    assert answer(engine.step(by(BO, "poured", 24.0, mold="M02"))) == (True, "")


def test_two_answers_to_one_question_of_the_checklist_answer_one() -> None:
    engine = scripted()
    engine.step(by(ADA, "check", 1.0))
    assert answer(engine.step(by(ADA, "check", 8.0))) == (True, "Vents clear?")
    assert answer(engine.step(by(BO, "check", 9.0))) == (True, "counted once: Ada marked it 1 s before")
    assert answer(engine.step(by(BO, "check", 15.0))) == (True, "Bands on?")


def test_marks_that_contradict_one_another_are_answered_with_what_was_marked() -> None:
    engine = mixed()
    engine.step(by(ADA, "poured", 60.0))
    engine.step(by(ADA, "demolded", 900.0, mold="M02", grade="good"))
    refused = engine.step(by(BO, "demolded", 903.0, mold="M02", grade="scrap", cause="trap"))
    assert answer(refused) == (False, "Ada marked it 3 s before, good; mark it again to change that")
    assert answer(engine.step(by(BO, "demolded", 910.0, mold="M02", grade="scrap", cause="trap")))[0]
    other = scripted()
    other.step(by(ADA, "mix", 1.0, molds=("M02",)))
    assert answer(other.step(by(BO, "mix", 2.0, molds=("M05",)))) == (
        False, "Ada marked it 1 s before, M02; mark it again to change that",
    )  # fmt: skip
    third = scripted()
    third.step(by(ADA, "watch", 1.0))
    assert answer(third.step(by(BO, "watch", 3.0)))[1] == "Ada marked it 2 s before, Ada; mark it again to change that"


def test_two_molds_poured_by_two_people_are_two() -> None:
    engine = mixed()
    assert both(engine, by(ADA, "poured", 20.0, mold="M02"), by(BO, "poured", 21.0, mold="M05")) == (True, "", "")
    assert [list(pour.poured) for pour in engine.books.pours] == [["m02", "m05"]]


def test_one_hand_alone_marks_as_ever() -> None:
    """The same door twice: a correction, a second top-up, a refusal."""
    engine = mixed()
    assert both(engine, by(ADA, "topup", 20.0), by(ADA, "topup", 22.0)) == (True, "", "")
    refused = engine.step(by("switch", "mix", 24.0))
    assert not answer(refused)[0]


def test_an_undo_of_anothers_mark_says_whose_it_was() -> None:
    engine = mixed()
    engine.step(by(ADA, "poured", 20.0, mold="M02"))
    assert answer(engine.step(by(BO, "undo", 28.0))) == (True, "Ada's poured taken back")


def test_of_two_hand_overs_in_one_breath_only_the_last_is_said() -> None:
    engine = scripted()
    engine.step(by(ADA, "watch", 1.0))
    effects = engine.step(by(ADA, "watch", 2.0, text="Bo")) + engine.step(by(ADA, "watch", 3.0, text="Cy"))
    assert said(effects + engine.advance(T0 + 60.0)) == [(9.0, "North bench: yours, Cy.")]
