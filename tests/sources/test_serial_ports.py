"""Is each name of a port opened or refused in words: a path, a USB id, a URL, one taken, one not permitted?"""

from __future__ import annotations

import asyncio
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from phone import until
from pydantic import ValidationError
from serial.tools import list_ports
from sources.serial_board import Board, Shelf, a_line, running, source_at

from benchd.core.model import Status
from benchd.errors import SourceError
from benchd.sources.serial_lines import SerialLines, Settings


@pytest.fixture
def board() -> Iterator[Board]:
    found = Board()
    yield found
    found.unplug()


# ------------------------------------------------------------------------------------------------------------- opening


async def failure(source: SerialLines) -> tuple[str, list[Status]]:
    inbox = Shelf()
    with pytest.raises(SourceError) as refused:
        await asyncio.wait_for(source.run(inbox), 30.0)
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
    """socket://: lines arrive; the far end's closing is a loss; the thread ends."""
    server = socket.create_server(("127.0.0.1", 0))
    inbox, source = Shelf(), source_at(f"socket://127.0.0.1:{server.getsockname()[1]}")
    task = asyncio.ensure_future(source.run(inbox))
    far, _ = await asyncio.get_running_loop().run_in_executor(None, server.accept)
    await until(lambda: bool(inbox.items))
    await asyncio.sleep(0.1)
    far.sendall(a_line(1) + a_line(2))
    await until(lambda: len(inbox.lines) == 2)
    far.close()
    server.close()
    with pytest.raises(SourceError, match="gone"):
        await asyncio.wait_for(task, 30.0)
    assert [s.up for s in inbox.statuses] == [True, False]
    await until(lambda: not [t for t in threading.enumerate() if t.name == "serial-port"])


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
        await until(lambda: len(inbox.lines) == 2000)
    assert inbox.lines == [a_line(n).decode().rstrip("\n") for n in range(2000)]
    await until(lambda: not [t for t in threading.enumerate() if t.name == "serial-port"])
