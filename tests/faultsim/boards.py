"""The board on its port: what it sends each second, what becomes of that, and what the daemon sends back."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Callable
from typing import Any

from faultsim.day import Day
from faultsim.world import World

from benchd.core.intake.wire import decode, encode
from benchd.errors import SourceError
from benchd.runtime.serial.port import GoneError

BOOT_S = 1.5
PORT = "usb:2e8a:000a"
BABBLE = b"~#\x00\xff{[b1-cup 23 \x7f" * 3


class SimBoard:
    """One board; outlives processes."""

    def __init__(self, world: World, day: Day) -> None:
        self.world, self.day = world, day
        self.name: str | None = "/dev/ttyACM0"
        self.port: SimPort | None = None
        self.heard: list[tuple[float, dict[str, Any]]] = []
        self._boot_s, self._seq, self._dark_until_s = world.t - 3.0, 0, 0.0
        self._held: list[bytes] = []
        self._rng = world.stream("board")
        for fault in world.faults:
            t = world.t + fault.at_s
            if fault.kind == "board-resets":
                world.at(t, lambda fault=fault: self._reset(fault))  # type: ignore[misc]
            if fault.kind in ("board-vanishes", "board-renamed"):
                world.at(t, self._vanish)
                world.at(world.t + fault.until_s, lambda kind=fault.kind: self._return(kind))  # type: ignore[misc]
        world.at(world.t + 0.25, self._second)

    def _second(self) -> None:
        self.world.after(1.0, self._second)
        if self.world.t < self._dark_until_s:
            return
        data = self._line()
        if self.world.on("board-babbles"):
            luck = self._rng.random()
            data = BABBLE * 5 + (b"\n" if luck < 0.5 else b"") + (data if luck < 0.7 else data[: int(30 * luck)])
        if self.world.on("board-stalls"):
            self._held.append(data)
            return
        self._send(b"".join([*self._held, data]))
        self._held.clear()

    def _line(self) -> bytes:
        values = self.day.at(self.world.since_s)
        self._seq += 1
        up_s = round(self.world.t - self._boot_s, 3)
        records: list[Any] = [("seq", self._seq, None, None), ("up", up_s, None, "s")]
        records += [(name, value, None, unit) for name, (value, unit) in values.items()]
        return encode(records, board="b1-")

    def _send(self, data: bytes) -> None:
        if self.port is not None:
            self.port.arrive(data)

    def _reset(self, fault: Any) -> None:
        self.world.happens(fault)
        self._send(b"# board boots\n")
        self._boot_s, self._seq, self._dark_until_s = self.world.t, 0, self.world.t + BOOT_S

    def _vanish(self) -> None:
        self.name = None
        self._held.clear()
        if self.port is not None:
            self.port.gone("gone (hung up)")

    def _return(self, kind: str) -> None:
        if self.world.on("board-vanishes") is None or self.world.on("board-renamed") is None:
            self.name = "/dev/ttyACM1" if kind == "board-renamed" else "/dev/ttyACM0"
            self._boot_s, self._seq = self.world.t, 0

    # -- what the source asks

    def find(self, port: str) -> str | None:
        """Where the board's port is now."""
        return self.name

    async def open(self, port: str, baud: int) -> SimPort:
        """The open port."""
        await asyncio.sleep(0.01)
        if self.name is None:
            raise SourceError(f"{port}: no such port") from FileNotFoundError(errno.ENOENT, "not there")
        self.port = SimPort(self)
        return self.port

    def luck(self) -> float:
        """A draw of the board's own."""
        return self._rng.random()

    def take(self, line: bytes) -> bool:
        """A line from the daemon."""
        if self.world.on("board-stalls") or self.name is None:
            return False
        reading = decode(line.decode().strip(), checked=True)
        self.heard.append((self.world.since_s, {"line": line.decode().strip(), "read": reading}))
        self.world.note("board hears", line)
        return True


class SimPort:
    """An open port (runtime.serial.port.Port) in one life of the process."""

    def __init__(self, board: SimBoard) -> None:
        self._board = board
        self._loop = asyncio.get_running_loop()
        self._gone: asyncio.Future[str] = self._loop.create_future()
        self._take: Callable[[bytes], None] | None = None

    async def pump(self, take: Callable[[bytes], None]) -> None:
        """Hand on what arrives; ends by GoneError."""
        self._take = take
        raise GoneError(await self._gone)

    def arrive(self, data: bytes) -> None:
        """Bytes, as the loop's reader gets them."""
        self._loop.call_soon_threadsafe(self._read, data)

    def _read(self, data: bytes) -> None:
        if self._take is None or self._gone.done():
            return
        try:
            if self._board.world.on("memory-refused") and self._board.luck() < 0.05:
                raise MemoryError
            self._take(data)
        except Exception as error:  # as FilePort does
            self._gone.set_exception(error)

    def gone(self, why: str) -> None:
        """The plug is out."""
        self._loop.call_soon_threadsafe(self._hung_up, why)

    def _hung_up(self, why: str) -> None:
        if not self._gone.done():
            self._gone.set_result(why)

    def offer(self, line: bytes) -> bool:
        """Send a line to the board."""
        return self._board.port is self and self._board.take(line)

    def close(self) -> None:
        """Closed."""
        if self._board.port is self:
            self._board.port = None
