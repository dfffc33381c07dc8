"""Is every notice of the bench published, each about its own source, and does each end?"""

from __future__ import annotations

from dataclasses import replace

from core.bench_double import BENCH, T0, alerts, context, line, mark, of, scripted

from benchd.core.bench import Bench, Channel
from benchd.core.engine import Engine
from benchd.core.findings import Effect, Finding, PotFilling, ReliefLifted
from benchd.core.model import Alert, ClockStep, Gap, Line, Status, Subject

TWO = replace(
    BENCH,
    channels=(*BENCH.channels, Channel(id="tank", source="wifi", senml="w1-tank", role="tank_pressure"),
              Channel(id="tank-t", source="wifi", senml="w1-tankt", role="tank_temperature")),
    sources=(("board", "crc32"), ("wifi", "none")),
)  # fmt: skip


def engine_of(bench: Bench = TWO, *more: Finding) -> Engine:
    return scripted(*more, bench=bench)


def told(effects: list[Effect], code: str) -> list[tuple[str, bool, str]]:
    """(subject, active, words) of each alert of this code."""
    return [(a.subject.id, a.active, a.text) for a in of(effects, Alert) if a.alert == code]


def test_two_sources_down_are_two_alarms_each_with_its_own_end() -> None:
    engine = engine_of()
    first = engine.step(Status(T0 + 1.0, "board", up=False, why="unplugged"))
    second = engine.step(Status(T0 + 2.0, "wifi", up=False, why="broker gone"))
    assert told(first, "source-down") == [("board", True, "Board gone.")]
    assert told(second, "source-down") == [("wifi", True, "Wifi gone.")]
    assert told(engine.step(Status(T0 + 9.0, "board", up=True)), "source-down") == [("board", False, "Board gone.")]
    assert [key for key in engine.alerts.alarms if key[0] == "source-down"] == [("source-down", "wifi")]
    assert told(engine.step(Status(T0 + 9.0, "wifi", up=True)), "source-down") == [("wifi", False, "Wifi gone.")]


def test_a_second_notice_of_a_kind_is_published_while_the_first_still_stands() -> None:
    engine = engine_of()
    effects = [*engine.step(ClockStep(T0 + 10.0, 5.0)), *engine.step(ClockStep(T0 + 500.0, 9.0))]
    assert [(a.t - T0, a.active) for a in of(effects, Alert) if a.alert == "clock-step"] == [
        (10.0, True),
        (500.0, True),
    ]


def test_a_notice_that_has_no_end_is_over_an_hour_after_the_last() -> None:
    engine = engine_of()
    engine.step(Gap(T0 + 10.0, T0 + 1.0, "restart"))
    engine.step(Gap(T0 + 600.0, T0 + 590.0, "restart"))
    assert told(engine.advance(T0 + 4199.0), "watch-gap") == []
    assert told(engine.advance(T0 + 4201.0), "watch-gap") == [("north", False, "Bench was not watched for a while.")]


def test_damaged_lines_of_two_boards_are_two_notices_that_end_two_minutes_after_the_last() -> None:
    engine = engine_of()
    bad = [engine.step(Line(T0 + 1.0, source, "# no line at all")) for source in ("board", "wifi")]
    assert [told(effects, "lines-dropped")[0][0] for effects in bad] == ["board", "wifi"]
    ended = told(engine.advance(T0 + 122.0), "lines-dropped")
    assert [(subject, active) for subject, active, _ in ended] == [("board", False), ("wifi", False)]


def test_lines_of_a_source_nobody_configured_are_about_the_bench() -> None:
    effects = engine_of().step(Line(T0 + 1.0, "x" * 40, "# no line at all"))
    assert [subject for subject, _, _ in told(effects, "lines-dropped")] == ["north"]


def test_lines_without_a_checksum_are_no_longer_noticed_once_they_have_one() -> None:
    engine = engine_of()
    assert [key for key in engine.alerts.alarms if key[0] == "unchecked-lines"] == [("unchecked-lines", "north")]
    checked = replace(TWO, sources=(("board", "crc32"), ("wifi", "crc32")))
    assert told(engine.step(context(checked, T0 + 5.0)), "unchecked-lines")[0][1] is False


def test_each_lift_of_the_relief_valve_is_logged() -> None:
    pot = Subject(bench="north", pot="barrel")
    lifts = [ReliefLifted(t=T0 + s, subject=pot, kpa=380.0, limit_kpa=379.2) for s in (20.0, 60.0)]
    filling = PotFilling(t=T0 + 2.0, subject=pot, kpa=20.0, kpa_per_min=400.0)
    effects = engine_of(TWO, filling, *lifts).advance(T0 + 70.0)
    logged = [(a.t - T0, a.active) for a in of(effects, Alert) if a.alert == "relief-lifted"]
    assert logged == [(20.0, True), (60.0, True)]


def test_a_notice_is_never_counted_as_an_alarm_nor_said() -> None:
    engine = engine_of()
    engine.step(mark("mix", 1.0, molds=("M02",)))
    engine.step(Line(T0 + 1.5, "board", line(1, cup=(21.0, "Cel"))))
    effects = engine.step(ClockStep(T0 + 10.0, 5.0))
    assert alerts(effects) == [("clock-step", True, False)]
    assert engine.books.pours.open
    assert [pour.alarms for pour in engine.books.pours] == [0]
