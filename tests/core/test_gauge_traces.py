"""What the small traces of a gauge tell: its pace, a sudden fall apart from a step, its lows, a settled probe."""

from __future__ import annotations

import math

import pytest

from benchd.core.seat.pressure_trace import PressureTrace
from benchd.watchers.air.steady import Latch, Recent
from benchd.watchers.hold.lows import Lows
from benchd.watchers.leak.pace import WARMTH_OF_ONSET, falls_one_by_one, pace_kpa_min, sudden_kpa_min


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
