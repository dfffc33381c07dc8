"""Does bench time go on each second, at any rate, and is a pause or a wall step put into the log?"""

from __future__ import annotations

import asyncio
import time
from contextlib import asynccontextmanager

import pytest

from benchd.core.model import ClockStep, Gap
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.health import stalled
from benchd.runtime.watch.mailbox import Advance, Mailbox
from benchd.runtime.watch.ticker import tick


class Box(Mailbox):
    """Keeps every item put, also those that are merged."""

    def __init__(self) -> None:
        super().__init__()
        self.all: list[object] = []

    def put(self, item) -> None:
        self.all.append(item)
        super().put(item)


class Jumping:
    """Monotonic time that can leap, as it does for a process that was stopped."""

    def __init__(self) -> None:
        self.leap_s = 0.0

    def __call__(self) -> float:
        return time.monotonic() + self.leap_s


@asynccontextmanager
async def ticking(clock: BenchClock, box: Mailbox):
    task = asyncio.create_task(tick(clock, box))
    await asyncio.sleep(0)
    yield task
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_each_whole_second_brings_one_advance() -> None:
    clock, box = BenchClock(rate=10.0), Box()
    async with ticking(clock, box):
        await asyncio.sleep(0.55)
    seconds = [int(item.t) for item in box.all]
    assert len(seconds) >= 4
    assert seconds == list(range(seconds[0], seconds[0] + len(seconds)))
    assert all(item.t % 1.0 < 0.9 for item in box.all)


async def test_at_a_high_rate_several_seconds_go_in_one() -> None:
    clock, box = BenchClock(rate=1000.0), Box()
    async with ticking(clock, box):
        await asyncio.sleep(0.3)
    assert 5 <= len(box.all) <= 16
    assert box.all[-1].t - box.all[0].t > 150
    assert not [item for item in box.all if isinstance(item, Gap)]


@pytest.mark.parametrize("rate", [1.0, 50.0])
async def test_a_pause_is_a_gap_from_the_last_tick_to_now(rate: float) -> None:
    hands = Jumping()
    clock, box = BenchClock(rate=rate, monotonic=hands, wall=lambda: 1e9 + hands()), Box()
    async with ticking(clock, box):
        await asyncio.sleep(0.05)
        before = clock.now()
        hands.leap_s = 300.0
        await asyncio.sleep(1.1)
    gaps = [item for item in box.all if isinstance(item, Gap)]
    assert len(gaps) == 1
    assert gaps[0].why == "paused"
    assert gaps[0].since <= before
    assert gaps[0].t - gaps[0].since == pytest.approx(300.0 * rate, abs=2.0 * rate)
    after = box.all[box.all.index(gaps[0]) + 1]
    assert isinstance(after, Advance)
    assert after.t == gaps[0].t


async def test_a_short_delay_is_no_gap() -> None:
    hands = Jumping()
    clock, box = BenchClock(monotonic=hands, wall=lambda: 1e9 + hands()), Box()
    async with ticking(clock, box):
        hands.leap_s = 3.9
        await asyncio.sleep(1.05)
    assert not [item for item in box.all if isinstance(item, Gap)]


async def test_a_wall_step_is_written_once_with_its_offset() -> None:
    wall = {"offset_s": 1e9}
    clock, box = BenchClock(wall=lambda: time.monotonic() + wall["offset_s"]), Box()
    async with ticking(clock, box):
        wall["offset_s"] += 3600.0
        await asyncio.sleep(2.1)
    steps = [item for item in box.all if isinstance(item, ClockStep)]
    assert [round(step.offset_s) for step in steps] == [3600]


async def test_what_goes_wrong_in_a_tick_comes_out_of_the_driver() -> None:
    class Broken(Mailbox):
        def put(self, item) -> None:
            raise RuntimeError("mailbox gone")

    with pytest.raises(RuntimeError, match="mailbox gone"):
        await tick(BenchClock(rate=50.0), Broken())


def test_a_part_that_has_not_moved_is_named() -> None:
    health = Health(moved={"source": 100.0, "engine": 96.0, "journal": 94.9})
    assert stalled(health, 100.0) == ["journal"]
    assert stalled(health, 101.5) == ["engine", "journal"]
    assert stalled(Health(), 0.0) == ["source", "engine", "journal"]
    assert stalled(health, 100.0, parts=("source",)) == []
