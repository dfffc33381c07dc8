"""Does a compiled board read its sensors as their datasheets say, down to the step, and name what is broken?"""

from __future__ import annotations

import itertools
from pathlib import Path
from statistics import mean, pstdev

import pytest
from firmware.avr_runs import PSI_PA, Board, Row, needs_avr

pytestmark = needs_avr

# MAX31855 datasheet, tables 2 to 5 (temperature codes and fault bits); frames composed from the tables' codes.
# (frame, cup C, cold junction C, fault)
FRAMES: list[tuple[int, float | None, float | None, str | None]] = [
    (0x64007F00, 1600.0, 127.0, None),
    (0x3E806490, 1000.0, 100.5625, None),
    (0x064C1900, 100.75, 25.0, None),
    (0x01900000, 25.0, 0.0, None),
    (0x0000FFF0, 0.0, -0.0625, None),
    (0xFFFCFF00, -0.25, -1.0, None),
    (0xFFF0EC00, -1.0, -20.0, None),
    (0xF060C900, -250.0, -55.0, None),
    (0x01911901, None, 25.0, "cup open"),
    (0x01911902, None, 25.0, "cup to ground"),
    (0x01911904, None, 25.0, "cup to supply"),
    (0x01911907, None, 25.0, "cup open"),
    (0xFFFFFFFF, None, None, "cup silent"),  # D17 and D3 are always 0
    (0x01501790, 21.0, 23.5625, None),
]


def test_each_frame_of_the_thermocouple_amplifier_is_read_as_its_datasheet_says(board: Board, tmp_path: Path) -> None:
    rows: list[Row] = [{"t_s": k + 0.1, "fault": f"cup:frame={frame:08x}"} for k, (frame, *_) in enumerate(FRAMES)]
    lines = board.play(tmp_path, [*rows, {"t_s": len(rows) + 0.1}]).lines
    for k, (frame, cup_c, junction_c, fault) in enumerate(FRAMES):
        told = [line for line in lines if k + 0.2 < (line.up or 0) < k + 1.1 and not line.presses]
        values = {n: v for line in told for n, v, _, _ in line.records}
        assert values.get("b1-cup") == cup_c, f"{frame:08x}"
        assert values.get("b1-cj") == junction_c, f"{frame:08x}"
        assert {(line.fault or "").split("; ")[0] or None for line in told} >= {fault}, f"{frame:08x}"


def test_all_zeros_is_a_reading_once_and_a_dead_wire_when_it_stays(board: Board, tmp_path: Path) -> None:
    """Zero at probe and chip is a legal frame; a MISO held low gives nothing else."""
    rows: list[Row] = [{"t_s": 0}, {"t_s": 2.1, "fault": "cup:dead"}, {"t_s": 4.1, "fault": "cup:ok"}, {"t_s": 6}]
    played = board.play(tmp_path, rows)
    zeros = [up for up, v in played.series("cup") if v == 0.0]
    assert 1 <= len(zeros) <= 3
    faulty = [line.up or 0.0 for line in played.lines if "cup silent" in (line.fault or "")]
    assert faulty[0] == pytest.approx(3.0, abs=0.02)
    assert played.values("cup")[-1] == 21.5


# SHT31 datasheet: checksum of 0xBEEF is 0x92; T = -45 + 175 S/65535, RH = 100 S/65535.
@pytest.mark.parametrize(
    ("frame", "room_c", "rh_pct"),
    [
        ("beef92beef92", -45 + 175 * 0xBEEF / 65535, 100 * 0xBEEF / 65535),
        ("0000810000 81".replace(" ", ""), -45.0, 0.0),
        ("ffffacffffac", 130.0, 100.0),
    ],
)
def test_the_humidity_frame_is_checked_and_read_as_its_datasheet_says(
    board: Board, tmp_path: Path, frame: str, room_c: float, rh_pct: float
) -> None:
    played = board.play(tmp_path, [{"t_s": 0, "fault": f"room:frame={frame}"}, {"t_s": 3}])
    assert played.values("room") == pytest.approx([room_c] * 3, abs=0.0051)
    assert played.values("rh") == pytest.approx([rh_pct] * 3, abs=0.0051)


@pytest.mark.parametrize("frame", ["beef93beef92", "beef92beef93", "bfef92beef92", "beef92beee92"])
def test_one_wrong_bit_in_the_humidity_frame_is_a_fault_of_both(board: Board, tmp_path: Path, frame: str) -> None:
    played = board.play(tmp_path, [{"t_s": 0, "fault": f"room:frame={frame}"}, {"t_s": 2}])
    assert {line.fault for line in played.lines} == {None, "room crc; rh crc"}
    assert played.values("room") == played.values("rh") == []


