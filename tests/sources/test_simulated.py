"""Does the simulated source put a rehearsal's lines and marks into the inbox in step with the bench clock?"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest
from pydantic import ValidationError

from benchd.core.model import Input, Line, Mark, RawLine, Status
from benchd.errors import SettingsError
from benchd.runtime.clock import BenchClock
from benchd.sources import simulated

ANCHOR_T = 1767607200.0
SHORT = """
[scenario]
lead_s = 5
end_s = 40
[[lot]]
code = "R-07"
[[act]]
at = -4
do = "board_unplug"
for_s = 1
[[act]]
at = 0
do = "mix"
cup = "cup-1"
lot = "R-07"
a_g = 53
b_g = 47
way = "typed"
[[act]]
at = 20
do = "board_garbage"
for_s = 10
"""


class Inbox:
    def __init__(self) -> None:
        self.items: list[Input] = []

    def put(self, item: Input, /) -> None:
        self.items.append(item)


@pytest.fixture
def short(tmp_path: Path) -> str:
    path = tmp_path / "short.toml"
    path.write_text(SHORT, "utf-8")
    return str(path)


async def test_a_whole_rehearsal_arrives(short: str) -> None:
    clock = BenchClock(rate=200.0, anchor_s=ANCHOR_T)
    inbox = Inbox()
    await simulated.make(simulated.Settings(scenario=short), "sim", clock).run(inbox)
    start_t = inbox.items[0].t
    lines = [i for i in inbox.items if isinstance(i, Line)]
    assert isinstance(inbox.items[0], Status)
    assert [i.up for i in inbox.items if isinstance(i, Status)] == [True, False, True, False]
    assert inbox.items[-1].t == start_t + 45.0
    assert all(i.source == "sim" for i in lines)
    assert 100 < len(lines) <= 181
    assert any(isinstance(i, RawLine) for i in inbox.items)
    first = json.loads(lines[0].line.rsplit(" ", 1)[0])
    assert first[0] == {"bn": "b1-", "n": "seq", "v": 0}
    (mark,) = [i for i in inbox.items if isinstance(i, Mark)]
    assert (mark.verb, mark.cup, mark.lot, mark.a_g, mark.t) == ("mix", "cup-1", "R-07", 53.0, start_t + 5.0)
    assert mark.id
    assert mark.by == "sim"


async def test_lines_come_no_earlier_than_their_time(short: str) -> None:
    clock = BenchClock(rate=100.0, anchor_s=ANCHOR_T)
    late: list[float] = []

    class Watching(Inbox):
        def put(self, item: Input, /) -> None:
            late.append(clock.now() - item.t)
            super().put(item)

    await simulated.make(simulated.Settings(scenario=short), "sim", clock).run(Watching())
    assert min(late) > -0.01
    assert len(late) > 100


async def test_speed_counts_in_bench_time(short: str) -> None:
    """At speed 1000 with a bench clock at life's pace 45 s of scenario are over sooner, stamps unsqueezed."""
    clock, inbox = BenchClock(anchor_s=ANCHOR_T), Inbox()
    await asyncio.wait_for(simulated.make(simulated.Settings(scenario=short, speed=1000.0), "s", clock).run(inbox), 20)
    assert clock.now() - ANCHOR_T < 20.0
    assert inbox.items[-1].t - inbox.items[0].t == 45.0


async def test_it_stops_when_cancelled_and_leaves_no_task() -> None:
    before = asyncio.all_tasks()
    third = asyncio.Event()

    class Counting(Inbox):
        def put(self, item: Input, /) -> None:
            super().put(item)
            if len(self.items) == 3:
                third.set()

    task = asyncio.create_task(simulated.make(simulated.Settings(), "sim", BenchClock()).run(Counting()))
    await third.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert asyncio.all_tasks() == before


async def test_the_loop_gets_its_turn_when_far_behind(short: str) -> None:
    """A source a thousand times too slow for its clock must not starve the others."""
    turns = 0

    async def other() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    task = asyncio.create_task(other())
    clock = BenchClock(rate=1e6, anchor_s=ANCHOR_T)
    source = simulated.make(simulated.Settings(scenario=short), "sim", clock)
    inbox = Inbox()
    await source.run(inbox)
    task.cancel()
    assert len(inbox.items) > 100
    assert turns >= 181 // simulated.FRAMES_AT_ONCE


def test_settings_are_strict() -> None:
    with pytest.raises(ValidationError):
        simulated.Settings(speed=0.0)
    with pytest.raises(ValidationError):
        simulated.Settings.model_validate({"kind": "simulated", "loops": 3})
    with pytest.raises(SettingsError, match="no such scenario"):
        simulated.make(simulated.Settings(scenario="load-9000"), "sim", BenchClock())
