"""The mailbox: a queue that passes inputs to the engine in order and in bounded memory.

It is filled on the event loop.  Each input gets its place in the order as it is put: a time earlier than the last one
put is raised to it and counted; a mark keeps when it happened.  With a `sieve`, bad lines beyond a few a minute are
only counted.  When full, the oldest board line is dropped and counted; a mark or a status never is.  `advance(t)` asks
for ticks up to t without an input; it too keeps its place in the order.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchd.core.format.mark_form import raised
from benchd.core.model import Gap, Input, Line, RawLine
from benchd.runtime.watch.sieve import Sieve

CAPACITY = 4096


@dataclass(frozen=True, slots=True)
class Advance:
    """No input, only time: tick up to t."""

    t: float


class Mailbox:
    """The inbox; single event loop, many writers, one reader."""

    def __init__(self, capacity: int = CAPACITY, sieve: Sieve | None = None) -> None:
        self._items: deque[Input | Advance] = deque()
        self._capacity = capacity
        self._sieve = sieve
        self._wakeup = asyncio.Event()
        self._last_t = 0.0
        self.input_t = 0.0
        """When the last real input (not an Advance) was put [unix s]."""
        self.dropped = 0
        self.raised = 0
        self.closed = False

    def __len__(self) -> int:
        return len(self._items)

    def start_at(self, t: float) -> None:
        """Set the earliest time of inputs put from now on to t (what the journal already holds)."""
        self._last_t = max(self._last_t, t)

    def put(self, item: Input | Advance) -> None:
        """Queue one input; never blocks."""
        if item.t < self._last_t:
            item = replace(item, t=self._last_t) if isinstance(item, Advance) else raised(item, self._last_t)
            self.raised += 1
        self._last_t = item.t
        passed: Input | Advance | None = item
        if self._sieve is not None:
            for due in self._sieve.due(item.t):
                self._append(due)
            passed = item if isinstance(item, Advance) else self._sieve.sift(item)
        if passed is not None:
            self._append(passed)

    def _append(self, item: Input | Advance) -> None:
        if not isinstance(item, Advance):
            self.input_t = item.t
        if isinstance(item, Advance) and self._items and isinstance(self._items[-1], Advance):
            self._items[-1] = item
            return
        if len(self._items) >= self._capacity:
            self._drop_oldest_line()
        self._items.append(item)
        self._wakeup.set()

    def _drop_oldest_line(self) -> None:
        for index, old in enumerate(self._items):
            if isinstance(old, Line | RawLine):
                del self._items[index]
                self.dropped += 1
                return

    def close(self) -> None:
        """Accept no more inputs: `take` returns what is left, then always an empty list."""
        for rest in self._sieve.rest(self._last_t) if self._sieve is not None else ():
            self._append(rest)
        self.closed = True
        self._wakeup.set()

    async def take(self, most: int = 512) -> list[Input | Advance]:
        """Everything waiting, up to `most`, in order; waits for at least one unless closed."""
        while not self._items and not self.closed:
            self._wakeup.clear()
            await self._wakeup.wait()
        return [self._items.popleft() for _ in range(min(most, len(self._items)))]


def pause_first(batch: Sequence[Input | Advance]) -> list[Input | Advance]:
    """The batch with each Gap moved before what came after the pause: lines may be read before the pause is noticed."""
    out: list[Input | Advance] = []
    for item in batch:
        if not isinstance(item, Gap):
            out.append(item)
            continue
        at = next((i for i, other in enumerate(out) if other.t > item.since), len(out))
        t = out[at].t if at < len(out) else item.t
        out.insert(at, replace(item, t=min(item.t, t)))
    return out
