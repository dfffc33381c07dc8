"""Does what a running bench remembers grow for ever?  Loads by the hundred, boards that rename themselves, marks."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from core.bench_double import BENCH, CUP_SUBJECT, POT, T0, Script, context, mark, of

from benchd.core.bench import Bench
from benchd.core.casting.run_sheet import RunSheet
from benchd.core.engine import Engine
from benchd.core.findings import (
    CupPeaked,
    DemoldForecast,
    DemoldReady,
    Effect,
    Event,
    Finding,
    HoldComplete,
    HoldForecast,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    PotAtPressure,
    PotBelowFloor,
    PotFilling,
    PotHold,
    PotIsolated,
    PotVented,
    PotVenting,
    PourEnded,
)
from benchd.core.intake.intake import BOARDS_MOST
from benchd.core.intake.wire import encode
from benchd.core.model import MOST_MOLDS, Line, MarkAnswer, Status, Tick
from benchd.core.model.day import DaySheet, SheetLoad
from benchd.core.seat.watcher import Place, Reads, WatcherPlan
from benchd.stored import stored

EACH_S = 200.0  # a load, hurried: its course is the same, its seconds are fewer


def load(t: float) -> list[Finding]:
    """What is found of one load that begins at t [unix s], in order of time."""
    after = POT
    return [
        KickForecast(t=t + 12, subject=CUP_SUBJECT, at=t + 36.8, early=t + 34, late=t + 40, confidence="good",
                     basis="label"),
        PotFilling(t=t + 24, subject=after, kpa=20.0, kpa_per_min=400.0),
        PotAtPressure(t=t + 30, subject=after, kpa=289.0, since=t + 29, margin_s=None),
        Kicked(t=t + 36.8, subject=CUP_SUBJECT, at=t + 36.8, early=t + 36, late=t + 37.6, temp_c=70.0, basis="curve"),
        CupPeaked(t=t + 40, subject=CUP_SUBJECT, at=t + 40, temp_c=90.0),
        PotIsolated(t=t + 44, subject=after, since=t + 43, by="seen"),
        PotHold(t=t + 46, subject=after, verdict="tight-to", kpa=289.0, kpa_per_min=0.0, low=0.0, high=0.0,
                smallest_seen=0.1, why=""),
        HoldForecast(t=t + 48, subject=after, at=t + 138, basis="label"),
        DemoldForecast(t=t + 50, subject=replace(CUP_SUBJECT, mold="m02"), mold="m02", green_at=None,
                       hard_at=(t + 160, t + 162, t + 164), basis="label"),
        PotBelowFloor(t=t + 60, subject=after, kpa=200.0, limit_kpa=241.0, kpa_per_min=-1.0, active=True),
        PotBelowFloor(t=t + 64, subject=after, kpa=250.0, limit_kpa=241.0, kpa_per_min=-1.0, active=False),
        HoldComplete(t=t + 140, subject=after, since=t + 36.8, min_kpa=280.0),
        PotVenting(t=t + 144, subject=after, kpa=250.0, kpa_per_min=-400.0, before_hold_complete=False, active=True),
        PotVented(t=t + 152, subject=after, kpa=1.0, near_zero=True, vent_s=40.0),
        DemoldReady(t=t + 162, subject=replace(CUP_SUBJECT, mold="m02"), mold="m02", stage="hard", limit="thick"),
    ]  # fmt: skip


@stored("test-loads")
class Loads(Script):
    """A load after the other, for ever; remembers only the one it is in."""

    next_t: float

    def __init__(self) -> None:
        super().__init__(load(T0))
        self.next_t = T0 + EACH_S

    def see(self, event: Event) -> list[Finding]:
        if isinstance(event, Tick) and event.t >= self.next_t:
            self.left, self.next_t = load(self.next_t), self.next_t + EACH_S
        return list(super().see(event))


def hourly(bench: Bench = BENCH) -> Engine:
    plan = WatcherPlan("loads", 0, "bench", Reads(ticks=True), Place(bench, replace(POT, pot=None)), None, Loads)
    engine = Engine(lambda _: [plan])
    engine.step(context(bench))
    return engine


def one_load(engine: Engine, number: int) -> list[Effect]:
    """The caster's hands for one load."""
    at = EACH_S * number
    out: list[Effect] = []
    marks: list[tuple[str, float, dict[str, Any]]] = [
        ("mix", 0.2, {"lot": "R-07", "molds": ("M02", "M05")}), ("poured", 8.0, {"mold": "M02"}),
        ("poured", 10.0, {"mold": "M05"}), ("heard", 62.0, {}), ("demolded", 180.0, {"mold": "M02", "grade": "good"}),
        ("demolded", 182.0, {"mold": "M05", "grade": "good"}), ("note", 184.0, {"text": f"load {number}"}),
    ]  # fmt: skip
    for verb, after_s, more in marks:
        out += engine.step(mark(verb, at + after_s, **more))
    return out + engine.advance(T0 + at + EACH_S - 1.0)


