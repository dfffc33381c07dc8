"""Is `leaving` answered with reasons, in the trade's words, and never with leave?  Common practice, no source."""

from __future__ import annotations

import pytest
from core.bench_double import BENCH, CUP_SUBJECT, POT, T0, mark, of, said, scripted

from benchd.core.casting.leaving import noted
from benchd.core.engine import Engine
from benchd.core.findings import (
    DemoldForecast,
    Effect,
    Finding,
    HoldComplete,
    HoldForecast,
    Kicked,
    PotAtPressure,
    PotFilling,
    PotIsolated,
    PotLeaking,
    ReliefLifted,
)
from benchd.core.model import MarkAnswer

UNKNOWN = "Not known here: is the compressor off, is anyone within a minute."


def gels(after_s: float, mold: str, at_s: float) -> DemoldForecast:
    window = (T0 + at_s - 60.0, T0 + at_s - 30.0, T0 + at_s)
    return DemoldForecast(
        t=T0 + after_s, subject=CUP_SUBJECT.filled(mold=mold), mold=mold, green_at=None, hard_at=window, basis="label",
        gel_at=window,
    )  # fmt: skip


def load(*more: Finding) -> Engine:
    filling = PotFilling(t=T0 + 120.0, subject=POT, kpa=20.0, kpa_per_min=400.0)
    up = PotAtPressure(t=T0 + 150.0, subject=POT, kpa=289.0, since=T0 + 145.0, margin_s=None)
    at = T0 + 184.0
    kick = Kicked(t=at, subject=CUP_SUBJECT, at=at, early=at - 4, late=at + 4, temp_c=70.0, basis="curve")
    engine = scripted(filling, up, kick, *more)
    engine.step(mark("mix", 1.0, molds=("M02", "M05")))
    return engine


def answer(effects: list[Effect]) -> str:
    given = of(effects, MarkAnswer)[-1]
    assert given.ok
    return str(given.why)


def leave(engine: Engine, after_s: float) -> tuple[str, str]:
    """(to read, to hear) at a moment."""
    engine.advance(T0 + after_s)
    effects = engine.step(mark("leaving", after_s))
    return answer(effects), said(effects)[0][1]


def test_before_gel_it_names_the_mold_that_gels_last_and_the_minutes() -> None:
    engine = load(gels(190.0, "m02", 480.0), gels(190.0, "m05", 650.0), gels(190.0, "m05", 650.0))
    why, say = leave(engine, 300.0)
    assert say == "Not yet. Heron legs gel in six minutes."
    assert why == (
        "Not yet. Heron legs gel in six minutes. Barrel is not isolated. No phone tested today. "
        f"Barrel: relief not lifted today. {UNKNOWN}"
    )


def test_without_a_gel_time_the_hold_counts_and_without_that_nothing_is_known() -> None:
    due = HoldForecast(t=T0 + 200.0, subject=POT, at=T0 + 541.0, basis="label")
    assert leave(load(due), 300.0)[1] == "Not yet. Barrel holds five minutes more."
    assert leave(load(), 300.0)[1] == "Not yet. Barrel is not known to be past gel."


def test_while_mixing_and_filling_that_comes_first() -> None:
    engine = load()
    assert leave(engine, 30.0)[1] == "Not yet. Cup one has not kicked."
    assert leave(engine, 130.0)[1] == "Not yet. Barrel is filling."


def test_a_leak_is_a_reason() -> None:
    leak = PotLeaking(
        t=T0 + 800.0, subject=POT, verdict="slow", kpa_per_min=6.0, low=5.0, high=7.0, conductance_m3_s_pa=1e-12,
        hole_mm=0.15, floor_at=None, matters=False, active=True,
    )  # fmt: skip
    assert "Barrel leaks" in leave(load(*_gelled(), leak), 810.0)[0]


def _gelled() -> list[Finding]:
    done = HoldComplete(t=T0 + 700.0, subject=POT, since=T0 + 184.0, min_kpa=280.0)
    return [PotIsolated(t=T0 + 600.0, subject=POT, since=T0 + 590.0, by="seen"), done]


@pytest.mark.wide
def test_notes_of_today_answer_what_no_sensor_shows_and_yesterdays_do_not() -> None:
    engine = load(*_gelled())
    for seconds, text in ((10.0, "Relief lifted by hand"), (20.0, "compressor off"), (30.0, "phone tested")):
        engine.step(mark("note", seconds, text=text))
    assert leave(engine, 710.0)[0] == "Nothing seen against it. Not known here: is anyone within a minute."
    why, _ = leave(engine, 86_400.0 + 100.0)
    assert why == f"Not yet. No phone tested today. Barrel: relief not lifted today. {UNKNOWN}"


def test_a_relief_valve_seen_to_lift_needs_no_note() -> None:
    lifted = ReliefLifted(t=T0 + 160.0, subject=POT, kpa=380.0, limit_kpa=379.2)
    assert "relief" not in leave(load(*_gelled(), lifted), 710.0)[0]


def test_with_nothing_open_it_still_gives_no_leave() -> None:
    why, say = leave(scripted(), 10.0)
    assert why == f"Nothing seen against it. {UNKNOWN}"
    assert say == "Not known here: is the compressor off."


def test_a_note_that_denies_vouches_for_nothing() -> None:
    for text in ("relief NOT lifted", "relief never lifted", "relief hasn't been lifted", "relief to be lifted",
                 "compressor off? no", "lift the relief", "phone tested tomorrow"):  # fmt: skip
        assert noted(text) == [], text
    assert noted("Relief valve lifted today and compressor off.") == ["relief", "compressor"]
    assert noted("phone tested, relief lifted, compressor off") == ["phone", "relief", "compressor"]
    assert noted(None) == []


def test_the_longest_answer_is_still_one_breath() -> None:
    longest = max(len(m.name) for m in BENCH.molds)
    assert longest < 40
    engine = load(gels(190.0, "m01", 7000.0))
    assert len(leave(engine, 300.0)[1]) <= 60
