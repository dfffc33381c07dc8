"""Plays a damaged recording through the serial source and the engine as a bench would: no process, no wall clock.

Lines go in at a port of the test's own whose clock stands at each line's arrival, so that the source's clock is judged
too.  Between arrivals the engine's seconds go on, as the daemon's ticker has them do (runtime/watch/ticker.py): a line
that comes late finds an engine that has been told of the seconds since.
"""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any
from unittest.mock import patch

from damage.lines import Sent
from damage.subjects import Subject

from benchd.core.engine import Engine
from benchd.core.findings import Effect
from benchd.core.model import Input, Reading, Status
from benchd.errors import SourceError
from benchd.plugins import watcher_plan
from benchd.runtime.clock import BenchClock
from benchd.runtime.serial.port import GoneError, Take
from benchd.sources import serial_lines

AFTER_S = 3.0  # the engine's seconds go on so long after the last line


@dataclass
class _Arrivals:
    """A port that delivers each line at its moment, setting the bench's clock."""

    lines: Sequence[tuple[float, bytes]]
    now: float

    async def pump(self, take: Take) -> None:
        for now, raw in self.lines:
            self.now = now
            take(raw)
        raise GoneError("the recording has ended")

    def offer(self, line: bytes) -> bool:
        return False

    def close(self) -> None:
        return


@dataclass
class _Inbox:
    """Each input with the moment it was put [unix s]."""

    port: _Arrivals
    items: list[tuple[float, Input]] = field(default_factory=list)

    def put(self, item: Input, /) -> None:
        self.items.append((self.port.now, item))


def received(start_t: float, lines: Iterable[Sent], clock: str = "") -> list[tuple[float, Input]]:
    """(arrival [unix s], input) of each line, as the source puts them; `clock` as in bench.toml, "" for its default."""
    port = _Arrivals([(start_t + x.arrives_s, x.text.encode() + b"\n") for x in lines], start_t)
    inbox = _Inbox(port)
    bench_clock = BenchClock(anchor_s=start_t, monotonic=lambda: port.now, wall=lambda: port.now)
    keys: dict[str, Any] = {"port": "socket://test"} | ({"clock": clock} if clock else {})
    source = serial_lines.make(serial_lines.Settings(**keys), "board", bench_clock)

    async def opened(port_name: str, baud: int) -> _Arrivals:
        return port

    with patch.object(serial_lines, "open_port", opened), contextlib.suppress(SourceError):
        asyncio.run(source.run(inbox))
    return [x for x in inbox.items if not (isinstance(x[1], Status) and not x[1].up)]


def replayed(made: Subject, lines: Iterable[Sent], clock: str = "") -> list[Effect]:
    """Everything the watch made of these arrivals, readings left out."""
    engine, effects = Engine(watcher_plan), list[Effect]()
    for known in made.head:
        engine.step(known)
    marks = [(mark.t, 1, i, mark) for i, mark in enumerate(made.marks)]
    inputs = [(at, 0, i, item) for i, (at, item) in enumerate(received(made.start_t, lines, clock))]
    for at, _, _, item in heapq.merge(inputs, marks, key=lambda x: x[:3]):
        effects += engine.advance(float(math.floor(at)))
        effects += engine.step(item)
    effects += engine.advance(made.start_t + made.body.at.end_s + AFTER_S)
    return [e for e in effects if not isinstance(e, Reading)]
