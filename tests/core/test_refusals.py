"""Is what can't be refused, kindly, and does undo work for as long as nothing followed?"""

from __future__ import annotations

import pytest
from core.bench_double import T0, line, mark, of, scripted

from benchd.core.engine import Engine
from benchd.core.findings import Finding, Kicked, KickForecast, PotAtPressure, PotFilling, PotVented, PourRevised
from benchd.core.model import Line, MarkAnswer, Subject

POT = Subject(bench="north", pot="barrel")
CUP_SUBJECT = Subject(bench="north", cup="cup-1", pour=f"cup-1-{int(T0)}")
FORECAST = KickForecast(t=T0 + 2.0, subject=CUP_SUBJECT, at=T0 + 180.0, early=T0 + 150.0, late=T0 + 230.0,
                        confidence="low", basis="label")  # fmt: skip
FILLS = PotFilling(t=T0 + 120.0, subject=POT, kpa=20.0, kpa_per_min=400.0)
UP = PotAtPressure(t=T0 + 150.0, subject=POT, kpa=289.0, since=T0 + 145.0, margin_s=30.0)
KICK = Kicked(t=T0 + 184.0, subject=CUP_SUBJECT, at=T0 + 180.0, early=T0 + 176.0, late=T0 + 184.0, temp_c=70.0,
              basis="curve")  # fmt: skip
OPEN = PotVented(t=T0 + 760.0, subject=POT, kpa=1.0, near_zero=True, vent_s=40.0)


def mixed(*found: Finding) -> Engine:
    engine = scripted(*found)
    engine.step(mark("mix", 0.0, cup="cup-1", pot="barrel", lot="R-07", molds=("M02", "M05")))
    return engine


def gauge(at_s: float, pa: float) -> Line:
    return Line(T0 + at_s, "board", line(1, pot=(pa, "Pa")))


def answer(engine: Engine, verb: str, at_s: float, **more: object) -> MarkAnswer:
    (told,) = [e for e in engine.step(mark(verb, at_s, **more)) if isinstance(e, MarkAnswer)]
    return told


def test_a_part_of_a_pot_that_shows_pressure_is_refused_with_the_pressure() -> None:
    engine = mixed(FILLS, UP, KICK)
    engine.step(gauge(600.0, 283_000.0))
    told = answer(engine, "demolded", 601.0, mold="M02")
    assert (told.ok, told.why) == (False, "M02 is in a pot at 41 psi; vent it first, then mark the part")


def test_a_gauge_that_is_silent_refuses_nothing() -> None:
    engine = mixed(FILLS, UP, KICK)
    engine.step(gauge(600.0, 283_000.0))
    assert answer(engine, "demolded", 620.0, mold="M02").ok


def test_a_part_is_taken_once_its_pot_is_vented() -> None:
    engine = mixed(FILLS, UP, KICK, OPEN)
    engine.step(gauge(770.0, 500.0))
    assert answer(engine, "demolded", 771.0, mold="M02").ok


@pytest.mark.parametrize(("at_s", "is_taken"), [(149.0, False), (151.0, True)])
def test_a_part_before_the_kick_can_begin_is_refused(at_s: float, is_taken: bool) -> None:
    told = answer(mixed(FORECAST), "demolded", at_s, mold="M02")
    assert told.ok is is_taken
    assert is_taken or told.why == "M02 has not kicked yet; mark `end` if the pour is given up"


def test_a_part_of_another_load_is_refused() -> None:
    engine = mixed(FILLS, UP, KICK, OPEN)
    told = answer(engine, "demolded", 771.0, mold="M02", load="barrel-1")
    assert not told.ok
    assert told.why.startswith("M02 is not in that load")
    assert answer(engine, "demolded", 772.0, mold="M02").ok


def test_a_part_of_a_mold_nobody_has_is_named_also_with_no_pour_open() -> None:
    assert answer(scripted(), "demolded", 0.0, mold="M99").why.startswith('no mold "M99"')
    assert answer(scripted(), "demolded", 0.0, mold="M02").why == "no pour is open; mark its mix first"


@pytest.mark.parametrize("after_s", [9.0, 100.0])
def test_a_mix_can_be_taken_back_until_its_pot_fills(after_s: float) -> None:
    assert answer(mixed(FILLS), "undo", after_s).ok
    told = answer(mixed(FILLS), "undo", 130.0)
    assert (told.ok, told.why) == (False, "too late to take back: the pot has filled since that mix")


def test_a_mix_can_not_be_taken_back_after_its_kick() -> None:
    told = answer(mixed(KICK), "undo", 190.0)
    assert (told.ok, told.why) == (False, "too late to take back: the cup has kicked since that mix")


def test_a_part_can_be_taken_back_half_an_hour_later_and_only_once() -> None:
    engine = mixed(FILLS, UP, KICK, OPEN)
    answer(engine, "demolded", 800.0, mold="M02")
    effects = engine.step(mark("undo", 2600.0))
    assert [told.ok for told in of(effects, MarkAnswer)] == [True]
    assert len(of(effects, PourRevised)) == 1
    assert [pour.demolded for pour in engine.books.pours] == [{}]
    assert answer(engine, "undo", 2601.0).why == "nothing to take back"
