"""Is the sketch the same board as the one in plain C, a sketch the IDE opens, and asleep between ticks?"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from firmware.avr_runs import BOARDS, Board, Played, Row, make, needs_avr
from firmware.test_avr_build import EXTREMES
from firmware.test_avr_signals import order

from benchd.core.intake.wire import Decoded

SKETCH = BOARDS / "arduino"
EVERYTHING: list[Row] = [
    *EXTREMES[:2],
    {"t_s": 5, "cup_c": 97.5, "pot_psi": 41.9, "room_c": 22.2, "rh_pct": 51, "press_s": "0.15"},
    {"t_s": 7, "press_s": "0.9", "order": order(lamp=1, tone="880:100")},
    {"t_s": 9, "press_s": "0.15+0.2+0.15", "fault": "room:crc"},
    {"t_s": 11, "fault": "cup:ground+room:ok"},
    {"t_s": 14},
]


@pytest.fixture
def arduino(avr_build: Path) -> Board:
    return Board("arduino", avr_build)


def test_its_folder_and_its_only_sketch_carry_one_name() -> None:
    """Or the IDE will not open it."""
    assert [path.name for path in SKETCH.glob("*.ino")] == ["arduino.ino"]


@needs_avr
def test_it_needs_the_definition_debians_compiler_leaves_out(tmp_path: Path) -> None:
    """Without -DDECIMAL_DIG the core's own Print.cpp does not build, which is why the Makefile has it."""
    copy = tmp_path / "arduino"
    shutil.copytree(SKETCH, copy, ignore=shutil.ignore_patterns("build"))
    makefile = (copy / "Makefile").read_text("utf-8")
    (copy / "Makefile").write_text(makefile.replace("-DDECIMAL_DIG=__DECIMAL_DIG__ ", ""), "utf-8")
    failed = make(copy, tmp_path / "out")
    assert failed.returncode != 0
    assert "DECIMAL_DIG" in failed.stderr


@needs_avr
def test_between_ticks_it_is_asleep(arduino: Board, avr_c: Board, tmp_path: Path) -> None:
    """Left alone for a minute: asleep for more than 95 cycles of 100, as the board in C is for more than 96."""
    rows: list[Row] = [{"t_s": 0}, {"t_s": 60}]
    assert 1.0 < arduino.play(tmp_path, rows).stats["busy_pct"] < 5.0
    assert 1.0 < avr_c.play(tmp_path, rows).stats["busy_pct"] < 4.0
    assert b"sleep" in subprocess.run(["avr-objdump", "-d", arduino.elf], capture_output=True, check=True).stdout


def readings(played: Played) -> list[Decoded]:
    return [line for line in played.lines if not line.presses]


def in_order(played: Played) -> list[dict[str, int]]:
    """Each new state of the press counts."""
    counts: list[dict[str, int]] = []
    for line in played.lines:
        if line.presses and (not counts or dict(line.presses) != counts[-1]):
            counts.append(dict(line.presses))
    return counts


@needs_avr
def test_both_boards_say_the_same_of_the_same_bench(arduino: Board, avr_c: Board, tmp_path: Path) -> None:
    """Line by line the same names, faults and values; the pot within its noise, times within the sketch's slots."""
    one, other = avr_c.play(tmp_path, EVERYTHING), arduino.play(tmp_path, EVERYTHING)
    assert len(readings(one)) == len(readings(other)) == 55
    for a, b in zip(readings(one), readings(other), strict=True):
        assert (a.fault, a.board) == (b.fault, b.board)
        assert a.up == pytest.approx(b.up, abs=0.03)
        assert [(n, u) for n, _, _, u in a.records] == [(n, u) for n, _, _, u in b.records]
        for (name, x, _, _), (_, y, _, _) in zip(a.records, b.records, strict=True):
            assert x == pytest.approx(y, abs=1500 if name == "b1-pot" else 0.0)  # a sample more at a step: 0.2 psi
    assert in_order(one) == in_order(other)
    assert in_order(one)[-1] == {"short": 1, "long": 1, "double": 1}
    assert one.values("orders") == other.values("orders")
