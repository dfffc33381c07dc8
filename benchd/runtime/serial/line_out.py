"""Sends a line out of a port that may not take it: whole or not at all, and nobody ever waits for the board.

A board that does not read fills the port's buffer; from then on lines are refused until it reads again.  A line the
port took only a part of is finished as room comes, since half a line would spoil the next one too.
"""

from __future__ import annotations

import asyncio
import os


class LineOut:
    """Lines out of a file descriptor, on the event loop."""

    def __init__(self, fd: int) -> None:
        os.set_blocking(fd, False)
        self._fd = fd
        self._rest = b""
        self._loop = asyncio.get_running_loop()

    def offer(self, line: bytes) -> bool:
        """Write a line; False when the port takes nothing just now or is gone."""
        if self._rest:
            return False
        took = self._write(line)
        if took == 0:
            return False
        self._rest = line[took:]
        if self._rest:
            self._loop.add_writer(self._fd, self._finish)
        return True

    def _write(self, data: bytes) -> int:
        try:
            return os.write(self._fd, data)
        except OSError:  # full, or gone: reading finds that out and tells it
            return 0

    def _finish(self) -> None:
        self._rest = self._rest[self._write(self._rest) :]
        if not self._rest:
            self._loop.remove_writer(self._fd)

    def close(self) -> None:
        """Nothing more goes out; the port itself is its owner's."""
        self._loop.remove_writer(self._fd)
