"""Do a board's bytes become inputs through a real terminal device, and is every way of losing it told at once?"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import errno
import os
import resource
import socket
import threading
import time
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from pydantic import ValidationError
from serial.tools import list_ports

from benchd.core.intake.wire import encode
from benchd.core.model import Input, Line, RawLine, Status
from benchd.errors import SourceError
from benchd.runtime.clock import BenchClock
from benchd.runtime.serial import port as serial_port
from benchd.runtime.serial.board_clock import BoardClock
from benchd.runtime.watch.mailbox import CAPACITY, Mailbox
from benchd.sources import serial_lines
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


@pytest.fixture
def board() -> Iterator[Board]:
    found = Board()
    yield found
    found.unplug()


async def until(condition: Callable[[], bool], within_s: float = 5.0) -> float:
    """Wait until the condition holds; how many seconds that took."""
    start_s = time.monotonic()
    while not condition():
        assert time.monotonic() - start_s < within_s, "waited in vain"
        await asyncio.sleep(0.01)
    return time.monotonic() - start_s


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


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


# ------------------------------------------------------------------------------------------------------------ reading


async def test_whole_lines_become_inputs_with_their_arrival_time(board: Board) -> None:
    """Up is told once open; each whole line is one Line, in order, with bench time; half a line waits for its rest."""
    inbox, clock = Shelf(), BenchClock(anchor_s=1767607331.0)
    async with running(source_at(board.path, clock), inbox):
        await until(lambda: bool(inbox.items))
        before = clock.now()
        board.write(a_line(1) + a_line(2).replace(b"\n", b"\r\n") + a_line(3)[:20])
        await until(lambda: len(inbox.lines) == 2)
        board.write(a_line(3)[20:])
        await until(lambda: len(inbox.lines) == 3)
    assert inbox.items[0] == Status(inbox.items[0].t, "board", True, board.path)
    assert inbox.lines == [a_line(n).decode().rstrip("\n") for n in (1, 2, 3)]
    assert all(before <= i.t <= clock.now() for i in inbox.items[1:])
    assert all(i.source == "board" for i in inbox.items if isinstance(i, Line))


async def test_bad_bytes_comments_and_endless_lines(board: Board) -> None:
    """Not UTF-8 is kept as base64; a comment is kept aside; an endless line is dropped, counted and got over."""
    inbox, source = Shelf(), source_at(board.path)
    async with running(source, inbox):
        await until(lambda: bool(inbox.items))
        await asyncio.to_thread(board.write, b"# boot\n\xff\xfe\x00\n" + b"x" * 40_000 + b"\n" + a_line(9))
        await until(lambda: bool(inbox.lines))
    raw = [i for i in inbox.items if isinstance(i, RawLine)]
    assert [base64.b64decode(i.raw_b64) for i in raw] == [b"\xff\xfe\x00"]
    assert inbox.lines == [a_line(9).decode().rstrip("\n")]
    assert source.framer.too_long == 1
    assert list(source.framer.comments) == [b"# boot"]


async def test_what_waited_before_opening_is_thrown_away(board: Board) -> None:
    """Lines of before are not taken for lines of now."""
    board.write(a_line(1) + a_line(2)[:10])
    await asyncio.sleep(0.05)
    inbox = Shelf()
    async with running(source_at(board.path), inbox):
        await until(lambda: bool(inbox.items))
        board.write(a_line(7))
        await until(lambda: bool(inbox.lines))
    assert inbox.lines == [a_line(7).decode().rstrip("\n")]


async def test_a_flood_stays_bounded_and_the_newest_get_through(board: Board) -> None:
    """20,000 lines at once, nobody taking: the mailbox holds its bound, counts the rest, and the newest are there."""
    mailbox = Mailbox()
    flood = b"".join(a_line(n) for n in range(20_000))
    async with running(source_at(board.path), mailbox):
        await until(lambda: len(mailbox) == 1)
        start_s = time.monotonic()
        writer = threading.Thread(target=board.write, args=(flood,))
        writer.start()
        await until(lambda: mailbox.dropped + len(mailbox) == 20_001, within_s=20.0)
        took_s = time.monotonic() - start_s
        writer.join(5.0)
    assert len(mailbox) == CAPACITY
    items = await mailbox.take(CAPACITY)
    assert isinstance(items[0], Status)
    assert isinstance(items[-1], Line)
    assert items[-1].line == a_line(19_999).decode().rstrip("\n")
    assert 20_000 / took_s > 4000.0


# -------------------------------------------------------------------------------------------------------------- losing


async def test_unplugging_is_told_within_two_seconds_and_costs_no_cpu(board: Board) -> None:
    """A hang-up puts Status(up=False) and ends the run with SourceError; nothing spins."""
    inbox, source = Shelf(), source_at(board.path)
    task = asyncio.ensure_future(source.run(inbox))
    await until(lambda: bool(inbox.items))
    used_s = cpu_s()
    start_s = time.monotonic()
    board.unplug()
    with pytest.raises(SourceError, match=board.path):
        await asyncio.wait_for(task, 2.0)
    assert time.monotonic() - start_s < 2.0
    assert [(s.up, bool(s.why)) for s in inbox.statuses] == [(True, True), (False, True)]
    waiting = asyncio.ensure_future(source.run(inbox))
    await asyncio.sleep(1.0)
    assert not waiting.done()
    assert cpu_s() - used_s < 0.05 * (time.monotonic() - start_s)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert len(inbox.statuses) == 2


async def test_a_port_long_missing_is_told_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that waits for a missing name ends in SourceError when its patience does; its Status was put once."""
    monkeypatch.setattr(serial_lines, "PATIENCE_S", 0.6)
    inbox, source = Shelf(), source_at(str(tmp_path / "ttyACM9"))
    for least_s in (0.0, 0.6):
        start_s = time.monotonic()
        with pytest.raises(SourceError, match="no such port"):
            await source.run(inbox)
        assert least_s <= time.monotonic() - start_s < least_s + 1.0
    assert [s.up for s in inbox.statuses] == [False]


