"""Is the host's port like a board's: lines at their pace, orders taken, nothing stale for a reader that comes late?"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest
import serial
from firmware.avr_runs import Board, Row, host_on_pty, needs_avr
from firmware.test_avr_signals import order

from benchd.core.intake.wire import Decoded, decode

pytestmark = needs_avr

SPEED = 4.0
ROWS: list[Row] = [{"t_s": 0, "cup_c": 30}, {"t_s": 60}]


def heard(port: serial.Serial, until: Callable[[Decoded], bool], within_s: float = 5.0) -> list[Decoded]:
    """Lines up to and with the first that `until` holds for; a cut first one and comments left out."""
    lines: list[Decoded] = []
    deadline_s = time.monotonic() + within_s
    while time.monotonic() < deadline_s:
        raw = port.readline().decode().rstrip("\n")
        if raw.startswith("["):
            lines.append(decode(raw))
            if until(lines[-1]):
                return lines
    raise AssertionError(f"not within {within_s} s: {lines[-3:]}")


def test_lines_come_at_the_pace_asked_for(avr_c: Board, tmp_path: Path) -> None:
    with host_on_pty(avr_c, ROWS, tmp_path / "board", "--speed", str(SPEED)):
        since_s = time.monotonic()
        with serial.Serial(str(tmp_path / "board"), 115_200, timeout=2, exclusive=True) as port:
            lines = heard(port, lambda line: (line.up or 0) >= 6.0)
        took_s = time.monotonic() - since_s
    assert [line.seq for line in lines] == list(range(len(lines)))
    assert took_s >= 6.0 / SPEED - 0.1  # never ahead of its pace


def test_an_order_written_to_the_port_reaches_the_board(avr_c: Board, tmp_path: Path) -> None:
    with (
        host_on_pty(avr_c, ROWS, tmp_path / "board", "--speed", str(SPEED)),
        serial.Serial(str(tmp_path / "board"), 115_200, timeout=2, exclusive=True) as port,
    ):
        heard(port, lambda line: (line.up or 0) >= 1.0)
        port.write((order(lamp=1) + "\n").encode())
        lines = heard(port, lambda line: any(n == "b1-orders" and v == 1 for n, v, _, _ in line.records))
        assert (lines[-1].up or 0) <= 5.0


def test_a_reader_that_comes_late_hears_the_present_not_the_past(avr_c: Board, tmp_path: Path) -> None:
    with host_on_pty(avr_c, ROWS, tmp_path / "board", "--speed", str(SPEED)):
        with serial.Serial(str(tmp_path / "board"), 115_200, timeout=2, exclusive=True) as port:
            before = heard(port, lambda line: (line.up or 0) >= 2.0)
        closed_s = time.monotonic()
        time.sleep(1.0)
        with serial.Serial(str(tmp_path / "board"), 115_200, timeout=2, exclusive=True) as port:
            gone_s = (time.monotonic() - closed_s) * SPEED
            first = heard(port, lambda line: True)[0]
    assert (first.up or 0) >= (before[-1].up or 0) + gone_s - 0.6
    assert (first.seq or 0) > (before[-1].seq or 0) + 10


def test_a_pty_has_no_modem_lines(avr_c: Board, tmp_path: Path) -> None:
    """Unlike a board's own converter, whose opening resets the board: the source must not need them."""
    with (
        host_on_pty(avr_c, ROWS, tmp_path / "board", "--speed", str(SPEED)),
        serial.Serial(str(tmp_path / "board"), 115_200, timeout=2) as port,
        pytest.raises(OSError, match=r"\[Errno 25\]"),
    ):
        _ = port.cts
