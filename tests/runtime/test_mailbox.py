"""Do inputs come out in order, bounded, with nothing lost that a person said?"""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.model import Line, Mark, RawLine, Status
from benchd.runtime.watch.mailbox import CAPACITY, Advance, Mailbox

T0 = 1_767_607_331.0


def line(n: float) -> Line:
    return Line(T0 + n, "board", str(n))


async def test_items_come_out_in_order_up_to_the_number_asked_for() -> None:
    box = Mailbox()
    for n in range(5):
        box.put(line(n))
    assert [item.t - T0 for item in await box.take(3)] == [0, 1, 2]
    assert [item.t - T0 for item in await box.take(3)] == [3, 4]


async def test_take_waits_for_the_first_item() -> None:
    box = Mailbox()
    task = asyncio.create_task(box.take())
    await asyncio.sleep(0.01)
    assert not task.done()
    box.put(line(1))
    assert await task == [line(1)]


async def test_a_late_mark_keeps_when_it_happened() -> None:
    """Raised twice, it has happened when it did at first."""
    box = Mailbox()
    box.start_at(T0 + 10)
    box.put(Mark(t=T0 + 4, verb="mix"))
    box.put(Mark(t=T0 + 5, verb="poured", at=T0 + 3))
    assert await box.take() == [Mark(t=T0 + 10, verb="mix", at=T0 + 4), Mark(t=T0 + 10, verb="poured", at=T0 + 3)]


async def test_a_time_below_the_last_is_raised_to_it_and_counted() -> None:
    box = Mailbox()
    box.start_at(T0 + 1)
    for n in (0, 5, 3, 6):
        box.put(line(n))
    assert [item.t - T0 for item in await box.take()] == [1, 5, 5, 6]
    assert box.raised == 2


async def test_when_full_the_oldest_line_goes_never_a_mark_or_a_status() -> None:
    box = Mailbox(capacity=4)
    mark, status = Mark(t=T0, verb="mix"), Status(T0, "board", True)
    for item in (mark, status, RawLine(T0, "board", "//8="), line(1), line(2), line(3)):
        box.put(item)
    assert await box.take() == [mark, status, line(2), line(3)]
    assert box.dropped == 2


async def test_a_flood_keeps_to_the_capacity() -> None:
    box = Mailbox()
    for n in range(CAPACITY + 1000):
        box.put(line(n))
    assert (len(box), box.dropped) == (CAPACITY, 1000)


async def test_advances_that_follow_one_another_become_one() -> None:
    box = Mailbox()
    for item in (Advance(T0), Advance(T0 + 1), line(2), Advance(T0 + 3), Advance(T0 + 4)):
        box.put(item)
    assert await box.take() == [Advance(T0 + 1), line(2), Advance(T0 + 4)]


async def test_closed_it_gives_what_is_left_then_nothing_for_ever() -> None:
    box = Mailbox()
    box.put(line(1))
    box.close()
    assert await box.take() == [line(1)]
    assert await box.take() == []
    assert await box.take() == []


async def test_closing_wakes_who_waits() -> None:
    box = Mailbox()
    task = asyncio.create_task(box.take())
    await asyncio.sleep(0)
    box.close()
    assert await task == []


@pytest.mark.filterwarnings("error")
@given(st.lists(st.floats(0, 100), max_size=40), st.integers(1, 10))
def test_whatever_is_put_times_never_fall_and_memory_is_bounded(times: list[float], capacity: int) -> None:
    async def go() -> tuple[list[float], int]:
        box = Mailbox(capacity)
        for t in times:
            box.put(line(t))
        box.close()
        return [item.t for item in await box.take(1000)], box.dropped

    out, dropped = asyncio.run(go())
    assert out == sorted(out)
    assert len(out) == min(len(times), capacity)
    assert len(out) + dropped == len(times)