def test_after_two_hundred_loads_no_more_is_remembered_than_after_ten() -> None:
    """Each load opened, closed and demolded as the first was; what is frozen for a checkpoint stays as it was."""
    engine, sizes = hourly(), {}
    for number in range(200):
        effects = one_load(engine, number)
        for kind in (LoadClosed, LoadOpened, PourEnded):
            assert len(of(effects, kind)) == 1
        sizes[number + 1] = len(engine.freeze())
    assert sizes[200] <= sizes[10] + 16  # numbers that count have more digits
    assert max(sizes.values()) == pytest.approx(sizes[10], abs=32)


def test_a_board_that_renames_itself_is_not_remembered_for_ever() -> None:
    """Counts are kept of the last boards heard; a line's own name is text from outside."""
    engine = hourly(replace(BENCH, sources=(("board", "none"),)))
    sizes = []
    for number in range(20 * BOARDS_MOST):
        text = encode([("x", 1.0, None, "Cel")], board=f"b{number:05d}-", seq=1, presses={"short": 1}, checked=False)
        engine.step(Line(T0 + 1 + number / 1000, "board", text.decode()))
        if number >= 2 * BOARDS_MOST and number % BOARDS_MOST == 0:
            sizes.append(len(engine.freeze()))
    assert len(sizes) == 18
    assert max(sizes) <= sizes[0] + 64


def test_sources_of_a_recording_are_not_remembered_for_ever() -> None:
    """Sources that go down or send bad lines, each under another name."""
    engine, sizes = hourly(), []
    for number in range(10 * BOARDS_MOST):
        engine.step(Status(T0 + 1, f"s{number:05d}", False))
        engine.step(Line(T0 + 1, f"s{number:05d}", "bad"))
        engine.step(Line(T0 + 1, f"s{number:05d}", "bad"))
        sizes.append(len(engine.freeze()))
    assert sizes[-1] <= sizes[2 * BOARDS_MOST] + 4096  # notices' text may be the last said


def test_a_pour_without_names_takes_no_more_molds_than_a_mix_has() -> None:
    """Marks may name any mold: beyond so many they are refused with the remedy."""
    engine = hourly()
    engine.step(mark("mix", 1.0))
    answers = [of(engine.step(mark("poured", 2.0, mold=f"x{n}")), MarkAnswer)[0] for n in range(MOST_MOLDS + 1)]
    assert [a.ok for a in answers] == [True] * MOST_MOLDS + [False]
    assert "no mix fills more" in answers[-1].why


def test_a_sheet_forgets_pours_of_days_before() -> None:
    """A sheet nobody puts away holds what took its loads, not every pour since."""
    sheet = RunSheet()
    sheet.configure(DaySheet(T0, "s", T0, (SheetLoad(1, ("m02",)),)))
    for number in range(500):
        sheet.begin(f"cup-1-{number}", ("m02",), T0 + 3600.0 * number)
    assert sheet.mixed_t("cup-1-0") == T0
    assert len(sheet._pours) <= 18  # those of 16 h, and the one that took the load
