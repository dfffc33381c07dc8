"""Are a compiled board's lines, from its first byte on, those benchd reads?"""

from __future__ import annotations

import itertools
import zlib
from pathlib import Path

import pytest
from firmware.avr_runs import Board, Row, needs_avr

pytestmark = needs_avr

CALM: list[Row] = [
    {"t_s": 0, "cup_c": 21.5, "cold_junction_c": 22.25, "pot_psi": 42, "room_c": 21.37, "rh_pct": 44.4},
    {"t_s": 20},
]
UNITS = {"b1-cup": "Cel", "b1-cj": "Cel", "b1-pot": "Pa", "b1-room": "Cel", "b1-rh": "%RH", "b1-orders": None}


def test_it_boots_with_its_name_its_cause_and_the_base_of_its_counts(board: Board, tmp_path: Path) -> None:
    played = board.play(tmp_path, CALM)
    assert played.raw[0].startswith("# bench board b1-")
    assert played.raw[1] == "# reset: power on"
    first = played.lines[0]
    assert (first.seq, dict(first.presses)) == (0, {"short": 0, "long": 0, "double": 0})
    assert first.up is not None
    assert first.up < 0.05


def test_every_line_has_the_boards_name_the_next_number_and_a_later_time(board: Board, tmp_path: Path) -> None:
    lines = board.play(tmp_path, CALM).lines
    assert {line.board for line in lines} == {"b1-"}
    assert [line.seq for line in lines] == list(range(len(lines)))
    ups = [line.up or 0.0 for line in lines]
    assert ups == sorted(ups)
    assert {(n, u) for line in lines for n, _, _, u in line.records} == set(UNITS.items())


def test_cup_and_pot_come_four_times_a_second_the_room_once_the_counts_each_four(board: Board, tmp_path: Path) -> None:
    played = board.play(tmp_path, CALM)
    for name, every_s in (("cup", 0.25), ("pot", 0.25), ("room", 1.0), ("rh", 1.0), ("cj", 1.0), ("orders", 4.0)):
        times = [up for up, _ in played.series(name)][1:]
        gaps = [b - a for a, b in itertools.pairwise(times)]
        assert gaps, name
        assert max(abs(gap - every_s) for gap in gaps) <= 0.02, name


def test_the_trailer_is_zlibs_crc_of_the_bytes_before_the_space(board: Board, tmp_path: Path) -> None:
    for line in board.play(tmp_path, CALM).raw:
        if line.startswith("#"):
            continue
        body, _, trailer = line.rpartition(" ")
        assert trailer == f"{zlib.crc32(body.encode()):08x}"


def test_values_are_those_of_the_bench(board: Board, tmp_path: Path) -> None:
    played = board.play(tmp_path, CALM)
    assert set(played.values("cup")) == {21.5}
    assert set(played.values("cj")) == {22.25}
    assert set(played.values("room")) == {21.37}
    assert set(played.values("rh")) == {44.4}
    assert sum(played.values("pot")[1:]) / len(played.values("pot")[1:]) == pytest.approx(42 * 6894.757, abs=20)


def test_up_keeps_the_crystals_time(board: Board, tmp_path: Path) -> None:
    """The last reading of 120 s is told at 119.750 s to a few milliseconds."""
    last = [line.up for line in board.play(tmp_path, [{"t_s": 0}, {"t_s": 119.9}]).lines][-1]
    assert last == pytest.approx(119.75, abs=0.01)
