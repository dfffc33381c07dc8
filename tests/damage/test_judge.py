"""Does the judge know a kept kick from one that is off or lost, and does it play what the bench would hear?"""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from damage.judge import Plain, Verdict, plain, verdict
from damage.lines import Body, Damaged, Moments, Sent
from damage.replay import received, replayed
from damage.subjects import RECORDINGS, T0, Subject, subject
from damage.table import Cell

from benchd.core.findings import Effect, Kicked, LoadClosed, PotAtPressure
from benchd.core.model import Alert, Line
from benchd.core.model import Subject as Where

MIX_S, KICK_S, SINCE_S = 30.0, 230.0, 150.0
MADE = Subject("made", T0, (), (), Body((), Moments(MIX_S, 400.0, KICK_S, SINCE_S)))
DECOY = replace(MADE, is_decoy=True)
BEFORE = Plain(frozenset({"pressure-late"}), T0 + SINCE_S)
HOLE = Damaged((), ((220.0, 240.0),))
WHERE = Where(bench="north")
UP = PotAtPressure(t=T0 + SINCE_S + 5.0, subject=WHERE, kpa=250.0, since=T0 + SINCE_S, margin_s=None)


def kicked(at_s: float, early_s: float, late_s: float, told_s: float = KICK_S) -> Kicked:
    return Kicked(t=T0 + told_s, subject=WHERE, at=T0 + at_s, early=T0 + early_s, late=T0 + late_s, temp_c=100.0,
                  basis="curve")  # fmt: skip


def alert(code: str, priority: int, active: bool = True) -> Alert:
    return Alert(t=T0, alert=code, active=active, heard=False, priority=priority, subject=WHERE, text="words")


def of(effects: list[Effect], damaged: Damaged = Damaged(()), made: Subject = MADE) -> Verdict:  # noqa: B008  frozen
    return verdict(made, BEFORE, effects, damaged)


@pytest.mark.parametrize(
    ("told", "damaged", "kick"),
    [
        (kicked(249.0, 240.0, 255.0), Damaged(()), "kept"),  # 9.5 % of 200 s
        (kicked(251.0, 220.0, 260.0), Damaged(()), "off"),  # 10.5 %, though its window covers the kick
        (kicked(208.0, 200.0, 215.0), Damaged(()), "off"),
        (kicked(260.0, 210.0, 270.0), HOLE, "kept"),  # a window over a kick in a hole
        (kicked(260.0, 245.0, 270.0), HOLE, "off"),
    ],
)
def test_a_kick_is_kept_within_a_tenth_or_by_a_window_over_a_hole(told: Kicked, damaged: Damaged, kick: str) -> None:
    assert of([UP, told], damaged).kick == kick


def test_a_kick_never_told_is_lost() -> None:
    got = of([UP])
    assert got.kick == "lost"
    assert got.kick_error_pct is None
    assert not got.is_good


def test_how_late_a_kick_was_told_counts_from_the_kick_or_the_end_of_its_hole() -> None:
    told = kicked(235.0, 225.0, 240.0, told_s=260.0)
    assert of([UP, told]).told_late_pct == pytest.approx(15.0)
    assert of([UP, told], HOLE).told_late_pct == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("since_s", "told_s", "holes", "step_s", "verdict_on"),
    [
        (SINCE_S + 2.9, SINCE_S + 8.0, (), 0.0, "kept"),
        (SINCE_S + 3.1, SINCE_S + 8.0, (), 0.0, "off"),
        (SINCE_S - 3.1, SINCE_S + 8.0, (), 0.0, "off"),
        (SINCE_S, SINCE_S + 14.0, (), 0.0, "off"),  # dated right, told too late
        (SINCE_S + 4.9, SINCE_S + 10.0, (), 5.0, "kept"),  # readings 5 s apart
        (172.0, 178.0, ((140.0, 170.0),), 0.0, "kept"),
        (174.0, 180.0, ((140.0, 170.0),), 0.0, "off"),
        (172.0, 178.0, ((160.0, 170.0),), 0.0, "off"),  # a hole that came after it was due
        (182.0, 188.0, ((140.0, 170.0), (174.0, 180.0)), 0.0, "kept"),  # four seconds between two holes prove nothing
        (182.0, 188.0, ((140.0, 170.0), (176.0, 180.0)), 0.0, "off"),
    ],
)
def test_at_pressure_is_kept_within_three_seconds_or_those_after_a_hole(
    since_s: float, told_s: float, holes: tuple[tuple[float, float], ...], step_s: float, verdict_on: str
) -> None:
    told = replace(UP, t=T0 + told_s, since=T0 + since_s)
    assert of([told], Damaged((), holes, step_s)).at_pressure == verdict_on