# Ratiometric transducers: a tenth of the supply is zero, nine tenths are full scale (common practice, no source);
# 6894.757 Pa a psi (NIST SP 811, appendix B).
@pytest.mark.parametrize(
    ("volts", "psi"), [(0.5, 0.0), (1.5, 25.0), (2.5, 50.0), (4.5, 100.0), (0.47, -0.75), (2.18, 42.0), (4.7, 105.0)]
)
def test_the_transducers_volts_become_pascals(board: Board, tmp_path: Path, volts: float, psi: float) -> None:
    pot_pa = board.play(tmp_path, [{"t_s": 0, "pot_v": volts}, {"t_s": 10}]).values("pot")[1:]
    assert mean(pot_pa) == pytest.approx(psi * PSI_PA, abs=0.004 * PSI_PA)


@pytest.mark.parametrize(("volts", "fault"), [(0.2, "pot low"), (0.0, "pot low"), (4.8, "pot high"), (5.0, "pot high")])
def test_volts_no_sound_transducer_gives_are_a_fault(board: Board, tmp_path: Path, volts: float, fault: str) -> None:
    played = board.play(tmp_path, [{"t_s": 0, "pot_v": volts}, {"t_s": 2}])
    assert {line.fault for line in played.lines[1:]} == {fault}
    assert played.values("pot") == []


def held(board: Board, folder: Path, *options: str, steps: int = 16) -> tuple[float, float]:
    """(worst mean error, rms scatter) in psi over pressures spread across one step of the converter (0.122 psi)."""
    lsb_psi = 100 / 0.8 / 1024
    levels = [42.0 + lsb_psi * k / steps for k in range(steps)]
    rows: list[Row] = [{"t_s": 5 * k, "pot_psi": psi} for k, psi in enumerate(levels)]
    series = board.play(folder, [*rows, {"t_s": 5 * steps}], *options).series("pot")
    errors, scatter = [], []
    for k, psi in enumerate(levels):
        told = [v / PSI_PA - psi for up, v in series if 5 * k + 0.3 < up <= 5 * k + 5]
        assert len(told) >= 18
        errors.append(abs(mean(told)))
        scatter.append(pstdev(told) ** 2)
    return max(errors), mean(scatter) ** 0.5


def test_the_pressure_resolves_a_hundredth_of_a_psi_in_half_a_step_of_noise(board: Board, tmp_path: Path) -> None:
    """400 samples a line: half a step rms / 20 is 0.003 psi, and no level between two steps is missed."""
    worst_psi, scatter_psi = held(board, tmp_path, "--noise-lsb", "0.5")
    assert worst_psi <= 0.005
    assert 0.001 <= scatter_psi <= 0.0045


def test_steps_of_a_hundredth_of_a_psi_are_told_apart(avr_c: Board, tmp_path: Path) -> None:
    """Five readings each (the README's figure): each of ten steps of 0.01 psi is seen as a rise."""
    rows: list[Row] = [{"t_s": 1.5 * k, "pot_psi": 42.0 + 0.01 * k} for k in range(11)]
    series = avr_c.play(tmp_path, [*rows, {"t_s": 16.5}]).series("pot")
    levels = [mean(v for up, v in series if 1.5 * k + 0.26 < up <= 1.5 * k + 1.51) for k in range(11)]
    assert all(0.003 < (b - a) / PSI_PA < 0.017 for a, b in itertools.pairwise(levels))


def test_a_silent_converter_reads_whole_steps_only(avr_c: Board, tmp_path: Path) -> None:
    """Without noise there is no dither: up to half a step, 0.06 psi, is missed.  The README says so."""
    worst_psi, scatter_psi = held(avr_c, tmp_path, "--noise-lsb", "0", steps=8)
    assert 0.05 < worst_psi <= 0.062
    assert scatter_psi == 0.0


@pytest.mark.parametrize("hum_hz", ["50", "60"])
def test_mains_hum_averages_out(avr_c: Board, tmp_path: Path, hum_hz: str) -> None:
    """Five steps of hum, 0.6 psi, move no reading by more than the noise does."""
    rows: list[Row] = [{"t_s": 0, "pot_psi": 42}, {"t_s": 15}]
    told = avr_c.play(tmp_path, rows, "--hum-lsb", "5", "--hum-hz", hum_hz).values("pot")[1:]
    assert pstdev(told) / PSI_PA <= 0.0055
    assert mean(told) / PSI_PA == pytest.approx(42.0, abs=0.005)
