"""The boards on their ports: what each sends, what becomes of that, and what the daemon sends back."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from faultsim.benches import Spot
from faultsim.day import Day, Press
from faultsim.faults import Fault
from faultsim.world import World

from benchd.core.intake.wire import decode, encode
from benchd.runtime.serial.port import GoneError

BOOT_S = 1.5
BABBLE = b"~#\x00\xff{[b1-cup 23 \x7f" * 3


class SimBoard:
    """One board, number `index` of `boards`; outlives processes."""

    def __init__(self, world: World, day: Day, spot: Spot, index: int = 0, boards: int = 1) -> None:
        self.world, self.day, self.spot = world, day, spot
        self._index, self._boards = index, boards
        self.name: str | None = spot.tty
        self.port: SimPort | None = None
        self.heard: list[tuple[float, dict[str, Any]]] = []
        self.presses: dict[str, int] = {"short": 0, "long": 0, "double": 0}
        self.pressed = 0
        self._boot_s, self._seq, self._dark_until_s = world.t - 3.0, 0, 0.0
        self._period_s = 1.0 / day.courses[spot.source].rate_hz
        self._held: list[bytes] = []
        self._rng = world.stream("board" if not index else f"board {index}")
        for fault in filter(self._is_mine, world.faults):
            t = world.t + fault.at_s
            if fault.kind == "board-resets":
                world.at(t, lambda fault=fault: self._reset(fault))  # type: ignore[misc]
            if fault.kind in ("board-vanishes", "board-renamed"):
                world.at(t, self._vanish)
                world.at(world.t + fault.until_s, lambda kind=fault.kind: self._return(kind))  # type: ignore[misc]
        for press in day.presses if spot.has_switch else ():
            if press.by == "foot":
                world.at(world.t + press.at_s, lambda press=press: self._press(press))  # type: ignore[misc]
        world.at(world.t + 0.25 + 0.1 * index, self._beat)

    def _is_mine(self, fault: Fault) -> bool:
        """Whether a fault is this board's, of several."""
        return int(fault.luck * 997) % self._boards == self._index

    def on(self, kind: str) -> Fault | None:
        """The fault of this kind in force on this board."""
        return next(filter(self._is_mine, self.world.all_on(kind)), None)

    def _press(self, press: Press) -> None:
        if self.world.t >= self._dark_until_s:
            self.presses[press.verb] += 1
            self.pressed += 1

    def _beat(self) -> None:
        self.world.after(self._period_s, self._beat)
        if self.world.t < self._dark_until_s:
            return
        data = self._line()
        if self.on("board-babbles"):
            luck = self._rng.random()
            data = BABBLE * 5 + (b"\n" if luck < 0.5 else b"") + (data if luck < 0.7 else data[: int(30 * luck)])
        if self.on("board-stalls"):
            self._held.append(data)
            return
        self._send(b"".join([*self._held, data]))
        self._held.clear()

    def _line(self) -> bytes:
        values = self.day.at(self.spot, self.world.since_s)
        self._seq += 1
        up_s = round(self.world.t - self._boot_s, 3)
        records: list[Any] = [("seq", self._seq, None, None), ("up", up_s, None, "s")]
        records += [(name, value, None, unit) for name, (value, unit) in values.items()]
        if self.spot.has_switch:
            records += [(f"press-{how}", count, None, None) for how, count in self.presses.items()]
        return encode(records, board=self.spot.base)

    def _send(self, data: bytes) -> None:
        if self.port is not None:
            self.port.arrive(data)

    def _boots(self) -> None:
        self._boot_s, self._seq = self.world.t, 0
        self.presses = dict.fromkeys(self.presses, 0)

    def _reset(self, fault: Any) -> None:
        self.world.happens(fault)
        self._send(b"# board boots\n")
        self._boots()
        self._dark_until_s = self.world.t + BOOT_S

    def _vanish(self) -> None:
        self.name = None
        self._held.clear()
        if self.port is not None:
            self.port.gone("gone (hung up)")

    def _return(self, kind: str) -> None:
        if self.on("board-vanishes") is None or self.on("board-renamed") is None:
            self.name = self.spot.tty[:-1] + "1" if kind == "board-renamed" else self.spot.tty
            self._boots()

    # -- what the source asks

    def find(self, port: str) -> str | None:
        """Where the board's port is now."""
        return self.name

    def opened(self) -> SimPort:
        """Its open port."""
        self.port = SimPort(self)
        return self.port

    def luck(self) -> float:
        """A draw of the board's own."""
        return self._rng.random()

    def take(self, line: bytes) -> bool:
        """A line from the daemon."""
        if self.on("board-stalls") or self.name is None:
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
