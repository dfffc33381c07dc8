"""A pseudo-terminal for a board, an inbox that keeps what it is given, and a source run between them."""

from __future__ import annotations

import asyncio
import contextlib
import os
import tty
from collections.abc import AsyncIterator
from typing import Any

from benchd.core.intake.wire import encode
from benchd.core.model import Input, Line, Status
from benchd.errors import SourceError
from benchd.runtime.clock import BenchClock
from benchd.sources.serial_lines import SerialLines, Settings, make


class Shelf:
    """An inbox that keeps what it is given."""

    def __init__(self) -> None:
        self.items: list[Input] = []

    def put(self, item: Input) -> None:
        self.items.append(item)

    @property
    def lines(self) -> list[str]:
        return [i.line for i in self.items if isinstance(i, Line)]

    @property
    def statuses(self) -> list[Status]:
        return [i for i in self.items if isinstance(i, Status)]


class Board:
    """The other end of a pseudo-terminal: what a board's USB cable is to the computer."""

    def __init__(self) -> None:
        self.fd, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.fd, data) :]

    def unplug(self) -> None:
        for fd in (self.fd, self._slave):
            with contextlib.suppress(OSError):
                os.close(fd)


def a_line(seq: int, up: float | None = None, cup_c: float = 23.1) -> bytes:
    return encode([("cup", cup_c, None, "Cel")], board="b1-", seq=seq, up=up)


def source_at(port: str, bench_clock: BenchClock | None = None, **settings: Any) -> SerialLines:
    return make(Settings(port=port, **settings), "board", bench_clock or BenchClock())


@contextlib.asynccontextmanager
async def running(source: SerialLines, inbox: Any) -> AsyncIterator[asyncio.Task[None]]:
    """The source's task while the block runs; its SourceError, if any, is the caller's to look at."""
    async with asyncio.TaskGroup() as group:
        task = group.create_task(swallowing(source, inbox))
        yield task
        task.cancel()


async def swallowing(source: SerialLines, inbox: Any) -> None:
    with contextlib.suppress(SourceError):
        await source.run(inbox)