def test_at_pressure_never_told_is_lost_and_not_asked_where_it_never_was() -> None:
    assert of([]).at_pressure == "lost"
    assert verdict(MADE, replace(BEFORE, since_t=None), [], Damaged(())).at_pressure == ""


def test_new_are_urgent_alerts_that_were_not_there_before_but_the_blind_words() -> None:
    effects: list[Effect] = [
        alert("pressure-late", 1), alert("cup-blind", 1), alert("pot-blind", 1), alert("gauge-dropped", 1),
        alert("pot-not-filling", 2), alert("pot-not-filling", 2), alert("kick-overdue", 4),
        alert("vent-early", 2, False),
    ]  # fmt: skip
    assert of(effects).new_alerts == ("gauge-dropped", "pot-not-filling")


@pytest.mark.parametrize("told", [kicked(200.0, 190.0, 210.0), LoadClosed(t=T0, subject=WHERE, pours=(), number=1)])
def test_a_decoy_is_broken_by_a_kick_or_a_load(told: Effect) -> None:
    assert of([], made=DECOY).is_good
    assert of([told], made=DECOY).false == (told.finding,)  # type: ignore[union-attr]
    assert not of([told], made=DECOY).is_good


def test_a_cell_counts_what_became_of_its_cases() -> None:
    good, lost = Verdict("kept", 1.0, 20.0, "kept", 0.0), Verdict("lost", None, None, "off", 4.0, ("pressure-late",))
    job = ("load-1", "bursts", 1.0, 1)
    cell = Cell([(job, good)] * 39 + [(job, lost)], [(job, Verdict(false=("kicked",))), (job, Verdict())])
    assert (cell.kept_pct("kick"), cell.kept_pct("at_pressure")) == (97.5, 97.5)
    assert (cell.count("kick", "lost"), cell.count("at_pressure", "off"), cell.broken, cell.late) == (1, 1, 1, 39)
    assert cell.new == {"pressure-late": 1}
    assert not cell.holds
    assert Cell([(job, good)] * 40, [(job, Verdict())]).holds


# -------------------------------------------------------------------------------------------------------- the replay


def test_a_port_s_lines_come_in_when_they_arrive_and_by_their_own_clock() -> None:
    lines = [replace(x, arrives_s=x.arrives_s + 0.5) for x in subject("load 3").body.lines[:40]]
    by_arrival, by_up = (received(T0, lines, clock)[1:] for clock in ("arrival", "up"))
    assert [at for at, _ in by_arrival] == pytest.approx([T0 + x.arrives_s for x in lines])
    assert [item.t for _, item in by_arrival] == pytest.approx([T0 + x.arrives_s for x in lines])
    assert [item.line for _, item in by_up if isinstance(item, Line)] == [x.text for x in lines]
    assert [item.t for _, item in by_up] == pytest.approx([T0 + x.arrives_s for x in lines], abs=0.01)


@pytest.mark.wide
def test_a_golden_recording_played_so_tells_what_its_replay_tells() -> None:
    made = subject("load-1")
    expected = [json.loads(x) for x in (RECORDINGS / "load-1.expected.jsonl").read_text("utf-8").splitlines()]
    kick = next(e for e in expected if e.get("finding") == "kicked")
    up = next(e for e in expected if e.get("finding") == "pot_at_pressure")
    effects = replayed(made, made.body.lines, "arrival")
    got = next(e for e in effects if isinstance(e, Kicked))
    assert got.at == pytest.approx(kick["at"], abs=0.5)
    assert (got.early, got.late) == pytest.approx((kick["early"], kick["late"]), abs=1.0)
    assert plain("load-1").since_t == pytest.approx(up["since"], abs=0.3)


def test_a_lost_cup_is_judged_lost() -> None:
    lines = tuple(Sent(x.made_s, x.arrives_s, x.text) for x in subject("load 3").body.lines if x.made_s < 120.0)
    made = subject("load 3")
    assert verdict(made, plain("load 3"), replayed(made, lines), Damaged(lines)).kick == "lost"
