"""When something breaks on or before a compiled board, does it come through as what it is, and end when it ends?"""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from firmware.avr_runs import Board, Row, needs_avr
from nearly import nearly

from benchd.core.intake.board_counts import RUN, SeqCounter
from benchd.core.intake.wire import decode
from benchd.errors import DecodeError

pytestmark = needs_avr

WATCHDOG_S = 1.0  # ATmega328P datasheet, table 10-2: 1.0 s at 5 V


@pytest.mark.wide
def test_an_open_thermocouple_is_told_and_its_number_left_out(board: Board, tmp_path: Path) -> None:
    rows: list[Row] = [
        {"t_s": 0, "cup_c": 60}, {"t_s": 5.1, "fault": "cup:open"}, {"t_s": 8.1, "fault": "cup:ok"}, {"t_s": 12},
    ]  # fmt: skip
    played = board.play(tmp_path, rows)
    broken = [line.up or 0.0 for line in played.lines if line.fault == "cup open"]
    assert (broken[0], broken[-1], len(broken)) == (nearly(5.25, abs=0.01), nearly(8.0, abs=0.01), 12)
    whole = [up for up, _ in played.series("cup")]
    assert not set(whole) & set(broken)
    assert len(played.values("pot")) == len(whole) + len(broken)
    assert set(played.values("cup")) == {60.0}


@pytest.mark.parametrize("what", ["nack", "crc", "hang"])
def test_a_humidity_sensor_that_fails_is_named_and_taken_back(board: Board, tmp_path: Path, what: str) -> None:
    """Cup and pot go on meanwhile, four times a second: a hung bus never holds the board."""
    rows: list[Row] = [{"t_s": 0}, {"t_s": 4.1, "fault": f"room:{what}"}, {"t_s": 8.1, "fault": "room:ok"}, {"t_s": 12}]
    played = board.play(tmp_path, rows)
    told = [line.fault for line in played.lines if line.fault]
    word = "hung" if what == "hang" else what
    assert 3 <= len(told) <= 5
    assert set(told) == {f"room {word}; rh {word}"}
    times = [up for up, _ in played.series("cup")]
    assert max(b - a for a, b in itertools.pairwise(times)) <= 0.27
    assert played.series("room")[-1][0] > 10
    assert played.stats["resets"] == 0


@pytest.mark.parametrize(("fault", "cause"), [("board:reset", "reset pin"), ("board:brown-out", "brown-out")])
def test_a_reset_is_told_with_its_cause_and_everything_counts_from_zero(
    board: Board, tmp_path: Path, fault: str, cause: str
) -> None:
    rows: list[Row] = [{"t_s": 0}, {"t_s": 1, "press_s": "0.15"}, {"t_s": 5.1, "fault": fault}, {"t_s": 9}]
    played = board.play(tmp_path, rows)
    assert [c for c in played.comments if "reset:" in c] == ["# reset: power on", f"# reset: {cause}"]
    counter = SeqCounter()
    resets = [counter.see(line.seq, line.up).reset for line in played.lines]
    assert sum(resets) == 1
    cut = next(k for k in range(1, len(resets)) if (played.lines[k].up or 0.0) < (played.lines[k - 1].up or 0.0))
    assert cut < resets.index(True) <= cut + RUN, "a restart is told once the lines after it prove it"
    first = played.lines[cut]
    assert (first.seq, dict(first.presses)) == (0, {"short": 0, "long": 0, "double": 0})
    assert counter.lost == 0


def test_a_program_that_hangs_is_restarted_by_the_watchdog_within_a_second(board: Board, tmp_path: Path) -> None:
    """Run away into an endless loop with interrupts off, twice: dark for the watchdog's time, then lines again."""
    rows: list[Row] = [
        {"t_s": 0}, {"t_s": 5.1, "fault": "board:hang"}, {"t_s": 12.1, "fault": "board:hang"}, {"t_s": 16},
    ]  # fmt: skip
    played = board.play(tmp_path, rows)
    assert [c for c in played.comments if "reset:" in c] == ["# reset: power on", *["# reset: watchdog"] * 2]
    ups = [line.up or 0.0 for line in played.lines]
    cuts = [k for k in range(1, len(ups)) if ups[k] < ups[k - 1]]
    assert [ups[k - 1] for k in cuts] == pytest.approx([5.0, 6.0], abs=0.02)  # 12.1 s are 6.1 after the first reset
    assert 5.0 + ups[cuts[1] - 1] <= 12.1 - WATCHDOG_S + 0.26
    assert ups[-1] == pytest.approx(16 - 12.1 - WATCHDOG_S, abs=0.3)


def test_a_board_that_never_hangs_is_never_restarted(board: Board, tmp_path: Path) -> None:
    assert board.play(tmp_path, [{"t_s": 0, "fault": "room:nack"}, {"t_s": 60}]).stats["resets"] == 0


def test_a_lost_line_shows_as_a_gap_and_a_damaged_one_as_a_wrong_checksum(board: Board, tmp_path: Path) -> None:
    rows: list[Row] = [
        {"t_s": 0}, {"t_s": 3.1, "fault": "line:lose"}, {"t_s": 6.1, "fault": "line:damage"}, {"t_s": 10},
    ]  # fmt: skip
    played = board.play(tmp_path, rows, lossy=True)
    counter = SeqCounter()
    for line in played.lines:
        counter.see(line.seq, line.up)
    assert (counter.lost, counter.resets) == (2, 0)
    bad = [line for line in (tmp_path / "lines.txt").read_text().splitlines() if line not in played.raw]
    assert len(bad) == 1
    with pytest.raises(DecodeError) as refused:
        decode(bad[0])
    assert refused.value.reason == "crc"
