"""Is the table of words whole, speakable and true to its rules?"""

from __future__ import annotations

import re

import pytest
from core.bench_double import BENCH

from benchd.core.alarm.phrases import PHRASES, Phrase, phrases_for
from benchd.core.alarm.situation import PREDICATES, Situation
from benchd.core.alarm.speech import LONGEST
from benchd.core.bench import Bench, Mold
from benchd.core.casting.books import Books
from benchd.core.findings import (
    FINDINGS,
    BenchNotice,
    DemoldReady,
    Finding,
    Kicked,
    PostCureDue,
    PotAtPressure,
    PotBelowFloor,
)
from benchd.core.model import Subject
from benchd.core.wording import Wording, minutes_words

ids = [f"{p.code}<-{p.finding}" for p in PHRASES]


@pytest.mark.parametrize("phrase", PHRASES, ids=ids)
def test_every_row_names_known_findings_and_predicates(phrase: Phrase) -> None:
    assert phrase.finding in FINDINGS
    assert phrase.when in PREDICATES
    assert [k for k in phrase.ends_on if k not in FINDINGS] == []


@pytest.mark.parametrize("phrase", PHRASES, ids=ids)
def test_every_alarm_ends_somehow(phrase: Phrase) -> None:
    has_active = "active" in FINDINGS[phrase.finding].__dataclass_fields__
    assert phrase.kind == "call" or has_active or phrase.ends_on


@pytest.mark.parametrize("phrase", PHRASES, ids=ids)
def test_words_are_short_and_never_give_leave(phrase: Phrase) -> None:
    bare = re.sub(r"\{\w+\}", "", phrase.words)
    assert len(bare) <= LONGEST
    assert len(bare.split()) <= 10
    for forbidden in ("safe", "please", "you may", "can open", "go ahead", "ok to", "respirator off"):
        assert forbidden not in bare.lower()


def test_priority_one_order_is_overpressure_letting_go_blind_deadlines() -> None:
    """trade notes, common practice: overpressure, pot letting go, blind gauge, deadlines."""
    rank = {p.code: p.rank for p in PHRASES if p.priority == 1}
    order = ["pot-over-relief", "pot-over-limit", "pot-letting-go", "gauge-dropped", "pot-blind", "pressure-late"]
    assert sorted(order, key=lambda code: rank[code]) == order


def test_only_priority_one_and_two_are_alarms_and_log_is_never_spoken() -> None:
    assert {p.kind for p in PHRASES if p.priority <= 2} == {"alarm"}
    assert {p.kind for p in PHRASES if p.priority == 3} == {"call"}
    assert {(p.kind, p.sound) for p in PHRASES if p.priority == 4} == {("log", "")}


def test_both_conditions_of_every_notice_are_told_apart() -> None:
    whats = [
        "lines",
        "journal",
        "journal-changed",
        "listener",
        "contested",
        "clock",
        "gap",
        "board-reset",
        "unchecked-lines",
        "source",
    ]
    for what in whats:
        notice = BenchNotice(t=0.0, subject=Subject(bench="b"), what=what, why="x")  # type: ignore[arg-type]
        applying = [p.code for p in phrases_for("bench_notice") if PREDICATES[p.when](notice, Situation())]
        assert len(applying) == 1


def spoken(phrase_code: str, *findings: Finding, bench: Bench = BENCH) -> str:
    books = Books(bench)
    for finding in findings:
        books.facts.see(finding)
    phrase = next(p for p in PHRASES if p.code == phrase_code)
    return Wording(books)(phrase, [f for f in findings if f.finding == phrase.finding])


def ready(mold: str, stage: str) -> DemoldReady:
    subject = Subject(bench="north", mold=mold)
    return DemoldReady(t=0.0, subject=subject, mold=mold, stage=stage, limit="thin")  # type: ignore[arg-type]


def test_numbers_are_said_whole_in_the_bench_unit() -> None:
    low = PotBelowFloor(
        t=0.0, subject=Subject(bench="north", pot="barrel"), kpa=234.4, limit_kpa=241.3, kpa_per_min=-2, active=True
    )
    assert spoken("pot-below-floor", low) == "Pot low, thirty-four. Add air."


def test_the_kick_is_said_to_the_nearest_five_seconds() -> None:
    """The demo's load 1: at pressure 2:24, kick 3:03, 39 s later, is said as forty."""
    pot = Subject(bench="north", pot="barrel", cup="cup-1", pour="cup-1-1")
    up = PotAtPressure(t=149.0, subject=pot, kpa=289.6, since=144.0, margin_s=39.0)
    kick = Kicked(t=190.0, subject=pot, at=183.0, early=180.0, late=186.0, temp_c=60.0, basis="curve")
    assert spoken("kick-in-time", up, kick) == "Kick. Pressure was forty seconds ahead."


def kick_told(up_since: float | None, kick_at: float) -> str:
    pot = Subject(bench="north", pot="barrel", cup="cup-1", pour="cup-1-1")
    kick = Kicked(
        t=190.0, subject=pot, at=kick_at, early=kick_at - 15.0, late=kick_at + 15.0, temp_c=60.0, basis="curve"
    )
    up = [PotAtPressure(t=189.0, subject=pot, kpa=289.6, since=up_since, margin_s=None)] if up_since is not None else []
    return spoken("kick-in-time", *up, kick)