async def test_a_board_back_under_its_link_is_the_same_source(board: Board, tmp_path: Path) -> None:
    """Unplugged, and replugged under a new device name behind the same link: lost and back, each told once."""
    link = tmp_path / "by-id-mix-cup-probe"
    link.symlink_to(board.path)
    inbox, source = Shelf(), source_at(str(link))
    async with running(source, inbox) as first:
        await until(lambda: bool(inbox.items))
        board.write(a_line(1))
        await until(lambda: len(inbox.lines) == 1)
        link.unlink()
        board.unplug()
        assert await until(first.done) < 2.0
    async with running(source, inbox):
        await asyncio.sleep(0.6)
        again, spare = Board(), Board()
        link.symlink_to(spare.path)
        assert await until(lambda: inbox.statuses[-1].up) < 1.0
        spare.write(a_line(0))
        await until(lambda: len(inbox.lines) == 2)
    assert [s.up for s in inbox.statuses] == [True, False, True]
    assert {s.source for s in inbox.statuses} == {"board"}
    again.unplug()
    spare.unplug()


async def test_a_link_that_moves_while_the_old_device_lives_is_followed(board: Board, tmp_path: Path) -> None:
    """The name decides: if it leads to another device, the old one is given up within two seconds."""
    link, other = tmp_path / "probe", Board()
    link.symlink_to(board.path)
    inbox, source = Shelf(), source_at(str(link))
    async with running(source, inbox) as first:
        await until(lambda: bool(inbox.items))
        moved = tmp_path / "new"
        moved.symlink_to(other.path)
        moved.replace(link)
        assert await until(first.done) < 2.0
    async with running(source, inbox):
        await until(lambda: inbox.statuses[-1].up)
        other.write(a_line(5))
        await until(lambda: bool(inbox.lines))
    assert "another device" in inbox.statuses[1].why
    other.unplug()


