"""Does a failing part come back, later each time, told each time, and never take the watch with it?"""

from __future__ import annotations

import asyncio
import sys

import pytest
from runtime.journal_fakes import until

from benchd.errors import SourceError
from benchd.runtime.watch.supervise import Backoff, PartState, describe, end, keep_running


class Part:
    """Fails as it is told to, one entry a run; the last entry says how it ends."""

    def __init__(self, *fates: object) -> None:
        self.fates = list(fates)
        self.states: list[PartState] = []
        self.pauses: list[float] = []
        self.now_s = 0.0

    async def run(self) -> None:
        fate = self.fates.pop(0)
        if isinstance(fate, float):
            self.now_s += fate
            raise SourceError("gone after a while")
        if isinstance(fate, BaseException):
            raise fate
        if fate == "exit":
            sys.exit(3)

    async def sleep(self, seconds: float) -> None:
        self.pauses.append(seconds)
        await asyncio.sleep(0)

    async def supervised(self, backoff: Backoff | None = None) -> None:
        await keep_running(
            "board",
            self.run,
            self.states.append,
            luck=lambda: 0.5,
            sleep=self.sleep,
            monotonic=lambda: self.now_s,
            backoff=backoff or Backoff(),
        )


async def test_it_restarts_with_pauses_that_double_up_to_a_cap() -> None:
    part = Part(*[SourceError("port gone")] * 9, "end")
    await part.supervised(backoff=Backoff(first_s=0.5, most_s=30.0))
    assert part.pauses == [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0]


async def test_each_change_is_told_with_its_reason() -> None:
    part = Part(SourceError("port gone"), "end")
    await part.supervised()
    assert part.states == [
        PartState("board", True),
        PartState("board", False, "SourceError: port gone", 0.5),
        PartState("board", True),
        PartState("board", False, "ended"),
    ]


async def test_a_good_minute_makes_the_pause_short_again() -> None:
    part = Part(1.0, 1.0, 1.0, 61.0, 1.0, "end")
    await part.supervised()
    assert part.pauses == [0.5, 1.0, 2.0, 0.5, 1.0]


def test_jitter_spreads_the_pauses_and_keeps_the_cap() -> None:
    backoff = Backoff(first_s=1.0, most_s=10.0, jitter=0.25)
    assert [backoff.pause_s(1, luck) for luck in (0.0, 0.5, 1.0)] == [0.75, 1.0, 1.25]
    assert backoff.pause_s(50, 1.0) == 10.0
    assert backoff.pause_s(10_000, 0.0) == 7.5


async def test_exit_a_group_of_errors_and_an_inner_cancel_are_failures_too() -> None:
    group = ExceptionGroup("both", [ValueError("a\nb"), KeyError("c")])
    part = Part("exit", group, asyncio.CancelledError(), "end")
    await part.supervised()
    whys = [state.why for state in part.states if state.retry_s is not None]
    assert whys == ["SystemExit: 3", "ValueError: a b", "cancelled from inside"]


async def test_a_cancel_of_the_watch_passes_through_at_once() -> None:
    started = asyncio.Event()

    async def forever() -> None:
        started.set()
        await asyncio.Event().wait()

    states: list[PartState] = []
    task = asyncio.create_task(keep_running("board", forever, states.append))
    await started.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert states == [PartState("board", True)]


async def test_a_cancel_during_the_pause_ends_it() -> None:
    states: list[PartState] = []

    async def fail() -> None:
        raise SourceError("gone")

    task = asyncio.create_task(
        keep_running("board", fail, states.append, backoff=Backoff(first_s=3600.0, most_s=3600.0))
    )
    await until(lambda: len(states) == 2)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_a_listener_that_raises_harms_nothing() -> None:
    runs: list[int] = []

    async def twice() -> None:
        runs.append(1)
        if len(runs) < 2:
            raise SourceError("once")

    def bad(state: PartState) -> None:
        raise RuntimeError("page gone")

    await keep_running("board", twice, bad, backoff=Backoff(first_s=0.001))
    assert len(runs) == 2


async def test_in_a_task_group_one_failing_part_leaves_the_others_alone() -> None:
    ticks: list[int] = []

    async def fails() -> None:
        raise OSError("no such port")

    async def works() -> None:
        while len(ticks) < 20:
            ticks.append(1)
            await asyncio.sleep(0.001)

    async with asyncio.TaskGroup() as group:
        failing = group.create_task(
            keep_running("bad", fails, lambda state: None, backoff=Backoff(first_s=0.001, most_s=0.002)), name="bad"
        )
        good = group.create_task(keep_running("good", works, lambda state: None), name="good")
        await good
        failing.cancel()
    assert len(ticks) == 20


def test_an_error_is_told_in_one_line() -> None:
    assert describe(SourceError("a\n b")) == "SourceError: a b"
    assert describe(TimeoutError()) == "TimeoutError"


async def test_a_part_whose_last_words_nobody_hears_is_ended_all_the_same() -> None:
    said: list[str] = []

    async def talks(words: int) -> None:
        try:
            await asyncio.Event().wait()
        finally:
            for _ in range(words):
                try:
                    await asyncio.Event().wait()
                except asyncio.CancelledError:
                    said.append("cut short")

    async def listens() -> None:
        await asyncio.Event().wait()

    tasks = [asyncio.create_task(talks(3)), asyncio.create_task(listens())]
    await asyncio.sleep(0)
    await end(tasks, within_s=0.01)
    assert all(task.done() for task in tasks)
    assert said == ["cut short"] * 3
    await end([])
