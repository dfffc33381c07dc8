"""Does bench time go on each second, at any rate, and is a pause or a wall step put into the log?"""

from __future__ import annotations

import asyncio
import functools
from collections import deque
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager

import pytest

from benchd.core.model import ClockStep, Gap, Input
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.health import stalled
from benchd.runtime.watch.mailbox import Advance, Mailbox
from benchd.runtime.watch.ticker import tick

RUN_ONCE: Callable[[asyncio.BaseEventLoop], None] = vars(asyncio.BaseEventLoop)["_run_once"]  # in no stub


class Box(Mailbox):
    """Keeps every item put, also those that are merged."""

    def __init__(self) -> None:
        super().__init__()
        self.all: list[Input | Advance] = []

    def put(self, item: Input | Advance) -> None:
        self.all.append(item)
        super().put(item)


class LeapingLoop(asyncio.SelectorEventLoop):
    """A loop with a time of its own: with nothing else to do it leaps to its next timer, whatever the machine does."""

    _ready: deque[asyncio.Handle]
    _scheduled: list[asyncio.TimerHandle]

    def __init__(self) -> None:
        self.at_s = 1000.0
        super().__init__()

    def time(self) -> float:
        return self.at_s

    def _run_once(self) -> None:
        if not self._ready and self._scheduled:
            self.at_s = max(self.at_s, self._scheduled[0].when())
        RUN_ONCE(self)


class Hands:
    """Monotonic time as the loop has it; it can leap, as it does for a process that was stopped."""

    def __init__(self) -> None:
        self.loop = asyncio.get_running_loop()
        self.leap_s = 0.0

    def __call__(self) -> float:
        return self.loop.time() + self.leap_s


@asynccontextmanager
async def ticking(clock: BenchClock, box: Mailbox) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(tick(clock, box))
    await asyncio.sleep(0)
    yield task
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


def leaping(test: Callable[..., Coroutine[None, None, None]]) -> Callable[..., None]:
    """The test, run on a loop whose time leaps."""

    @functools.wraps(test)
    def run(**given: object) -> None:
        with asyncio.Runner(loop_factory=LeapingLoop) as runner:
            runner.run(test(**given))

    return run


@leaping
async def test_each_whole_second_brings_one_advance() -> None:
    hands, box = Hands(), Box()
    async with ticking(BenchClock(rate=10.0, monotonic=hands, anchor_s=5000.3), box):
        await asyncio.sleep(0.56)
    assert [int(item.t) for item in box.all] == [5001, 5002, 5003, 5004, 5005]
    assert all(item.t % 1.0 < 0.9 for item in box.all)


@leaping
async def test_at_a_high_rate_several_seconds_go_in_one() -> None:
    hands, box = Hands(), Box()
    async with ticking(BenchClock(rate=1000.0, monotonic=hands), box):
        await asyncio.sleep(0.31)
    assert len(box.all) == 15  # 20 ms apart
    assert box.all[-1].t - box.all[0].t == pytest.approx(280.0)
    assert not [item for item in box.all if isinstance(item, Gap)]


@pytest.mark.parametrize("rate", [1.0, 50.0])
@leaping
async def test_a_pause_is_a_gap_from_the_last_tick_to_now(rate: float) -> None:
    hands, box = Hands(), Box()
    clock = BenchClock(rate=rate, monotonic=hands, wall=lambda: 1e9 + hands())
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


@leaping
async def test_a_short_delay_is_no_gap() -> None:
    hands, box = Hands(), Box()
    async with ticking(BenchClock(monotonic=hands, wall=lambda: 1e9 + hands()), box):
        hands.leap_s = 3.9
        await asyncio.sleep(1.05)
    assert box.all
    assert not [item for item in box.all if isinstance(item, Gap)]


@leaping
async def test_a_wall_step_is_written_once_with_its_offset() -> None:
    hands, box, wall = Hands(), Box(), {"offset_s": 1e9}
    async with ticking(BenchClock(monotonic=hands, wall=lambda: hands() + wall["offset_s"]), box):
        wall["offset_s"] += 3600.0
        await asyncio.sleep(2.1)
    steps = [item for item in box.all if isinstance(item, ClockStep)]
    assert [round(step.offset_s) for step in steps] == [3600]


async def test_what_goes_wrong_in_a_tick_comes_out_of_the_driver() -> None:
    class Broken(Mailbox):
        def put(self, item: Input | Advance) -> None:
            raise RuntimeError("mailbox gone")

    with pytest.raises(RuntimeError, match="mailbox gone"):
        await tick(BenchClock(rate=50.0), Broken())


def test_a_part_that_has_not_moved_is_named() -> None:
    health = Health(moved={"source": 100.0, "engine": 96.0, "journal": 94.9})
    assert stalled(health, 100.0) == ["journal"]
    assert stalled(health, 101.5) == ["engine", "journal"]
    assert stalled(Health(), 0.0) == ["source", "engine", "journal"]
    assert stalled(health, 100.0, parts=("source",)) == []
    slow = Health(moved=dict(health.moved), source_silent_s=600.0)  # a bench of radio thermometers alone
    assert "source" not in stalled(slow, slow.moved["source"] + 599.0)
    assert "source" in stalled(slow, slow.moved["source"] + 601.0)
    assert "engine" in stalled(slow, slow.moved["engine"] + 6.0)