@pytest.mark.parametrize(
    ("read", "why"),
    [
        (OSError(errno.EIO, "Input/output error"), "Input/output error"),
        (serial.SerialException("device reports readiness to read but returned no data"), "returned no data"),
        (b"", "hung up"),
    ],
    ids=["bare OSError", "SerialException", "nothing, for ever"],
)
async def test_three_shapes_of_hang_up(
    board: Board, monkeypatch: pytest.MonkeyPatch, read: OSError | bytes, why: str
) -> None:
    """However a driver says that the device is gone, the run ends at once and doesn't spin."""
    calls = 0

    def dead_read(fd: int, count: int) -> bytes:
        nonlocal calls
        calls += 1
        if isinstance(read, OSError):
            raise read
        return read

    inbox, source = Shelf(), source_at(board.path)
    task = asyncio.ensure_future(source.run(inbox))
    await until(lambda: bool(inbox.items))
    monkeypatch.setattr(serial_port, "os", SimpleNamespace(**{**vars(os), "read": dead_read}))
    board.write(b"x")
    with pytest.raises(SourceError, match=why):
        await asyncio.wait_for(task, 2.0)
    assert 1 <= calls <= 3


async def test_one_empty_read_is_no_hang_up(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """A read may find nothing once, the bytes having been flushed; the next line still comes."""
    empty = [b""]

    def read(fd: int, count: int) -> bytes:
        return empty.pop() if empty else os.read(fd, count)

    monkeypatch.setattr(serial_port, "os", SimpleNamespace(**{**vars(os), "read": read}))
    inbox = Shelf()
    async with running(source_at(board.path), inbox):
        await until(lambda: bool(inbox.items))
        board.write(a_line(1))
        await until(lambda: bool(inbox.lines))
    assert empty == []
    assert [s.up for s in inbox.statuses] == [True]


async def test_a_failing_inbox_is_not_taken_for_a_lost_board(board: Board) -> None:
    """An error of ours comes out as itself."""

    class Broken(Shelf):
        def put(self, item: Input) -> None:
            if isinstance(item, Line):
                raise ZeroDivisionError
            super().put(item)

    inbox = Broken()
    task = asyncio.ensure_future(source_at(board.path).run(inbox))
    await until(lambda: bool(inbox.items))
    board.write(a_line(1))
    with pytest.raises(ZeroDivisionError):
        await asyncio.wait_for(task, 2.0)


async def test_stopping_closes_the_port(board: Board) -> None:
    """Cancelled, the source leaves no descriptor and no lock behind."""
    before = len(os.listdir("/proc/self/fd"))
    inbox = Shelf()
    for times_open in range(1, 4):
        async with running(source_at(board.path), inbox):
            await until(lambda wanted=times_open: len(inbox.items) == wanted)  # type: ignore[misc]
    assert [s.up for s in inbox.statuses] == [True, True, True]
    assert len(os.listdir("/proc/self/fd")) == before


# ------------------------------------------------------------------------------------------------------------- opening


async def failure(source: SerialLines) -> tuple[str, list[Status]]:
    inbox = Shelf()
    with pytest.raises(SourceError) as refused:
        await asyncio.wait_for(source.run(inbox), 3.0)
    return str(refused.value), inbox.statuses


async def test_a_missing_port_says_to_plug_the_board_in(tmp_path: Path) -> None:
    """The first run fails at once, its Status put."""
    words, statuses = await failure(source_at(str(tmp_path / "ttyACM9")))
    assert words == f"{tmp_path}/ttyACM9: no such port. Plug the board in; `benchd init` lists the ports it finds."
    assert [(s.up, s.why) for s in statuses] == [(False, words)]


async def test_a_taken_port_says_so_and_is_free_again_after(board: Board) -> None:
    """Exclusive open: the second source is refused while the first runs, told once, and gets it afterwards."""
    first, second, late = Shelf(), source_at(board.path), Shelf()
    async with running(source_at(board.path), first):
        await until(lambda: bool(first.items))
        for told in (1, 0):
            words, statuses = await failure(second)
            assert "taken by another program" in words
            assert [s.up for s in statuses] == [False] * told
    async with running(second, late):
        await until(lambda: bool(late.items))
    assert late.statuses[0].up


async def test_no_permission_names_the_group(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused by the kernel, with the group that owns the device named (a pseudo-terminal: tty, or the user's own)."""
    import grp

    os.chmod(board.path, 0)
    if os.geteuid() == 0:
        os.seteuid(65534)  # root may open anything; another user may not
        try:
            words, _ = await failure(source_at(board.path))
        finally:
            os.seteuid(0)
    else:
        words, _ = await failure(source_at(board.path))
    assert "permission denied" in words
    assert f"to the group {grp.getgrgid(os.stat(board.path).st_gid).gr_name}," in words


async def test_what_is_no_serial_port_is_said(tmp_path: Path) -> None:
    """A plain file, an unknown URL and a dead address each end in SourceError with words, never in another error."""
    plain = tmp_path / "file"
    plain.write_text("x")
    closed = socket.create_server(("127.0.0.1", 0))
    address = f"socket://127.0.0.1:{closed.getsockname()[1]}"
    closed.close()
    for port in (str(plain), "nonsense://x", address):
        words, statuses = await failure(source_at(port))
        assert words.startswith(f"{port}: ")
        assert [s.up for s in statuses] == [False]


async def test_a_usb_id_is_found_under_any_name(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """usb:VID:PID opens the one board with these ids; two such need the serial number."""
    other = Board()

    def port(path: str, vid: int | None, pid: int | None, number: str | None) -> SimpleNamespace:
        return SimpleNamespace(device=path, vid=vid, pid=pid, serial_number=number)

    ports = [port(board.path, 0x1209, 0x0001, "A1"), port("/dev/none", None, None, None)]
    monkeypatch.setattr(list_ports, "comports", lambda: ports)
    for name in ("usb:1209:0001", "usb:1209:0001:A1"):
        inbox = Shelf()
        async with running(source_at(name), inbox):
            await until(lambda found=inbox: bool(found.items))  # type: ignore[misc]
            board.write(a_line(1))
            await until(lambda found=inbox: bool(found.lines))  # type: ignore[misc]
    words, _ = await failure(source_at("usb:1209:0002"))
    assert "no such port" in words
    ports.append(port(other.path, 0x1209, 0x0001, "B2"))
    words, _ = await failure(source_at("usb:1209:0001"))
    assert "Add the board's serial number" in words
    other.unplug()


@pytest.mark.parametrize("port", ["", "usb:12", "usb:1209:zzzz"])
def test_settings_refuse_what_is_no_port(port: str) -> None:
    """A USB id that is not whole is refused before anything is opened."""
    with pytest.raises(ValidationError):
        Settings(port=port)


# ---------------------------------------------------------------------------------------------------------------- URLs


async def test_a_socket_is_read_by_a_thread_and_its_end_is_told() -> None:
    """socket://: lines arrive within half a second; the far end's closing is a loss; the thread ends."""
    server = socket.create_server(("127.0.0.1", 0))
    inbox, source = Shelf(), source_at(f"socket://127.0.0.1:{server.getsockname()[1]}")
    task = asyncio.ensure_future(source.run(inbox))
    far, _ = await asyncio.get_running_loop().run_in_executor(None, server.accept)
    await until(lambda: bool(inbox.items))
    await asyncio.sleep(0.1)
    far.sendall(a_line(1) + a_line(2))
    assert await until(lambda: len(inbox.lines) == 2) < 0.5
    far.close()
    server.close()
    with pytest.raises(SourceError, match="gone"):
        await asyncio.wait_for(task, 2.0)
    assert [s.up for s in inbox.statuses] == [True, False]
    await until(lambda: not [t for t in threading.enumerate() if t.name == "serial-port"], within_s=2.0)


async def test_loop_url_in_bulk(monkeypatch: pytest.MonkeyPatch) -> None:
    """loop:// has no descriptor: 2,000 lines through the thread come whole and in order; stopping ends the thread."""
    made: list[serial.Serial] = []
    real = serial.serial_for_url

    def remembered(*args: Any, **kwargs: Any) -> serial.Serial:
        made.append(real(*args, **kwargs))
        return made[-1]

    monkeypatch.setattr(serial, "serial_for_url", remembered)
    inbox = Shelf()
    async with running(source_at("loop://", baud=4_000_000), inbox):
        await until(lambda: bool(inbox.items))
        await asyncio.sleep(0.1)
        stream = b"".join(a_line(n) for n in range(2000))
        for at in range(0, len(stream), 2000):
            made[0].write(stream[at : at + 2000])
            await asyncio.sleep(0)
        await until(lambda: len(inbox.lines) == 2000, within_s=15.0)
    assert inbox.lines == [a_line(n).decode().rstrip("\n") for n in range(2000)]
    await until(lambda: not [t for t in threading.enumerate() if t.name == "serial-port"], within_s=2.0)


# ---------------------------------------------------------------------------------------------------- the board's clock


def times(board: BoardClock, *lines: tuple[int, float | None, float]) -> list[tuple[float, str]]:
    """(t, why) for lines given as (seq, up, arrival)."""
    return [board.time_of(a_line(seq, up).decode().rstrip("\n"), now) for seq, up, now in lines]


def test_up_carries_the_time_not_the_arrival() -> None:
    """t = anchor + (up - up0), whatever the jitter of arrival; a line without up lags as the last one did."""
    got = times(BoardClock(True), (1, 50.0, 1000.0), (2, 51.0, 1001.7), (3, None, 1002.7), (4, 53.5, 1003.5))
    assert [t for t, _ in got] == pytest.approx([1000.0, 1001.0, 1002.0, 1003.5])
    assert [why for _, why in got] == ["", "", "", ""]


@pytest.mark.parametrize(
    ("second", "third", "why"),
    [
        ((2, 0.4, 1001.2), (3, 1.4, 1002.1), "up fell"),
        ((0, 51.0, 1001.2), (1, 52.0, 1002.1), "seq jumped back"),
        ((0, None, 1001.2), (1, 0.9, 1001.2), "seq jumped back"),
        ((2, 51.0, 1003.2), (3, 52.0, 1004.1), "drift +2.2 s"),
        ((2, 54.0, 1001.2), (3, 55.0, 1002.1), "drift -2.8 s"),
    ],
)
def test_the_anchor_is_set_anew(
    second: tuple[int, float | None, float], third: tuple[int, float | None, float], why: str
) -> None:
    """After a reset or more than 2 s of drift the arrival counts again, once, and says why."""
    got = times(BoardClock(True), (1, 50.0, 1000.0), second, third)
    assert got[1] == (second[2], why)
    assert got[2][0] == pytest.approx(second[2] + (third[1] or 0.0) - (second[1] or third[1] or 0.0))
    assert got[2][1] == ""


def test_drift_is_judged_in_real_seconds() -> None:
    """On a bench run 300 times faster than life, 500 bench seconds apart are 1.7 real ones: no drift."""
    lines = ((1, 0.0, 1000.0), (2, 100.0, 1600.0), (3, 200.0, 1750.0))
    assert [why for _, why in times(BoardClock(True, rate=300.0), *lines)] == ["", "", ""]
    assert [why for _, why in times(BoardClock(True, rate=1.0), *lines)][1:] == ["drift +500.0 s", "drift +50.0 s"]


def test_damaged_lines_move_no_anchor() -> None:
    """A line that cannot be understood gets the time of its arrival, less the lag, and changes nothing."""
    board = BoardClock(True)
    times(board, (1, 50.0, 1000.0), (2, 51.0, 1001.5))
    assert board.time_of("[garbage] 00000000", 1002.0) == (1001.5, "")
    assert times(board, (3, 52.0, 1002.0)) == [(1002.0, "")]


async def test_clock_up_through_the_port(board: Board) -> None:
    """With clock = "up" lines stand as far apart as the board says; a reset leaves a Status with the board's words."""
    inbox = Shelf()
    async with running(source_at(board.path, clock="up"), inbox):
        await until(lambda: bool(inbox.items))
        board.write(a_line(1, 100.0) + a_line(2, 100.5) + a_line(3, 101.25))
        await until(lambda: len(inbox.lines) == 3)
        board.write(b"# reset: brown-out\n" + a_line(0, 0.2))
        await until(lambda: len(inbox.lines) == 4)
    t = [i.t for i in inbox.items if isinstance(i, Line)]
    assert [t[1] - t[0], t[2] - t[1]] == pytest.approx([0.5, 0.75])
    assert inbox.statuses[-1].up
    assert inbox.statuses[-1].why == "re-anchored: up fell (# reset: brown-out)"
