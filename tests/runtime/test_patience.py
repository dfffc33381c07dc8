"""Is a commit that hangs told after its time, and one that stood still with the whole process not?"""

from __future__ import annotations

import asyncio
import time

from benchd.runtime.watch.trouble import BEATS, Patience


async def test_what_hangs_is_told_once_after_its_time() -> None:
    told: list[float] = []
    begun_s = time.monotonic()
    Patience(0.08, lambda: told.append(time.monotonic() - begun_s))
    await asyncio.sleep(0.4)
    assert len(told) == 1
    assert told[0] >= 0.08


async def test_what_comes_in_time_is_not_told() -> None:
    told: list[int] = []
    patience = Patience(0.08, lambda: told.append(1))
    await asyncio.sleep(0.01)
    patience.cancel()
    await asyncio.sleep(0.2)
    assert told == []


async def test_a_pause_of_the_whole_process_counts_as_one_beat() -> None:
    """As a throttled computer: nothing runs for three times as long as is waited; then the answer comes soon."""
    told: list[int] = []
    most_s = 0.4
    patience = Patience(most_s, lambda: told.append(1))
    await asyncio.sleep(0)
    time.sleep(3.0 * most_s)  # noqa: ASYNC251  the pause itself
    await asyncio.sleep(most_s / BEATS)
    assert told == []
    patience.cancel()
