"""Is bench time steady whatever the wall clock does?"""

from __future__ import annotations

import pytest

from benchd.runtime.clock import BenchClock


class Hands:
    """A wall clock and a monotonic one, moved by hand."""

    def __init__(self, wall_s: float = 1_767_607_331.0) -> None:
        self.wall_s, self.monotonic_s = wall_s, 50.0

    def go(self, seconds: float) -> None:
        self.wall_s += seconds
        self.monotonic_s += seconds

    def clock(self, **options: float) -> BenchClock:
        return BenchClock(monotonic=lambda: self.monotonic_s, wall=lambda: self.wall_s, **options)


def test_it_starts_at_the_wall_clock_and_goes_on_with_monotonic_time() -> None:
    hands = Hands()
    clock = hands.clock()
    hands.go(12.5)
    assert clock.now() == 1_767_607_343.5


@pytest.mark.parametrize("step_s", [3600.0, -7200.0, 1_767_000_000.0])
def test_a_wall_step_never_moves_bench_time_and_is_told_once(step_s: float) -> None:
    hands = Hands()
    clock = hands.clock()
    hands.go(10.0)
    before = clock.now()
    hands.wall_s += step_s
    assert clock.now() == before
    assert clock.wall_step_s() == step_s
    assert clock.wall_step_s() is None
    assert clock.offset_s == step_s
    hands.go(5.0)
    assert clock.now() == before + 5.0
    assert clock.wall_step_s() is None


def test_drift_below_two_seconds_is_no_step() -> None:
    hands = Hands()
    clock = hands.clock()
    hands.wall_s += 1.9
    assert clock.wall_step_s() is None
    hands.wall_s += 0.2
    assert clock.wall_step_s() == pytest.approx(2.1, abs=1e-6)


def test_a_wall_clock_that_woke_up_in_1970_starts_at_what_the_journal_knows() -> None:
    hands = Hands(wall_s=12.0)
    clock = hands.clock(not_before_s=1_767_607_331.0)
    assert clock.now() == 1_767_607_331.0
    assert clock.wall_step_s() is None
    hands.wall_s = 1_767_607_400.0
    assert clock.wall_step_s() == 69.0


def test_at_a_rate_bench_time_runs_faster_and_wall_steps_do_not_count() -> None:
    hands = Hands()
    clock = hands.clock(rate=300.0, anchor_s=1000.0)
    hands.go(2.0)
    assert clock.now() == 1600.0
    assert clock.wall_s(600.0) == 2.0
    hands.wall_s += 3600.0
    assert clock.wall_step_s() is None
