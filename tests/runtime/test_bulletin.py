"""Does every listener hear events in order and the newest state, and does a slow one harm only itself?"""

from __future__ import annotations

import asyncio

from benchd.core.findings import BenchNotice
from benchd.core.model import Alert, Card, MarkAnswer, Reading, Subject, Utterance
from benchd.runtime.bulletin import Bulletin, Posted

POT = Subject(bench="north", pot="barrel")


def reading(value: float, channel: str = "cup-1-temperature") -> Posted:
    return Posted(Reading(1.0, channel, "cup_temperature", "cup-1", value, value))


def notice(number: int) -> Posted:
    return Posted(BenchNotice(t=float(number), subject=POT, what="gap", why=str(number)), number)


async def test_events_come_in_order_and_states_newest_only() -> None:
    bulletin = Bulletin()
    ear = bulletin.subscribe()
    bulletin.post([reading(20.0), notice(1), reading(21.0), notice(2), reading(5.0, "room-temperature")])
    assert await ear.batch() == [notice(1), notice(2), reading(21.0), reading(5.0, "room-temperature")]


async def test_a_slow_listener_loses_its_oldest_events_counted_and_no_other_does() -> None:
    bulletin = Bulletin()
    slow, quick = bulletin.subscribe(limit=3), bulletin.subscribe()
    bulletin.post([notice(n) for n in range(1, 11)])
    assert [p.id for p in await slow.batch()] == [8, 9, 10]
    assert slow.dropped == 7
    assert [p.id for p in await quick.batch()] == list(range(1, 11))
    assert quick.dropped == 0


async def test_state_of_a_sleeping_listener_does_not_grow() -> None:
    bulletin = Bulletin()
    ear = bulletin.subscribe()
    for n in range(10_000):
        bulletin.post([reading(float(n))])
    assert await ear.batch() == [reading(9999.0)]
    assert ear.dropped == 0


async def test_a_batch_waits_for_something_new() -> None:
    bulletin = Bulletin()
    ear = bulletin.subscribe()
    task = asyncio.create_task(ear.batch())
    await asyncio.sleep(0.01)
    assert not task.done()
    bulletin.post([notice(1)])
    assert await task == [notice(1)]


async def test_iterating_gives_one_after_the_other() -> None:
    bulletin = Bulletin()
    ear = bulletin.subscribe()
    bulletin.post([notice(1), notice(2)])
    got = []
    async for posted in ear:
        got.append(posted.id)
        if len(got) == 2:
            break
    assert got == [1, 2]


async def test_who_left_hears_nothing_more_and_may_leave_twice() -> None:
    bulletin = Bulletin()
    ear, other = bulletin.subscribe(), bulletin.subscribe()
    bulletin.unsubscribe(ear)
    bulletin.unsubscribe(ear)
    bulletin.post([notice(1)])
    assert await other.batch() == [notice(1)]
    assert not ear._events


def test_the_present_state_is_kept_by_kind() -> None:
    bulletin = Bulletin()
    on = Alert(t=1.0, alert="pot-leaking", active=True, heard=False, priority=2, subject=POT)
    off = Alert(t=2.0, alert="pot-leaking", active=False, heard=False, priority=2, subject=POT)
    said = Utterance(t=1.0, say="Lid now", priority=2, tone="two", say_until=9.0, subject=POT)
    card = Card(t=1.0, of="pot", id="barrel", body={"kpa": 276.0})
    answer = MarkAnswer(t=1.0, id="m1", verb="mix", ok=True, why="")
    bulletin.post([Posted(e, 1) for e in (on, off, said, card, answer)] + [reading(20.0), notice(7)])
    assert bulletin.alerts == {("pot-leaking", "barrel"): off}
    assert list(bulletin.said) == [said]
    assert bulletin.cards == {("pot", "barrel"): card}
    assert list(bulletin.answers) == [answer]
    assert bulletin.readings["cup-1-temperature"].value == 20.0
    assert [f.t for f in bulletin.findings] == [7.0]


async def test_a_listener_to_events_alone_is_not_woken_by_states() -> None:
    bulletin = Bulletin()
    ear, all_ears = bulletin.subscribe(events_only=True), bulletin.subscribe()
    waiting = asyncio.create_task(ear.batch())
    bulletin.post([reading(20.0)])
    bulletin.post_states([reading(21.0).effect])
    assert await all_ears.batch() == [reading(21.0)]
    assert not waiting.done()
    bulletin.post([reading(22.0), notice(1)])
    assert await waiting == [notice(1)]


async def test_of_many_states_at_once_the_newest_counts() -> None:
    bulletin = Bulletin()
    ear = bulletin.subscribe()
    bulletin.post_states([reading(float(n), name).effect for n in range(100) for name in ("a", "b")])
    assert await ear.batch() == [reading(99.0, "a"), reading(99.0, "b")]
    assert [r.value for r in bulletin.readings.values()] == [99.0, 99.0]
