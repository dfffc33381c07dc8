"""Is one instruction given at a time, with numbers of now, naming what it is about?"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest
from core.bench_double import BARREL, BENCH, CHANNELS, CUP, POT, T0, line, mark, of, said, scripted

from benchd.core.alarm.phrases import AWAY, PHRASES
from benchd.core.bench import Bench
from benchd.core.engine import Engine
from benchd.core.findings import (
    Effect,
    Finding,
    HoldComplete,
    HoldForecast,
    Kicked,
    MoldPoured,
    PortClogged,
    PotAtPressure,
    PotBelowFloor,
    PotFilling,
    PotLeaking,
    PotLettingGo,
    PotNotFilling,
    PotOverLimit,
    PotOverRelief,
    PotVenting,
    PourStarted,
    PressureLate,
)
from benchd.core.intake.wire import encode
from benchd.core.model import Alert, Line, MarkAnswer, Subject
from benchd.core.units import KPA_PER_PSI as PSI

DRUM = replace(BARREL, id="drum", name="Drum")
CUP_2 = replace(CUP, id="cup-2", name="Cup two")
SECOND = (
    replace(CHANNELS[0], id="cup-2-temperature", senml="b2-cup", of="cup-2"),
    replace(CHANNELS[1], id="drum-pressure", senml="b2-pot", of="drum"),
)
TWO = replace(BENCH, pots=(BARREL, DRUM), cups=(CUP, CUP_2), channels=(*CHANNELS, *SECOND))
Reached = Literal["floor", "target", "unseen"]
IN_DRUM = Subject(bench="north", pot="drum")


def limit(kind: type[PotLettingGo | PotBelowFloor | PotOverLimit | PotOverRelief], s: float, active: bool = True,
          psi: float = 30.0, subject: Subject = POT) -> Finding:  # fmt: skip
    return kind(t=T0 + s, subject=subject, kpa=psi * PSI, limit_kpa=241.3, kpa_per_min=-9.0, active=active)


def up(s: float = 1.0, subject: Subject = POT, since_s: float | None = None) -> list[Finding]:
    since = T0 + (s if since_s is None else since_s)
    return [
        PotFilling(t=T0 + s, subject=subject, kpa=100.0, kpa_per_min=400.0),
        PotAtPressure(t=T0 + s, subject=subject, kpa=289.6, since=since, margin_s=None),
    ]


def waits(effects: list[Effect]) -> list[tuple[float, str, str | None]]:
    return [(round(a.t - T0), a.alert, a.waits_for) for a in of(effects, Alert)]


def test_what_sends_to_the_pot_waits_while_what_sends_away_stands() -> None:
    """The issue's case: "Get clear" against "Air on", alternating; common practice, no source."""
    engine = scripted(
        *up(), limit(PotBelowFloor, 10.0), limit(PotLettingGo, 20.0), limit(PotLettingGo, 61.0, active=False)
    )
    effects = engine.advance(T0 + 75.0)
    words = [(s, say) for s, say in said(effects) if "floor." not in say]
    assert [say for s, say in words if 20.0 <= s < 61.0] == ["Pot letting go. Stand clear."] * 5
    assert [say for s, say in words if s >= 61.0] == ["Pot low. Add air."] * 2  # no gauge here: no number of now
    assert [w for w in waits(effects) if w[1] == "pot-below-floor"] == [
        (10, "pot-below-floor", None), (20, "pot-below-floor", "pot-letting-go"), (61, "pot-below-floor", None),
    ]  # fmt: skip


def test_one_sentence_carries_the_whole_instruction() -> None:
    engine = scripted(*up(), limit(PotOverLimit, 10.0), limit(PotOverRelief, 12.0))
    said_then = [say for s, say in said(engine.advance(T0 + 40.0)) if s >= 12.0]
    assert set(said_then) == {"Relief not lifting. Get clear. Cut air at the compressor."}
    assert len(said_then) == 3


