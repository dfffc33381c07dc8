"""Do lines reach a board whole, and does a board that does not read hold up nobody?"""

from __future__ import annotations

import asyncio
import os
import socket
import time
import tty
from collections.abc import Iterator

import pytest
from mosquitto import free_port
from phone import until

from benchd.core.model import Input, Line
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import TakesLines
from benchd.runtime.serial.line_out import LineOut
from benchd.runtime.serial.port import open_port
from benchd.sources.serial_lines import SerialLines, Settings

ORDER = b'[{"bn":"b1-","n":"tick","v":1}] 00000000\n'


class Kept:
    def __init__(self) -> None:
        self.items: list[Input] = []

    def put(self, item: Input, /) -> None:
        self.items.append(item)


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    """(the board's end, the port's name)"""
    board, port = os.openpty()
    tty.setraw(port)
    os.set_blocking(board, False)
    yield board, os.ttyname(port)
    os.close(board)
    os.close(port)


def drained(fd: int) -> bytes:
    data = b""
    while True:
        try:
            data += os.read(fd, 65536)
        except BlockingIOError:
            return data


async def test_a_port_nobody_reads_refuses_lines_and_never_half_of_one(pty: tuple[int, str]) -> None:
    """Linux keeps a few kilobytes for a pty; whatever was taken arrives whole once it is read."""
    board, name = pty
    port = await open_port(name, 115_200)
    took = [port.offer(ORDER) for _ in range(5000)]
    assert took[:10] == [True] * 10
    assert took[-10:] == [False] * 10
    read = b""
    for _ in range(20):
        read += drained(board)
        await asyncio.sleep(0.01)
    assert read == ORDER * took.count(True)
    assert port.offer(ORDER)
    port.close()  # with a line still in it that nobody reads
    assert not port.offer(ORDER)


async def test_a_gone_port_refuses() -> None:
    reader, writer = os.pipe()
    out = LineOut(writer)
    os.close(reader)
    assert not out.offer(ORDER)
    out.close()
    os.close(writer)


async def test_a_source_sends_only_while_its_port_is_open_and_reads_on_all_the_while(pty: tuple[int, str]) -> None:
    board, name = pty
    source, inbox = SerialLines(Settings(port=name), "board", BenchClock()), Kept()
    assert isinstance(source, TakesLines)
    assert not source.offer(ORDER)
    running = asyncio.create_task(source.run(inbox))
    await until(lambda: source.offer(ORDER))
    while source.offer(ORDER):  # now the board's ear is full
        pass
    os.write(board, b"# still here\nx\n")
    await until(lambda: any(isinstance(item, Line) for item in inbox.items))
    running.cancel()
    await asyncio.wait([running])
    assert not source.offer(ORDER)


@pytest.mark.wide
async def test_lines_go_out_through_a_url_too_and_a_deaf_other_side_stops_no_reading() -> None:
    with socket.create_server(("127.0.0.1", free_port())) as server:
        port = await open_port(f"socket://127.0.0.1:{server.getsockname()[1]}", 115_200)
        board, _ = server.accept()
        board.setblocking(False)
        heard: list[bytes] = []
        pumping = asyncio.create_task(port.pump(heard.append))
        assert port.offer(ORDER)
        async with asyncio.timeout(5.0):
            while b"".join(heard) != b"here":
                heard.clear()
                board.send(b"here")
                await asyncio.sleep(0.2)
        assert board.recv(1000) == ORDER
        since_s, refused = time.monotonic(), 0
        long = b"x" * 500_000 + b"\n"
        while time.monotonic() - since_s < 1.5:  # the board reads nothing: its window and our buffers fill
            refused += not port.offer(long)
            await asyncio.sleep(0.005)
        assert refused > 50
        heard.clear()
        board.send(b"again")
        await asyncio.sleep(0.5)
        assert b"".join(heard) == b"again"
        pumping.cancel()
        port.close()
        await asyncio.sleep(0.6)  # its thread closes the socket, our end first
        board.close()
