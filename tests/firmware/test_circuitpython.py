"""Does the CircuitPython board send what benchd understands?  Its own code.py, run by CPython among fakes.

CircuitPython has no port for a desktop computer; that the fakes look like it is pyright's word, with its stubs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from firmware.board_runs import (
    BOARDS,
    LIB,
    STUBS,
    Said,
    UsbBoard,
    needs_stubs,
    run_circuitpython,
    scene_file,
    type_errors,
)

FOLDER = BOARDS / "circuitpython"


class TestCircuitPython(UsbBoard):
    """The behaviour of every USB board, and what CircuitPython adds."""

    watchdog_cause = "WATCHDOG"

    def run(self, folder: Path, end_ms: int, changes: list[Any], **more: Any) -> Said:
        return run_circuitpython(FOLDER / "code.py", scene_file(folder, end_ms, changes, **more))

    def test_a_bus_without_pull_ups_is_a_silent_sensor(self, tmp_path: Path) -> None:
        """CircuitPython refuses to open it: told as no answer, tried again, and read once it is mended."""
        said = self.run(tmp_path, 10_000, [[0, "air", "no pull-up"], [5_000, "air", "ok"]])
        assert said.faults() == ["room no answer; rh no answer"] * 3
        assert said.of("room") == [21.5, 21.5]

    def test_nothing_is_written_while_no_computer_listens(self, tmp_path: Path) -> None:
        """The port opens after four seconds: whole lines from there on, no flood of old ones, the cause comes too."""
        said = self.run(tmp_path, 21_000, [], host_from_ms=4_000)
        assert said.lines[0].up == 4.0
        assert said.lines[0].seq == 16
        assert len(said.comments) == 2

    def test_without_boot_py_it_speaks_on_the_console(self, tmp_path: Path) -> None:
        """Only one port then: still the same lines."""
        assert len(self.run(tmp_path, 5_000, [], without_boot_py=True).lines) == 20


@pytest.mark.wide
@needs_stubs("circuitpython")
def test_it_calls_what_the_board_has(tmp_path: Path) -> None:
    """pyright with the published stubs, pins of an RP2040 board, finds nothing wrong."""
    files = {
        "bench_board.py": LIB / "bench_board.py",
        "main.py": FOLDER / "code.py",
        "boot.py": FOLDER / "boot.py",
        "board": STUBS / "circuitpython" / "board_definitions" / "raspberry_pi_pico",
    }
    assert type_errors(tmp_path, files, {"extraPaths": [str(STUBS / "circuitpython")]}) == ""