def test_a_heard_alarm_that_stands_is_still_waited_for() -> None:
    engine = scripted(*up(), limit(PotLettingGo, 10.0), limit(PotBelowFloor, 12.0))
    engine.advance(T0 + 20.0)
    engine.step(mark("heard", 21.0))
    assert said(engine.advance(T0 + 60.0)) == []


def test_another_pots_alarm_is_not_waited_for() -> None:
    low = limit(PotBelowFloor, 12.0, subject=IN_DRUM)
    engine = scripted(*up(), *up(subject=IN_DRUM), limit(PotLettingGo, 10.0), low, bench=TWO)
    assert [say for s, say in said(engine.advance(T0 + 30.0)) if s >= 10.0] == [
        "Barrel letting go. Stand clear.", "Drum low, thirty. Add air.", "Barrel letting go. Stand clear.",
        "Drum low. Add air.", "Barrel letting go. Stand clear.",
    ]  # fmt: skip


def test_a_call_to_the_pot_waits_too_and_is_said_afterwards() -> None:
    done = HoldComplete(t=T0 + 12.0, subject=POT, since=T0, min_kpa=None)
    engine = scripted(*up(), limit(PotLettingGo, 10.0), done, limit(PotLettingGo, 90.0, active=False))
    calls = [(s, say) for s, say in said(engine.advance(T0 + 120.0)) if "hold done" in say]
    assert calls == [(90.0, "Load one hold done. Mask on, vent slowly.")]


def test_every_row_behind_another_names_an_alarm_and_none_waits_for_itself() -> None:
    alarms = {p.code for p in PHRASES if p.kind == "alarm"}
    assert set(AWAY) <= alarms
    for phrase in PHRASES:
        assert set(phrase.behind) <= alarms
        assert phrase.code not in phrase.behind


# ------------------------------------------------------------------------------------------------ numbers of now


def gauge(engine: Engine, seq: int, s: float, psi: float) -> list[Effect]:
    return engine.step(Line(T0 + s, "board", line(seq, pot=(psi * PSI * 1000.0, "Pa"))))


def test_each_repeat_reads_the_gauge() -> None:
    """The issue's case: "Thirty-five psi" went on while the gauge read 1.0."""
    engine, effects = scripted(*up(), limit(PotBelowFloor, 10.0, psi=34.0)), list[Effect]()
    for s in range(2, 34):
        effects += gauge(engine, s, float(s), 34.0 if s < 15 else 34.0 - 0.5 * (s - 15))
    words = [say for _, say in said(effects) if "low" in say]
    assert words == [
        "Pot low, thirty-four. Add air.", "Pot low, thirty-two. Add air.",
        "Pot low, twenty-seven. Add air.",
    ]  # fmt: skip


def test_a_leak_below_the_floor_is_one_sentence_with_what_the_gauge_reads() -> None:
    """Two alarms about one fall would take turns for as long as it lasts."""
    leak = PotLeaking(t=T0 + 5.0, subject=POT, verdict="fast", kpa_per_min=62.0, low=50.0, high=70.0,
                      conductance_m3_s_pa=1e-8, hole_mm=0.45, floor_at=None, matters=True, active=True)  # fmt: skip
    engine, effects = scripted(*up(), leak, limit(PotBelowFloor, 10.0, psi=34.9)), list[Effect]()
    for s in range(2, 30):
        effects += gauge(engine, s, float(s), 36.0 if s < 9 else 34.0)
    words = [say for _, say in said(effects) if "eak" in say or "low" in say]
    assert words[0] == "Leaking fast. Bleed shut? Hands off clamps."
    assert set(words[1:]) == {"Leaking fast, thirty-four. Add air. Hands off clamps."}


