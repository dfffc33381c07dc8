"""The ticker: sends the engine one Advance each whole bench second, and a Gap when time was lost.

It runs from timer callbacks, not from a task: after the process was paused the callback runs before any task wakes, so
the Gap is in the mailbox before the engine steps a line that waited in a socket.

An engine without an input for a day stops ticking, so that a recording whose time leaps does not make it tick
endlessly.  A bench whose boards are unplugged is watched all the same: after hours without any input, the ticker puts
one that says only that the daemon is awake.
"""

from __future__ import annotations

import asyncio
import math

from benchd.core.model import ClockStep, Gap, Line
from benchd.runtime.clock import BenchClock
from benchd.runtime.watch.mailbox import Advance, Mailbox

PAUSE_S = 5.0  # wall seconds without a tick that count as a pause of the watch
LEAST_PERIOD_S = 0.02  # wall: at high rates one Advance covers several bench seconds
PAUSED = "paused"
AWAKE_EVERY_S = 6 * 3600.0  # a quarter of the engine's SILENCE_MOST_S
AWAKE = "awake"


class _Ticker:
    def __init__(self, clock: BenchClock, mailbox: Mailbox, failed: asyncio.Future[None]) -> None:
        self._clock, self._mailbox, self._failed = clock, mailbox, failed
        self._loop = asyncio.get_running_loop()
        self._last_t = clock.now()
        self._timer = self._loop.call_later(self._until_next_s(), self._tick)

    def stop(self) -> None:
        self._timer.cancel()

    def _until_next_s(self) -> float:
        now = self._clock.now()
        return max(LEAST_PERIOD_S, self._clock.wall_s(math.floor(now) + 1.0 - now))

    def _tick(self) -> None:
        try:
            self._put()
            self._timer = self._loop.call_later(self._until_next_s(), self._tick)
        except Exception as error:  # the loop would only log it, and time would stand still: `run` raises it
            if not self._failed.done():
                self._failed.set_exception(error)

    def _put(self) -> None:
        now = self._clock.now()
        if self._clock.wall_s(now - self._last_t) > PAUSE_S:
            self._mailbox.put(Gap(now, self._last_t, PAUSED))
        offset_s = self._clock.wall_step_s()
        if offset_s is not None:
            self._mailbox.put(ClockStep(now, offset_s))
        if 0.0 < self._mailbox.input_t <= now - AWAKE_EVERY_S:
            self._mailbox.put(Line(now, "benchd", '[{"n":"awake","v":1}]', topic=AWAKE))
        if math.floor(now) > math.floor(self._last_t):
            self._mailbox.put(Advance(now))
        self._last_t = now


async def tick(clock: BenchClock, mailbox: Mailbox) -> None:
    """Drive bench time until cancelled."""
    failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
    ticker = _Ticker(clock, mailbox, failed)
    try:
        await failed
    finally:
        ticker.stop()
