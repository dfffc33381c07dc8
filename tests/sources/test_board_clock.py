"""Does a line carry the time its board says, and is the anchor set anew after a reset or a drift?"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from phone import until
from sources.serial_board import Board, Shelf, a_line, running, source_at

from benchd.core.model import Line
from benchd.runtime.serial.board_clock import BoardClock


@pytest.fixture
def board() -> Iterator[Board]:
    found = Board()
    yield found
    found.unplug()


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