def test_a_fill_that_stops_is_told_with_what_the_gauge_reads_and_its_lid_is_not_asked_for() -> None:
    def words(psi: float) -> list[str]:
        rise = PotFilling(t=T0 + 3.0, subject=POT, kpa=0.9 * psi * PSI, kpa_per_min=400.0)
        stall = PotNotFilling(t=T0 + 22.0, subject=POT, kpa=psi * PSI, for_s=10.0, active=True)
        late = PressureLate(t=T0 + 40.0, subject=POT, projected_at=T0 + 90.0, kick_early=T0 + 60.0, rising=False,
                            active=True, limit="cup")  # fmt: skip
        engine, effects = scripted(rise, stall, late), list[Effect]()
        for s in range(2, 45):
            effects += gauge(engine, s, float(s), psi)
        return [say for _, say in said(effects)]

    assert words(33.0) == ["Stalled at thirty-three. Inlet, hose, bleed.", "Late. Add air."]
    assert words(0.4) == ["No pressure yet. Inlet, hose, bleed.", "Late. Lid and air now."]


def test_without_a_gauge_of_now_no_number_is_said() -> None:
    engine, effects = scripted(*up(), limit(PotBelowFloor, 10.0, psi=34.0)), list[Effect]()
    for s in range(2, 12):
        effects += gauge(engine, s, float(s), 34.0)
    effects += engine.advance(T0 + 22.0)
    assert [say for _, say in said(effects) if "low" in say][-1] == "Pot low. Add air."


def test_the_time_left_is_counted_from_the_saying() -> None:
    hold = HoldForecast(t=T0 + 2.0, subject=POT, at=T0 + 330.0, basis="label")
    vent = PotVenting(t=T0 + 10.0, subject=POT, kpa=200.0, kpa_per_min=-60.0, before_hold_complete=True, active=True)
    words = [say for _, say in said(scripted(*up(), hold, vent).advance(T0 + 80.0)) if "bleed" in say]
    assert words == ["Close the bleed. Five more minutes.", "Close the bleed. Four more minutes."]


def test_a_kick_over_a_gauge_in_doubt_sends_to_the_dial() -> None:
    """A clogged port reads next to nothing over a full pot: "Keep filling" would be a guess."""
    filling = PotFilling(t=T0 + 95.0, subject=POT, kpa=20.0, kpa_per_min=30.0)
    mixed = mark("mix", 0.5, cup="cup-1", pot="barrel", molds=("m02",), lot="r-07")
    for doubt, words in ((True, "Cup kicked. Gauge in doubt, read the dial."), (False, "Cup kicked. Keep filling.")):
        clogged = PortClogged(t=T0 + 96.0, subject=POT, kpa=20.0, kpa_per_min=30.0, active=doubt)
        engine = scripted(filling, clogged, kicked(110.0))
        engine.step(mixed)
        engine.advance(T0 + 50.0)
        engine.step(mark("poured", 50.0))
        assert words in [say for _, say in said(engine.advance(T0 + 130.0))]


# ------------------------------------------------------------------------------------------------ which one


def kicked(s: float, cup: str = "cup-1", early_s: float | None = None) -> Kicked:
    early, at = T0 + (s - 3.0 if early_s is None else early_s), T0 + s
    return Kicked(t=at + 2.0, subject=Subject(bench="north", cup=cup), at=at, early=early, late=at + 3.0, temp_c=60.0,
                  basis="curve")  # fmt: skip


def two_cups(bench: Bench, *found: Finding) -> list[tuple[float, str]]:
    """Cup one in the barrel, at pressure; cup two mixed for the drum at 100 s, under way until 160 s."""
    engine = scripted(*found, *up(60.0), *up(160.0, IN_DRUM), bench=bench)
    engine.step(mark("mix", 0.5, cup="cup-1", pot="barrel", molds=("m02",), lot="r-07"))
    effects = engine.advance(T0 + 99.0)
    effects += engine.step(mark("mix", 100.0, cup="cup-2", pot="drum", molds=("m05",), lot="r-07"))
    return said([*effects, *engine.advance(T0 + 220.0)])


