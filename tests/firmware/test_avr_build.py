"""Are the compiled boards small, quick and awake no longer than they need be?"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
from firmware.avr_runs import BAUD, BOARDS, Board, Row, make, needs_avr
from firmware.test_avr_signals import order

pytestmark = needs_avr

RAM_BYTES = 2048  # ATmega328P datasheet, table 2-1
FLASH_MOST, STATIC_MOST = 16_384, 1_228  # this project's bounds: 16 KB and 1.2 KB
WIRE_MOST_S = 0.020
LINE_MOST = 230
BUSY_MOST_PCT = 5.0

# As long as values get: far below zero, all digits used, and every fault at once.
EXTREMES: list[Row] = [
    {"t_s": 0, "cup_c": -199.75, "cold_junction_c": -54.9375, "pot_v": 4.7, "room_c": -44.99, "rh_pct": 100},
    {"t_s": 3.4, "cup_c": 1350.25, "cold_junction_c": 124.9375, "room_c": 129.99},
    {"t_s": 6.4, "fault": "cup:supply+room:hang", "pot_v": 4.9},
    {"t_s": 9.4, "fault": "cup:floating"},
    {"t_s": 13},
]


def sizes(text: str) -> tuple[int, int]:
    found = re.search(r"flash (\d+) of \d+, ram (\d+) of \d+", text)
    assert found, text
    return int(found[1]), int(found[2])


def test_each_board_builds_without_a_warning_within_its_bounds(board: Board, tmp_path: Path) -> None:
    assert board.elf.exists()
    checked = make(BOARDS / board.name, board.build / board.name, "check")
    flash, ram = sizes(checked.stdout)
    assert 2_000 < flash <= FLASH_MOST
    assert 200 < ram <= STATIC_MOST


@pytest.mark.parametrize(("given", "baud"), [((), "115200"), (("BAUD=57600",), "57600")])
def test_an_old_boot_loader_has_its_own_speed(board: Board, given: tuple[str, ...], baud: str) -> None:
    """Old ones listen at 57600 (common practice, no source); the command is shown, not run."""
    shown = make(BOARDS / board.name, board.build / board.name, "-n", "flash", *given).stdout
    assert re.findall(r"avrdude .* -b (\d+) -U flash", shown) == [baud]


@pytest.mark.parametrize("bound", ["FLASH_MOST=2000", "RAM_MOST=200"])
def test_a_board_that_outgrew_a_bound_is_no_build(board: Board, bound: str) -> None:
    assert board.elf.exists()
    assert make(BOARDS / board.name, board.build / board.name, "check", bound).returncode != 0


@pytest.mark.parametrize(
    ("name", "flags"), [("avr_c", ("-Os", "-Wall", "-Wextra", "-Werror")), ("arduino", ("-Os", "-DDECIMAL_DIG="))]
)
def test_the_flags_are_those_promised(name: str, flags: tuple[str, ...]) -> None:
    text = (BOARDS / name / "Makefile").read_text("utf-8")
    assert all(flag in text for flag in flags)


def widened(line: str) -> str:
    """The same line after ten years: digits of what only grows, at their most."""
    ten_years_s = 315_360_000
    line = re.sub(r'"seq","v":\d+', f'"seq","v":{ten_years_s * 5}', line)
    line = re.sub(r'"up","u":"s","v":\d+', f'"up","u":"s","v":{ten_years_s}', line)
    line = re.sub(r'"(press-\w+)","v":\d+', r'"\1","v":999999', line)
    return re.sub(r'"orders","v":\d+', f'"orders","v":{ten_years_s // 10}', line)


def test_the_longest_line_takes_less_than_20_ms_of_wire(board: Board, tmp_path: Path) -> None:
    played = board.play(tmp_path, EXTREMES)
    longest = max(len(widened(line)) + 1 for line in played.raw)
    assert longest <= LINE_MOST
    assert longest * 10 / BAUD <= WIRE_MOST_S
    assert {"cup silent; pot high; room hung; rh hung", "cup to supply; pot high; room hung; rh hung"} <= {
        line.fault for line in played.lines
    }


def test_the_processor_sleeps_for_95_of_100_cycles(board: Board, tmp_path: Path) -> None:
    """Under the simulator, with four lines a second, orders coming in, tones sounding; whole minutes from boot."""
    rows: list[Row] = [{"t_s": 0}]
    rows += [{"t_s": t, "order": order(lamp=2, tone="880:200,0:100,1320:200", tick=True)} for t in range(5, 60, 5)]
    stats = board.play(tmp_path, [*rows, {"t_s": 60}]).stats
    assert stats["bench_s"] == pytest.approx(60.0, abs=0.01)
    assert 1.0 < stats["busy_pct"] <= BUSY_MOST_PCT
    assert stats["lines"] >= 240


def test_the_stack_never_comes_near_the_static_data(board: Board, tmp_path: Path) -> None:
    """Static data and the deepest stack seen, interrupts and orders included, leave a third of the memory untouched."""
    rows = [*EXTREMES[:-1], {"t_s": 10, "order": order(tone=",".join(["5000:9"] * 8))}, EXTREMES[-1]]
    stats = board.play(tmp_path, rows).stats
    assert sizes(make(BOARDS / board.name, board.build / board.name, "check").stdout)[1] < stats["ram_bytes"]
    assert stats["ram_bytes"] <= RAM_BYTES * 2 // 3


def test_the_host_refuses_what_is_no_scenario(board: Board, tmp_path: Path) -> None:
    def said(text: str) -> tuple[int, str]:
        (tmp_path / "bad.csv").write_text(text)
        files: list[str | Path] = ["--elf", board.elf, "--scenario", tmp_path / "bad.csv", "--out", tmp_path / "out"]
        command = [board.host, *files]
        run = subprocess.run(command, capture_output=True, text=True, check=False, timeout=10)
        return run.returncode, run.stderr

    assert said("t_s,cup_f\n0,70\n") == (2, f"{tmp_path / 'bad.csv'}:1: no such column: cup_f\n")
    assert said("t_s,cup_c\n1,20\n0,20\n") == (2, f"{tmp_path / 'bad.csv'}:3: t_s goes back: 0\n")
    assert said("t_s,fault\n0,cup:gone\n1,\n") == (2, "no such fault: cup:gone\n")
