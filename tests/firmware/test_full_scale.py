"""Is a transducer's full scale one line of a board, said by the board, and held against the bench's file?"""

from __future__ import annotations

import shutil
from pathlib import Path
from statistics import mean

import pytest
from firmware.avr_runs import AVR_BOARDS, BOARDS, PSI_PA, Board, Row, make, needs_avr
from some_of import some_of

from benchd.core.intake.full_scale import FullScale, full_scale_of

SOURCES = {"avr_c": "board.h", "arduino": "arduino.ino"}
LINE = "#define POT_FULL_PA 689476"


def rewritten(name: str, folder: Path, full: str) -> Path:
    """A copy of a board's sources with another number in that one line, as its owner would write it."""
    copy = folder / f"{name}-{full}"
    shutil.copytree(BOARDS / name, copy, ignore=shutil.ignore_patterns("build"))
    file = copy / SOURCES[name]
    text = file.read_text("utf-8")
    assert text.count(LINE) == 1
    file.write_text(text.replace(LINE, f"#define POT_FULL_PA {full}"), "utf-8")
    return copy


# Ratiometric parts are sold with 0.5 to 4.5 V over 60, 100, 150, 200, 300 psi and 10 or 16 bar (common practice, no
# source); a tenth of the supply is zero and nine tenths are full scale.  6894.757 Pa a psi: NIST SP 811, appendix B.
@needs_avr
@pytest.mark.parametrize("name", some_of(AVR_BOARDS, 1))
@pytest.mark.parametrize("full_pa", some_of([1_034_214, 413_685, 1_600_000, 4_000_000], 1))
def test_one_line_sets_the_full_scale_and_the_board_says_it(tmp_path: Path, name: str, full_pa: int) -> None:
    """Four pressures of a transducer of 60 psi, 150 psi, 16 bar or 40 bar: within a twentieth of a converter's step."""
    board = Board(name, tmp_path / "build", rewritten(name, tmp_path, str(full_pa)))
    shares = (0.0, 0.25, 0.7, 1.0)
    rows: list[Row] = [{"t_s": 4 * k, "pot_v": 0.5 + 4.0 * share} for k, share in enumerate(shares)]
    played = board.play(tmp_path, [*rows, {"t_s": 16}])
    step_pa = full_pa / 0.8 / 1024
    for k, share in enumerate(shares):
        told = [v for up, v in played.series("pot") if 4 * k + 0.3 < up <= 4 * k + 3.9]
        assert mean(told) == pytest.approx(share * full_pa, abs=step_pa / 20)
    assert set(played.scales) == {FullScale("b1-pot", full_pa)}


@needs_avr
def test_a_part_of_150_psi_before_a_board_for_100_reads_two_thirds(avr_c: Board, tmp_path: Path) -> None:
    """Why the board must say it: 81 psi in the pot read as 54, the alarm of a pot marked 60, and no line is wrong."""
    played = avr_c.play(tmp_path, [{"t_s": 0, "pot_psi": 81}, {"t_s": 6}], "--full-psi", "150")
    assert mean(played.values("pot")[1:]) / PSI_PA == pytest.approx(54.0, abs=0.02)
    assert [line.fault for line in played.lines if line.fault] == []
    assert set(played.scales) == {FullScale("b1-pot", 689_476)}


@needs_avr
def test_it_is_said_at_boot_and_every_four_seconds(board: Board, tmp_path: Path) -> None:
    """Before the second line, then with the counts: who opens a running board's port hears it in five seconds."""
    played = board.play(tmp_path, [{"t_s": 0}, {"t_s": 13.9}])
    assert any(full_scale_of(line) for line in played.raw[:4])
    assert len(played.scales) == 4


@needs_avr
@pytest.mark.parametrize("name", some_of(AVR_BOARDS, 1))
@pytest.mark.parametrize("full", ["100", "100000000"])
def test_a_number_that_is_no_pressure_in_pascals_does_not_build(tmp_path: Path, name: str, full: str) -> None:
    """100, meant as psi, would read a hundredth of nothing."""
    made = make(rewritten(name, tmp_path, full), tmp_path / "out")
    assert made.returncode != 0
    assert "POT_FULL_PA is in pascals" in made.stderr


@pytest.mark.parametrize(
    ("text", "scale"),
    [
        ("# full scale: b1-pot 689476 Pa", FullScale("b1-pot", 689_476)),
        ("watchdog; full scale: b1-pot 1000000 Pa", FullScale("b1-pot", 1_000_000)),
        ("# full scale: b1-pot 689476 kPa", None),
        ("# full scale: b1-pot 0 Pa", None),
        ("# full scale: b1-pot -5 Pa", None),
        ("# full scale: b1-pot 6894760000000 Pa", None),
        ("# full scale: b1-pot 689476 Pages", None),
        ("# reset: power on", None),
    ],
)
def test_only_a_whole_number_of_pascals_is_a_full_scale(text: str, scale: FullScale | None) -> None:
    assert full_scale_of(text) == scale