def test_a_kick_hushed_by_another_cup_is_said_when_the_hush_ends() -> None:
    """The second cup stands between mix and pressure from 100 to 160 s; the kick came at 110 s."""
    words = [(s, say) for s, say in two_cups(TWO, kicked(110.0)) if "Kick" in say]
    assert [say for _, say in words] == ["Cup one. Kick. Pressure was fifty seconds ahead."]
    assert 160.0 <= words[0][0] <= 180.0


def test_a_pot_is_named_only_where_there_are_several() -> None:
    leak = PotLeaking(t=T0 + 10.0, subject=POT, verdict="fast", kpa_per_min=30.0, low=20.0, high=40.0,
                      conductance_m3_s_pa=1e-9, hole_mm=0.3, floor_at=None, matters=True, active=True)  # fmt: skip
    alone = said(scripted(*up(), leak).advance(T0 + 12.0))
    assert alone[-1][1] == "Leaking fast. Bleed shut? Hands off clamps."
    there = replace(leak, subject=IN_DRUM)
    words = [say for _, say in said(scripted(*up(subject=IN_DRUM), there, bench=TWO).advance(T0 + 12.0))]
    assert words[-1] == "Drum. Leaking fast. Bleed shut? Hands off clamps."


@pytest.mark.parametrize(
    ("reached", "early_s", "words"),
    [
        ("floor", 97.0, "Kick. Pressure was forty seconds ahead."),
        ("unseen", 97.0, "Kick. Pressure is up."),  # when the pressure came was not seen
        ("floor", 55.0, "Kick. Pressure is up."),  # when it kicked is known no better than to 45 s
    ],
)
def test_a_margin_is_told_only_when_both_ends_were_seen(reached: Reached, early_s: float, words: str) -> None:
    filling, pressed = up(60.0)
    assert isinstance(pressed, PotAtPressure)
    engine = scripted(filling, replace(pressed, reached=reached), kicked(100.0, early_s=early_s))
    engine.step(mark("mix", 0.5, molds=("m02",), lot="r-07"))
    engine.step(mark("poured", 30.0))
    assert [say for _, say in said(engine.advance(T0 + 120.0)) if "Kick" in say] == [words]


# ------------------------------------------------------------------------------------------------ marks that ask


def test_a_foot_switch_marks_the_cup_on_its_board() -> None:
    engine = scripted(bench=TWO)

    def press(board: str, seq: int, count: int, s: float) -> list[Effect]:
        text = encode([], board=f"{board}-", seq=seq, presses={"long": count}).decode().rstrip("\n")
        return engine.step(Line(T0 + s, "board", text))

    press("b1", 1, 0, 0.2)
    press("b2", 1, 0, 0.4)
    begun = [*press("b2", 2, 1, 1.0), *press("b1", 2, 1, 5.0)]
    assert [(p.subject.cup, p.subject.pot) for p in of(begun, PourStarted)] == [("cup-2", "drum"), ("cup-1", "barrel")]
    assert [p.subject.cup for p in of(press("b2", 3, 2, 30.0), MoldPoured)] == ["cup-2"]
    assert [p.subject.cup for p in of(press("b1", 3, 2, 31.0), MoldPoured)] == ["cup-1"]


def test_shut_without_a_pot_asks_where_there_are_several() -> None:
    engine = scripted(*up(), bench=TWO)
    engine.advance(T0 + 5.0)
    assert [a.why for a in of(engine.step(mark("shut", 6.0)), MarkAnswer)] == ["which pot? barrel or drum"]
    assert [a.ok for a in of(engine.step(mark("shut", 7.0, pot="barrel")), MarkAnswer)] == [True]
    alone = scripted(*up())
    alone.advance(T0 + 5.0)
    assert [a.ok for a in of(alone.step(mark("shut", 6.0)), MarkAnswer)] == [True]
