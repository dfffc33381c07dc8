"""Does the pty board speak like a board on a port, and put up with readers that lag, leave or never come?"""

from __future__ import annotations

import errno
import os
import re
import select
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import serial
from of_kind import known

from benchd.rehearsal import PtyBoard, Rehearsal, Scenario, load_scenario
from benchd.rehearsal.acts import Act


@pytest.fixture
def short() -> Scenario:
    """Load 1 up to a minute after the mix, which comes after five seconds."""
    return replace(load_scenario("load-1"), lead_s=5.0, end_s=60.0)


def wait_for(is_so: Callable[[], bool], most_s: float = 8.0) -> bool:
    until_s = time.monotonic() + most_s
    while not is_so() and time.monotonic() < until_s:
        time.sleep(0.01)
    return is_so()


def drain(fd: int, until: Callable[[], bool]) -> bytes:
    """All that can be read until `until` holds and nothing more comes, or the port hangs up."""
    got, give_up_s = b"", time.monotonic() + 20.0
    while time.monotonic() < give_up_s:
        ready, _, _ = select.select([fd], [], [], 0.1)
        if ready:
            try:
                more = os.read(fd, 65536)
            except OSError as error:
                if error.errno != errno.EIO:
                    raise
                return got
            if not more:
                return got
            got += more
        elif until():
            return got
    raise AssertionError("the port neither ended nor hung up")


def test_a_reader_gets_every_byte_and_marks_come_by_callback(short: Scenario) -> None:
    want = b"".join(line for frame in Rehearsal(short, 3).frames() for line in frame.lines)
    marks: list[dict[str, Any]] = []
    with PtyBoard(short, speed=100.0, seed=3, on_mark=marks.append) as board:
        fd = os.open(board.port, os.O_RDONLY | os.O_NOCTTY)
        got = drain(fd, board.done.is_set)
        os.close(fd)
        assert board.failure is None
        assert board.lost_bytes == 0
    assert got == want
    assert [m["verb"] for m in marks] == ["mix"]
    assert marks[0]["t_s"] == 5.0


def test_it_keeps_its_pace(short: Scenario) -> None:
    begun = time.monotonic()
    with PtyBoard(replace(short, end_s=15.0), speed=20.0) as board:
        fd = os.open(board.port, os.O_RDONLY | os.O_NOCTTY)
        drain(fd, board.done.is_set)
        os.close(fd)
    assert time.monotonic() - begun >= 1.0  # 20 s of scenario at 20x


def test_a_serial_library_can_read_it(short: Scenario) -> None:
    with PtyBoard(short, speed=50.0) as board, serial.Serial(board.port, 115200, timeout=3) as port:
        lines = [port.readline() for _ in range(5)]
    # opening throws away what came before, so the first line read may be any
    whole = re.compile(rb'\[{"bn":"b1-","n":"seq","v":(\d+)}.* [0-9a-f]{8}\n$')
    seqs = [int(known(whole.match(line))[1]) for line in lines[1:]]
    assert seqs == list(range(seqs[0], seqs[0] + 4))


@pytest.mark.wide
def test_nobody_reading_does_not_stop_it(short: Scenario) -> None:
    long = replace(short, end_s=300.0)
    with PtyBoard(long, speed=2000.0) as board:
        assert board.done.wait(10.0)
        assert board.failure is None
        assert board.lost_bytes > 0
    assert not any(t.name == "pty board" for t in threading.enumerate())


def test_closing_ends_the_thread_at_once() -> None:
    with PtyBoard(load_scenario("load-1"), speed=1.0) as board:
        assert os.path.exists(board.port)
    assert not any(t.name == "pty board" for t in threading.enumerate())


@pytest.mark.wide
def test_reset_on_command_starts_seq_anew(short: Scenario) -> None:
    with PtyBoard(short, speed=20.0) as board:
        fd = os.open(board.port, os.O_RDONLY | os.O_NOCTTY)
        assert wait_for(lambda: board.sent_lines > 20)
        board.reset()
        got = drain(fd, board.done.is_set)
        os.close(fd)
    assert got.count(b"# board boots\n") == 1
    after = got.split(b"# board boots\n")[1]
    assert b'"seq","v":0}' in after


def test_unplug_hangs_up_and_replug_comes_back(short: Scenario, tmp_path: Path) -> None:
    link = tmp_path / "tty-bench"
    with PtyBoard(short, speed=10.0, link=link) as board:
        fd = os.open(link, os.O_RDONLY | os.O_NOCTTY)
        assert wait_for(lambda: board.sent_lines > 4)
        board.unplug()
        drain(fd, lambda: False)  # returns on the hang-up only; what was unread may be gone with the port
        assert os.read(fd, 1) == b""
        os.close(fd)
        board.replug()
        again = os.open(link, os.O_RDONLY | os.O_NOCTTY)
        ready, _, _ = select.select([again], [], [], 3.0)
        assert ready
        os.close(again)
    assert not link.exists()
    assert not link.is_symlink()


@pytest.mark.wide
def test_a_scripted_unplug_does_the_same(short: Scenario) -> None:
    gone = replace(short, acts=(Act(at_s=-3, do="board_unplug", for_s=10), *short.acts))
    with PtyBoard(gone, speed=10.0) as board:
        fd = os.open(board.port, os.O_RDONLY | os.O_NOCTTY)
        got = drain(fd, lambda: False)
        os.close(fd)
        assert got.count(b"\n") <= 9
        before = board.sent_lines
        assert wait_for(lambda: board.sent_lines > before)
        assert os.path.exists(board.port)


def test_a_failing_callback_is_told_not_swallowed(short: Scenario) -> None:
    def broken(_mark: dict[str, Any]) -> None:
        raise ValueError("no")

    with PtyBoard(short, speed=500.0, on_mark=broken) as board:
        assert board.done.wait(5.0)
    assert isinstance(board.failure, ValueError)
