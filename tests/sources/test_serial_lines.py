"""Do a board's bytes become inputs through a real terminal device, and is every way of losing it told at once?"""

from __future__ import annotations

import asyncio
import base64
import errno
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial
from phone import until
from sources.serial_board import Board, Shelf, a_line, running, source_at

from benchd.core.model import Input, Line, RawLine, Status
from benchd.errors import SourceError
from benchd.runtime.clock import BenchClock
from benchd.runtime.serial import port as serial_port
from benchd.runtime.watch.mailbox import CAPACITY, Mailbox
from benchd.sources import serial_lines


@pytest.fixture
def board() -> Iterator[Board]:
    found = Board()
    yield found
    found.unplug()


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


async def test_a_boards_last_words_about_itself_are_quoted(board: Board) -> None:
    """Its banner or the cause of its restart, before its next line; a board that chatters on is not quoted on."""
    inbox = Shelf()
    async with running(source_at(board.path), inbox):
        await until(lambda: bool(inbox.items))
        board.write(a_line(1))
        await until(lambda: len(inbox.lines) == 1)
        board.write(b"# board boots\n# reset: brown-out\x1b\n" + a_line(0))
        await until(lambda: len(inbox.lines) == 2)
        board.write(b"# and again\n" + a_line(1))
        await until(lambda: len(inbox.lines) == 3)
    said = [item.why if isinstance(item, Status) else "line" for item in inbox.items[1:]]
    assert said == ["line", "board says: # reset: brown-out", "line", "line"]


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
        writer = threading.Thread(target=board.write, args=(flood,))
        writer.start()
        await until(lambda: mailbox.dropped + len(mailbox) == 20_001, within_s=20.0)
        writer.join(5.0)
    assert len(mailbox) == CAPACITY
    items = await mailbox.take(CAPACITY)
    assert isinstance(items[0], Status)
    assert isinstance(items[-1], Line)
    assert items[-1].line == a_line(19_999).decode().rstrip("\n")


# -------------------------------------------------------------------------------------------------------------- losing


async def test_unplugging_is_told_once_and_ends_the_run(board: Board) -> None:
    """A hang-up puts Status(up=False) and ends the run with SourceError; the next run waits for the name, quietly."""
    inbox, source = Shelf(), source_at(board.path)
    task = asyncio.ensure_future(source.run(inbox))
    await until(lambda: bool(inbox.items))
    board.unplug()
    with pytest.raises(SourceError, match=board.path):
        await asyncio.wait_for(task, 30.0)
    assert [(s.up, bool(s.why)) for s in inbox.statuses] == [(True, True), (False, True)]
    waiting = asyncio.ensure_future(source.run(inbox))
    await asyncio.sleep(0.3)
    assert not waiting.done()
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
        assert time.monotonic() - start_s >= least_s  # patient that long
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
        await until(first.done)
    async with running(source, inbox):
        await asyncio.sleep(0.6)
        again, spare = Board(), Board()
        link.symlink_to(spare.path)
        await until(lambda: inbox.statuses[-1].up)
        spare.write(a_line(0))
        await until(lambda: len(inbox.lines) == 2)
    assert [s.up for s in inbox.statuses] == [True, False, True]
    assert {s.source for s in inbox.statuses} == {"board"}
    again.unplug()
    spare.unplug()


async def test_a_link_that_moves_while_the_old_device_lives_is_followed(board: Board, tmp_path: Path) -> None:
    """The name decides: if it leads to another device, the old one is given up."""
    link, other = tmp_path / "probe", Board()
    link.symlink_to(board.path)
    inbox, source = Shelf(), source_at(str(link))
    async with running(source, inbox) as first:
        await until(lambda: bool(inbox.items))
        moved = tmp_path / "new"
        moved.symlink_to(other.path)
        moved.replace(link)
        await until(first.done)
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
        await asyncio.wait_for(task, 30.0)
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
        await asyncio.wait_for(task, 30.0)


async def test_stopping_closes_the_port(board: Board) -> None:
    """Cancelled, the source leaves no descriptor and no lock behind."""
    before = len(os.listdir("/proc/self/fd"))
    inbox = Shelf()
    for times_open in range(1, 4):
        async with running(source_at(board.path), inbox):
            await until(lambda wanted=times_open: len(inbox.items) == wanted)  # type: ignore[misc]
    assert [s.up for s in inbox.statuses] == [True, True, True]
    assert len(os.listdir("/proc/self/fd")) == before
