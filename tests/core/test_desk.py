"""Do presses of the foot switch mean what the caster meant, and is one that cannot be taken heard?"""

from __future__ import annotations

import pytest
from core.bench_double import BENCH, POT, T0, Foot, mark, of, said, scripted

from benchd.core.findings import MoldPoured, PotFilling, PourStarted
from benchd.core.model import MarkAnswer


def test_without_named_molds_each_long_press_is_one_more_until_the_pot_fills() -> None:
    engine = scripted(PotFilling(t=T0 + 120.0, subject=POT, kpa=20.0, kpa_per_min=400.0))
    foot = Foot(engine)
    assert of(foot.press("long", 1.0), PourStarted)
    for seconds in (40.0, 55.0, 70.0):
        effects = foot.press("long", seconds)
        assert [(a.verb, a.ok) for a in of(effects, MarkAnswer)] == [("poured", True)]
        assert len(of(effects, MoldPoured)) == 1
        assert said(effects) == []
    engine.advance(T0 + 125.0)
    refused = foot.press("long", 130.0)
    assert [(a.verb, a.ok) for a in of(refused, MarkAnswer)] == [("mix", False)]
    assert said(refused) == [(130.0, "Not taken: the mix clock of Cup one already runs.")]


def test_a_refused_press_is_heard_and_a_refused_mark_from_the_phone_is_not() -> None:
    engine = scripted()
    foot = Foot(engine)
    engine.step(mark("mix", 1.0, molds=("M02",)))
    engine.step(mark("poured", 30.0))
    assert said(foot.press("long", 40.0)) == [(40.0, "Not taken: the mix clock of Cup one already runs.")]
    by_phone = engine.step(mark("mix", 41.0, by="mqtt"))
    assert [a.ok for a in of(by_phone, MarkAnswer)] == [False]
    assert said(by_phone) == []
    assert said(foot.press("double", 60.0)) == []  # a refusal is not what a double press repeats


def test_a_reason_too_long_to_be_said_sends_to_the_page() -> None:
    from dataclasses import replace

    cups = tuple(replace(BENCH.cups[0], id=f"cup-{n}", name=f"The rather long name of cup {n}") for n in (1, 2))
    engine = scripted(bench=replace(BENCH, cups=cups))
    assert said(Foot(engine).press("long", 1.0)) == [(1.0, "Not taken. Look at the page.")]


@pytest.mark.parametrize("by", ["switch", "cli:anna"])
def test_a_phone_test_needs_the_phone_to_answer_it(by: str) -> None:
    engine = scripted()
    asked = engine.step(mark("note", 1.0, text="phone test", by="cli:anna"))
    assert said(asked) == [(1.0, "Phone test. Press heard.")]
    at_the_bench = engine.step(mark("heard", 5.0, by=by))
    assert of(at_the_bench, MarkAnswer)[0].why == ""
    assert of(engine.step(mark("heard", 9.0, by="mqtt")), MarkAnswer)[0].why == "phone tested"
    assert engine.books.noted == {"phone": T0 + 9.0}
    assert of(engine.step(mark("heard", 11.0, by="mqtt")), MarkAnswer)[0].why == ""


def test_a_phone_test_is_not_made_in_mid_pour_and_runs_out() -> None:
    engine = scripted()
    engine.step(mark("note", 1.0, text="phone test"))
    assert of(engine.step(mark("heard", 122.0, by="mqtt")), MarkAnswer)[0].why == ""
    engine.step(mark("mix", 130.0, molds=("M02",)))
    answer = of(engine.step(mark("note", 140.0, text="phone test")), MarkAnswer)[0]
    assert (answer.ok, answer.why) == (False, "no phone test from mix to pressure")