@pytest.mark.parametrize(
    ("up_since", "words"),
    [
        (144.0, "Kick. Pressure was forty seconds ahead."),
        (181.0, "Kick. Pressure is up."),
        (184.0, "Kick. Pressure is up."),
        (None, "Kick. Pressure is up."),
    ],
)
def test_no_lead_is_told_that_nobody_saw(up_since: float | None, words: str) -> None:
    """Behind a hole kick and pressure are told together, and neither can be said to have come first."""
    assert kick_told(up_since, 183.0) == words


@pytest.mark.parametrize(
    ("filling", "at_floor", "at_pressure", "code"),
    [
        (True, False, False, "kicked-filling"),
        (True, True, False, "kick-in-time"),
        (False, False, True, "kick-in-time"),
    ],
)
def test_a_gauge_at_its_floor_needs_no_more_filling(
    filling: bool, at_floor: bool, at_pressure: bool, code: str
) -> None:
    now = Situation(
        pour_phase="standing", load_phase="filling", filling=filling, at_floor=at_floor, at_pressure=at_pressure
    )
    kick = Kicked(
        t=190.0, subject=Subject(bench="north"), at=183.0, early=180.0, late=186.0, temp_c=60.0, basis="curve"
    )
    assert [p.code for p in phrases_for("kicked") if PREDICATES[p.when](kick, now)] == [code]


def test_parts_due_together_are_said_together_by_name() -> None:
    both = spoken("part-due-green", ready("m05", "green"), ready("m02", "green"))
    assert both == "Heron legs and Keeper arms due. Pull while green."


def test_of_two_ready_molds_the_names_are_said_before_how_to_test() -> None:
    both = spoken("part-test", ready("m05", "test"), ready("m02", "test"))
    assert both == "Heron legs and Keeper arms ready to test."


def figures(*names: str) -> Bench:
    molds = (Mold(id=f"m{i}", code=f"M{i}", name=n, cavity_ml=9, thin_mm=3, thick_mm=9) for i, n in enumerate(names))
    return Bench(id="north", shop="s", name="n", molds=tuple(molds))


def of_three(code: str, stage: str, *names: str) -> str:
    return spoken(code, *(ready(f"m{i}", stage) for i in range(3)), bench=figures(*names))


@pytest.mark.parametrize(
    ("code", "stage", "names", "words"),
    [
        ("part-test", "test", ("Arms", "Cloak", "Head"), "Arms, Cloak and Head ready to test. Try the sprue first."),
        ("part-test", "test", ("Keeper arms", "Keeper cloak", "Porter head"),
         "Keeper arms, Keeper cloak and Porter head ready to test."),
        ("part-test", "test", ("Keeper arms with lantern", "Keeper cloak", "Tin Porter head"),
         "Keeper arms with lantern and two more ready to test."),
        ("part-due", "hard", ("The long-named figure 0", "The long-named figure 1", "The long-named figure 2"),
         "The long-named figure 0 and two more due."),
        ("part-due-green", "green", ("Keeper arms", "Keeper cloak", "Porter head"),
         "Keeper arms and two more due. Pull while green."),
        ("part-going-hard", "going-hard", ("Keeper arms", "Keeper cloak", "Porter head"),
         "Keeper arms and two more going hard. Now, or warm later."),
        ("part-lost", "green", ("Keeper arms", "Keeper cloak", "Porter head"),
         "Hold lost. Expect bubbles: Keeper arms and two more."),
    ],
)  # fmt: skip
def test_of_three_molds_as_many_names_are_said_as_a_breath_holds(
    code: str, stage: str, names: tuple[str, ...], words: str
) -> None:
    """The first is always named where it fits: it is the one to go to; what to do is never left out of an order."""
    assert of_three(code, stage, *names) == words


def test_a_name_too_long_to_say_becomes_a_count() -> None:
    long = [f"The very long-named figure that stands at the harbour wall, part {i}" for i in range(3)]
    assert of_three("part-test", "test", *long) == "Three molds ready to test. Try the sprue first."


@pytest.mark.parametrize(
    ("molds", "for_s", "words"),
    [(("m05",), 14_400.0, "Post-cure Heron legs: four hours at sixty-five."),
     (("m05", "m02"), 5400.0, "Post-cure two casts: ninety minutes at sixty-five.")],
)  # fmt: skip
def test_a_post_cure_names_its_parts_its_time_and_its_heat(molds: tuple[str, ...], for_s: float, words: str) -> None:
    due = PostCureDue(t=190.0, subject=Subject(bench="north"), molds=molds, for_s=for_s, temp_c=65.0)
    assert spoken("post-cure", due) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.0, "under a minute"), (59.9, "under a minute"), (60.0, "one minute"), (419.0, "six minutes")],
)
def test_minutes_are_never_rounded_up(seconds: float, words: str) -> None:
    assert minutes_words(seconds) == words
