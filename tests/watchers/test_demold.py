"""Is each part called due at the late end of its window, and never while its pot may still be up?

Label: demold 10 min, which suits 4 to 8 mm at 23 C (common practice); windows x0.65 to x1.55 around the rule's time,
green at four fifths of the way to hard.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest
from nearly import nearly

from benchd.core.bench import Bench, Channel, Mold, Pot, Resin
from benchd.core.findings import (
    DemoldForecast,
    DemoldReady,
    Event,
    Finding,
    HoldForecast,
    Kicked,
    LoadClosed,
    LoadOpened,
    PotVented,
    PourEnded,
    PourRevised,
    PourStarted,
)
from benchd.core.model import Mark, Reading, Subject, Tick
from benchd.core.seat.watcher import Place
from benchd.watchers import demold

T0 = 1_767_607_200.0
POUR = Subject(bench="north", cup="cup-1", pot="barrel", pour="cup-1-1")
LOAD = Subject(bench="north", pot="barrel", load="barrel-1")
RESIN = Resin(id="harbour-fast", name="Harbour Fast", pot_life_s=180.0, demold_s=600.0)
MOLDS = (
    Mold(id="m03", code="M03", name="Keeper cloak", cavity_ml=54.0, thin_mm=6.0, thick_mm=8.0),
    Mold(id="m05", code="M05", name="Heron legs", cavity_ml=17.0, thin_mm=6.0, thick_mm=6.0, pull="green"),
    Mold(id="m01", code="M01", name="Keeper torso", cavity_ml=96.0, thin_mm=6.0, thick_mm=24.0),
    Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28.0, thin_mm=2.0, thick_mm=6.0),
)
HARD_S, LATE_S = 600.0, 1132.0  # calc: e^(1.645 hypot(0.293 at 8 mm, 0.25)) of 600 s, at the next second


def watcher(resins: tuple[Resin, ...] = (RESIN,), has_gauge: bool = True) -> demold.DemoldWatcher:
    barrel = Pot(id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2,
                 target_kpa=289.6, floor_kpa=241.3, limit_kpa=372.3)  # fmt: skip
    gauge = Channel(id="barrel-pressure", source="board", senml="b1-p", role="pot_pressure", of="barrel")
    bench = Bench(id="north", shop="quiet-harbour", name="North bench", molds=MOLDS, resins=resins, pots=(barrel,),
                  channels=(gauge,) if has_gauge else ())  # fmt: skip
    return demold.make(demold.Settings(), Place(bench, Subject(bench="north")))


def started(*molds: str, mold_c: float | None = None, subject: Subject = POUR, t: float = 0.0) -> PourStarted:
    return PourStarted(t=T0 + t, subject=subject, mix_t=T0 + t, lot=None, molds=molds, inferred=False, number=1,
                       mold_c=mold_c)  # fmt: skip


def kicked(at: float) -> Kicked:
    return Kicked(t=T0 + at + 15.0, subject=POUR, at=T0 + at, early=T0 + at, late=T0 + at, temp_c=70.0, basis="curve")


def gauge(kpa_at: Callable[[int], float | None], until_s: int = 4000) -> list[Reading]:
    """A reading every 5 s; kpa_at(second) may be None: nothing comes."""
    values = [(s, kpa_at(s)) for s in range(0, until_s, 5)]
    return [Reading(T0 + s, "barrel-pressure", "pot_pressure", "barrel", v, v) for s, v in values if v is not None]


def at_zero(s: int) -> float:
    return 0.3


def closed(t: float = 114.0) -> LoadClosed:
    return LoadClosed(t=T0 + t, subject=LOAD, pours=("cup-1-1",), number=1)


def vented(t: float) -> PotVented:
    return PotVented(t=T0 + t, subject=LOAD, kpa=0.4, near_zero=True, vent_s=30.0)


def run(w: demold.DemoldWatcher, events: Sequence[Event], until_s: int = 4000) -> list[tuple[float, Finding]]:
    both: list[Event] = sorted([*events, *(Tick(T0 + s) for s in range(until_s))], key=lambda e: e.t)
    return [(f.t - T0, f) for e in both for f in w.see(e)]


def ready(found: Sequence[tuple[float, Finding]]) -> list[tuple[float, str, str]]:
    """What was called due; calls for a test apart, see `called_to_test`."""
    return [(s, f.mold, f.stage) for s, f in found if isinstance(f, DemoldReady) and f.stage != "test"]


def called_to_test(found: Sequence[tuple[float, Finding]]) -> list[tuple[float, str]]:
    return [(s, f.mold) for s, f in found if isinstance(f, DemoldReady) and f.stage == "test"]


def forecasts(found: Sequence[tuple[float, Finding]]) -> list[tuple[float, DemoldForecast]]:
    return [(s, f) for s, f in found if isinstance(f, DemoldForecast)]


def test_a_hard_pull_is_forecast_around_the_labels_time_and_called_at_the_late_end() -> None:
    found = run(watcher(), [started("m03"), *gauge(at_zero)])
    ((s, first),) = forecasts(found)
    assert s <= 1.0
    assert first.green_at is None
    assert first.hard_at == pytest.approx((T0 + 0.65 * HARD_S, T0 + HARD_S, T0 + LATE_S))
    assert (first.basis, first.subject.mold, first.subject.pour) == ("label", "m03", "cup-1-1")
    assert called_to_test(found) == [(HARD_S, "m03")]
    assert ready(found) == [(LATE_S, "m03", "hard")]


def test_a_green_pull_is_called_green_then_going_hard() -> None:
    found = run(watcher(), [started("m05"), *gauge(at_zero)])
    ((_, first),) = forecasts(found)
    assert first.green_at == pytest.approx((T0 + 0.65 * 480.0, T0 + 480.0, T0 + 1.55 * 480.0))
    # Green at 1.55 x 480 s; the stage lasts another fifth of that.
    assert ready(found) == [(849.0, "m05", "green"), (909.0, "m05", "going-hard")]


@pytest.mark.parametrize(("mold", "limit", "hard_s"), [("m01", "thick", 1800.0), ("m02", "thin", 600.0 * 6.3 / 2.02)])
def test_the_limit_that_rules_is_named(mold: str, limit: str, hard_s: float) -> None:
    found = run(watcher(), [started(mold), *gauge(at_zero)])
    assert forecasts(found)[0][1].hard_at[1] - T0 == pytest.approx(hard_s, rel=0.01)
    assert {f.limit for _, f in found if isinstance(f, DemoldReady)} == {limit}


def test_a_part_of_a_pot_that_opens_late_is_due_at_once_without_a_test_first() -> None:
    found = run(watcher(), [started("m03"), *gauge(lambda s: 280.0 if s < LATE_S + 60.0 else 0.0)], int(LATE_S) + 100)
    assert called_to_test(found) == []
    assert [stage for _, _, stage in ready(found)] == ["hard"]


def test_while_its_pot_holds_a_part_is_never_forecast_before_the_holds_end() -> None:
    pot = Subject(bench="north", pot="barrel", load="barrel-1")
    shut = LoadClosed(t=T0 + 60.0, subject=pot, pours=("cup-1-1",), number=1)
    hold = HoldForecast(t=T0 + 61.0, subject=pot, at=T0 + 5000.0, basis="label")
    found = run(watcher(), [started("m03"), shut, hold, *gauge(lambda s: 280.0)], 100)
    assert forecasts(found)[-1][1].hard_at == (T0 + 5000.0, T0 + 5000.0, T0 + 5000.0)


def test_a_warm_mold_brings_a_thin_part_sooner() -> None:
    cold, warm = (forecasts(run(watcher(), [started("m02", mold_c=c), *gauge(at_zero)], 5))[0][1] for c in (23.0, 40.0))
    assert warm.hard_at[1] - T0 == pytest.approx((cold.hard_at[1] - T0) * 8.0 / 19.0, rel=0.02)


def test_the_kick_shifts_the_forecast_in_the_ratio_of_the_lot() -> None:
    found = run(watcher(), [started("m03"), kicked(270.0), *gauge(at_zero)])
    before, after = forecasts(found)
    assert before[1].hard_at[1] - T0 == pytest.approx(600.0)
    assert after[0] == pytest.approx(285.0, abs=1.0)
    assert after[1].hard_at[1] - T0 == pytest.approx(900.0)
    assert ready(found) == [(nearly(1697.0, abs=1.0), "m03", "hard")]


def test_nothing_is_due_while_the_pot_reads_above_one_psi() -> None:
    # 1 psi is 6.9 kPa (1 psi = 6894.757 Pa, NIST SP 811).
    assert ready(run(watcher(), [started("m03"), *gauge(lambda s: 280.0)])) == []
    assert ready(run(watcher(), [started("m03"), *gauge(lambda s: 7.0)])) == []
    late = run(watcher(), [started("m03"), *gauge(lambda s: 280.0 if s < 1500 else 2.0)])
    assert ready(late) == [(1500.0, "m03", "hard")] or ready(late) == [(1501.0, "m03", "hard")]


def test_a_part_to_be_pulled_hard_is_called_for_a_test_at_its_likely_time_and_due_at_the_late_edge() -> None:
    found = run(watcher(), [started("m03"), *gauge(lambda s: 0.0)])
    assert called_to_test(found) == [(HARD_S, "m03")]
    assert ready(found) == [(LATE_S, "m03", "hard")]
    assert called_to_test(run(watcher(), [started("m05"), *gauge(lambda s: 0.0)])) == []  # pulled green


def test_no_test_is_called_of_a_pot_that_is_up_nor_after_the_late_edge() -> None:
    up_until = run(watcher(), [started("m03"), *gauge(lambda s: 280.0 if s < 1200 else 0.0)])
    assert called_to_test(up_until) == []
    assert [(mold, stage) for _, mold, stage in ready(up_until)] == [("m03", "hard")]


def test_a_closed_load_is_held_back_until_it_vents_whatever_the_gauge_reads() -> None:
    """A gauge that dropped to zero over a full pot must release nothing."""
    dropped = gauge(lambda s: 280.0 if s < 700 else 0.0)
    assert ready(run(watcher(), [started("m03"), closed(), *dropped])) == []
    found = run(watcher(), [started("m03"), closed(), *dropped, vented(1200.0)])
    assert ready(found) == [(1200.0, "m03", "hard")] or ready(found) == [(1201.0, "m03", "hard")]
    opened = LoadOpened(t=T0 + 1200.0, subject=LOAD, pours=("cup-1-1",), number=1)
    assert len(ready(run(watcher(), [started("m03"), closed(), *dropped, opened]))) == 1


@pytest.mark.parametrize("kpa_at", [lambda s: None, lambda s: 0.2 if s < 600 else None])
def test_a_silent_gauge_is_never_zero(kpa_at: Callable[[int], float | None]) -> None:
    assert ready(run(watcher(), [started("m03"), *gauge(kpa_at)])) == []


def test_a_pot_without_a_gauge_waits_for_nothing_but_its_load() -> None:
    assert ready(run(watcher(has_gauge=False), [started("m03")])) == [(LATE_S, "m03", "hard")]
    assert ready(run(watcher(has_gauge=False), [started("m03"), closed()])) == []


def test_a_green_part_held_back_past_its_hard_time_is_called_hard() -> None:
    found = run(watcher(), [started("m05"), closed(), *gauge(at_zero), vented(1800.0)])
    assert [stage for _, _, stage in ready(found)] == ["hard"]


def test_a_part_that_is_out_is_not_called() -> None:
    out = Mark(t=T0 + 500.0, verb="demolded", mold="M03", feel="hard")
    found = run(watcher(), [started("m03", "m01"), out, *gauge(at_zero, 6000)], 6000)
    assert [mold for _, mold, _ in ready(found)] == ["m01"]


def test_a_mark_of_another_pour_or_of_an_unknown_mold_changes_nothing() -> None:
    elsewhere = Mark(t=T0 + 500.0, verb="demolded", mold="m03", pour="cup-9-9")
    marks = [elsewhere, replace(elsewhere, mold="M99", pour=None), replace(elsewhere, mold=None, pour=None)]
    assert ready(run(watcher(), [started("m03", "m99"), *marks, *gauge(at_zero)])) == [(LATE_S, "m03", "hard")]


def test_a_mold_cast_again_is_taken_out_of_its_older_pour_first() -> None:
    second = replace(POUR, pour="cup-1-2")
    out = Mark(t=T0 + 800.0, verb="demolded", mold="m03")
    found = run(watcher(), [started("m03"), started("m03", subject=second, t=600.0), out, *gauge(at_zero)])
    assert ready(found) == [(600.0 + LATE_S, "m03", "hard")]


def test_a_pour_that_ended_calls_nothing() -> None:
    ended = PourEnded(t=T0 + 300.0, subject=POUR, why="marked")
    found = run(watcher(), [started("m03"), ended, *gauge(at_zero)])
    assert ready(found) == []
    assert max(s for s, _ in forecasts(found)) < 300.0


def test_a_revised_pour_changes_its_molds() -> None:
    revised = PourRevised(
        t=T0 + 60.0, subject=POUR, mix_t=T0 - 40.0, lot=None, molds=("m05",), inferred=False, number=1
    )
    found = run(watcher(), [started("m03"), revised, *gauge(at_zero)])
    assert {mold for _, mold, _ in ready(found)} == {"m05"}
    assert forecasts(found)[-1][1].hard_at[1] == pytest.approx(T0 - 40.0 + HARD_S)


def test_without_a_label_nothing_is_promised() -> None:
    assert run(watcher(resins=()), [started("m03"), *gauge(at_zero)]) == []


@pytest.mark.parametrize("value", [math.nan, math.inf, None])
def test_garbage_is_no_pressure(value: float | None) -> None:
    garbage = [Reading(T0 + s, "barrel-pressure", "pot_pressure", "barrel", value, value) for s in range(0, 2000, 5)]
    assert ready(run(watcher(), [started("m03"), *garbage], 2000)) == []
    assert ready(run(watcher(), [started("m03"), *gauge(at_zero, 2000), *garbage], 2000)) == [(LATE_S, "m03", "hard")]
