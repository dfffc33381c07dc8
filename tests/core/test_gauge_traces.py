"""What the small traces of a gauge tell: its pace, a sudden fall apart from a step, its lows, a settled probe."""

from __future__ import annotations

import math

import pytest
from core.bench_double import BARREL, BENCH

from benchd.core.model import Subject
from benchd.core.seat.pressure_trace import PressureTrace
from benchd.core.seat.watcher import Place
from benchd.watchers.air.steady import Latch, Recent
from benchd.watchers.hold.lows import Lows
from benchd.watchers.leak.pace import WARMTH_OF_ONSET, falls_one_by_one, pace_kpa_min, sudden_kpa_min
from benchd.watchers.pot.gauge_trust import GaugeTrust
from benchd.watchers.pot.tune import Settings


def means(kpa_min: float, count: int = 8) -> list[tuple[float, float]]:
    return [(5.0 * i, 290.0 - kpa_min / 60.0 * 5.0 * i) for i in range(count)]


@pytest.mark.parametrize("kpa_min", [-3.0, 0.0, 6.0, 20.0])
def test_the_pace_is_the_fall_of_seven_means(kpa_min: float) -> None:
    assert pace_kpa_min(means(kpa_min)) == pytest.approx(kpa_min)
    assert math.isinf(pace_kpa_min(means(kpa_min, 6)))


def test_a_step_that_then_stands_does_not_fall_one_by_one() -> None:
    assert falls_one_by_one(means(20.0), 5.0)
    assert not falls_one_by_one(means(4.0), 5.0)
    stands = [(0.0, 290.0), (5.0, 280.0), (10.0, 280.0), (15.0, 280.0)]
    assert not falls_one_by_one(stands, 5.0)
    assert not falls_one_by_one(means(20.0, 3), 5.0)


def traced(curve: list[float]) -> PressureTrace:
    trace = PressureTrace()
    for i, kpa in enumerate(curve):
        trace.add(float(i), kpa)
    return trace


def test_a_sudden_leak_is_sized_and_a_step_is_none() -> None:
    ramp = [290.0] * 10 + [290.0 - 0.5 * i for i in range(20)]  # 30 kPa/min
    assert sudden_kpa_min(traced(ramp), 12.0, 5.0) == pytest.approx(30.0 / WARMTH_OF_ONSET, rel=0.01)
    step = [290.0] * 24 + [284.0] * 6
    assert sudden_kpa_min(traced(step), 12.0, 5.0) is None
    assert sudden_kpa_min(traced(ramp[:8]), 12.0, 5.0) is None


def test_a_slope_is_the_slowest_that_doubt_about_time_allows() -> None:
    """1 kPa/s over 4 s; in doubt by 3 s at one sample it may have been 7 s, by 1 s more at another 8 s."""
    trace = PressureTrace()
    for i in range(30):
        trace.add(float(i), 290.0 - i, {20: 3.0, 21: 1.0, 22: 0.5}.get(i, 0.0))
        if i == 20:
            assert trace.slope_kpa_s(4.0) == pytest.approx(-4.0 / 7.0)
        if i == 22:
            assert trace.slope_kpa_s(4.0) == pytest.approx(-4.0 / 8.0)
    assert trace.doubt_s(4.0) == 0.0
    assert trace.doubt_s(10.0) == 4.0
    assert trace.slope_kpa_s(4.0) == pytest.approx(-1.0)


@pytest.mark.parametrize(("doubt_s", "drops"), [(0.0, True), (0.3, True), (4.0, False)])
def test_no_gauge_drops_that_may_have_had_the_time_to_fall(doubt_s: float, drops: bool) -> None:
    """42 psi to 10 psi in 0.25 s: 13 L through 8 mm take 1.3 s (calc: ISO 6358 blow-down, physics/pot_gas.py)."""
    place = Place(BENCH, Subject(bench=BENCH.id, pot="barrel"), pot=BARREL)
    trace, trust = PressureTrace(), GaugeTrust(place, Settings())
    for i in range(20):
        trace.add(0.25 * i, 290.0)
    for i in (20, 21):
        trace.add(0.25 * i, 70.0, doubt_s)
    assert trace.kpa == 70.0
    assert trust.drops(5.25, 70.0, trace) is drops


def test_the_least_is_a_median_so_that_a_lone_spike_is_no_low() -> None:
    lows = Lows()
    for i in range(60):
        lows.add(float(i), 100.0 if i == 22 else 290.0 - 0.1 * (30 <= i < 40))
    assert lows.least_kpa(0.0) == pytest.approx(289.9)
    assert lows.least_kpa(41.0) == pytest.approx(290.0)
    assert lows.least_kpa(1000.0) is None
    lows.clear()
    assert lows.least_kpa(0.0) is None


def test_a_probe_is_settled_after_twenty_seconds_of_fresh_readings() -> None:
    recent = Recent(60.0)
    for i in range(11):
        recent.see(2.0 * i, 44.0 + i)
    assert recent.settled(20.0, 15.0)
    assert not recent.settled(40.0, 15.0)  # silent since
    assert (recent.middle(), recent.lowest()) == (49.0, 44.0)
    few = Recent(60.0)
    few.see(0.0, 44.0)
    assert not few.settled(0.0, 15.0)


def test_a_latch_lets_go_only_after_its_time_below_its_margin() -> None:
    latch = Latch(50.0)
    latch.see(0.0, 51.0, 3.0, 600.0)
    assert latch.on
    latch.see(10.0, 46.0, 3.0, 600.0)
    latch.see(300.0, 48.0, 3.0, 600.0)  # within the margin: the time begins anew
    latch.see(310.0, 46.0, 3.0, 600.0)
    latch.see(905.0, 46.0, 3.0, 600.0)
    assert latch.on
    latch.see(915.0, 46.0, 3.0, 600.0)
    assert not latch.on
