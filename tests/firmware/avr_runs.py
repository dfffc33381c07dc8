"""How does a test build a board's program and play a scenario into its pins?  avr-gcc, and the host on libsimavr."""

from __future__ import annotations

import contextlib
import csv
import functools
import json
import shutil
import subprocess
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from benchd.core.intake.full_scale import FullScale, full_scale_of
from benchd.core.intake.wire import Decoded, decode
from benchd.errors import DecodeError

ROOT = Path(__file__).parents[2]
BOARDS = ROOT / "firmware_examples"
HOST = BOARDS / "simavr_host"
AVR_BOARDS = ("avr_c", "arduino")
BAUD = 115_200
PSI_PA = 6894.757  # NIST SP 811, appendix B
CLOCK_HZ = 16_000_000

_NEEDED = {
    "gcc": shutil.which("cc"),
    "make": shutil.which("make"),
    "gcc-avr": shutil.which("avr-gcc"),
    "avr-libc": Path("/usr/lib/avr/include/avr/io.h").exists(),
    "libsimavr-dev": Path("/usr/include/simavr/sim_avr.h").exists(),
    "arduino-core-avr": Path("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h").exists(),
}
MISSING = [package for package, there in _NEEDED.items() if not there]
needs_avr = pytest.mark.skipif(bool(MISSING), reason=f"not installed (Debian: apt install {' '.join(MISSING)})")

COLUMNS = (
    "t_s", "cup_c", "cold_junction_c", "pot_psi", "pot_v", "room_c", "rh_pct", "press_s", "fault", "order"
)  # fmt: skip
Row = dict[str, Any]


def make(folder: Path, out: Path, *more: str) -> subprocess.CompletedProcess[str]:
    """Run a folder's Makefile, everything built under `out`; ends within a minute."""
    command = ["make", "-C", str(folder), f"OUT={out}", *more]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


@functools.cache
def _made(folder: Path, out: Path) -> Path:
    made = make(folder, out)
    assert made.returncode == 0, made.stdout + made.stderr
    return out


@dataclass
class Played:
    """What one run gave.  stats: the host's own counts; trace: (t_s, what, values) of lamp and buzzer."""

    stats: dict[str, Any]
    raw: list[str]
    trace: list[tuple[float, str, tuple[float, ...]]]
    lines: list[Decoded] = field(init=False)
    comments: list[str] = field(init=False)
    scales: list[FullScale] = field(init=False)

    def __post_init__(self) -> None:
        """`comments` leaves the full scales out, which come again and again."""
        comments = [line for line in self.raw if line.startswith("#")]
        self.comments = [line for line in comments if full_scale_of(line) is None]
        self.scales = [scale for line in comments if (scale := full_scale_of(line)) is not None]
        self.lines = [decode(line) for line in self.raw if not line.startswith("#")]

    def values(self, name: str) -> list[float]:
        """Every value of one channel, in order."""
        return [v for line in self.lines for n, v, _, _ in line.records if n == f"b1-{name}" and v is not None]

    def series(self, name: str) -> list[tuple[float, float]]:
        """(up, value) of one channel."""
        return [
            (line.up or 0.0, v)
            for line in self.lines
            for n, v, _, _ in line.records
            if n == f"b1-{name}" and v is not None
        ]

    def lamp(self) -> list[tuple[float, int]]:
        return [(t_s, int(values[0])) for t_s, what, values in self.trace if what == "lamp"]

    def tones(self) -> list[tuple[float, float, float]]:
        """(begin s, Hz, ms) as measured at the buzzer's pin."""
        return [(t_s, *values) for t_s, what, values in self.trace if what == "tone"]  # type: ignore[misc]


@dataclass(frozen=True)
class Board:
    """One board's built program, and the host it runs under; `folder` if its sources are not the repository's own."""

    name: str
    build: Path
    folder: Path | None = None

    @property
    def elf(self) -> Path:
        return _made(self.folder or BOARDS / self.name, self.build / self.name) / "bench.elf"

    @property
    def host(self) -> Path:
        return _made(HOST, self.build / "host") / "host"

    def play(self, folder: Path, rows: Iterable[Row], *options: str, lossy: bool = False) -> Played:
        """Play rows as fast as it goes.  Unless `lossy`, every line must be one that benchd understands."""
        scenario, out, trace = folder / "scenario.csv", folder / "lines.txt", folder / "trace.csv"
        write_scenario(scenario, rows)
        files: list[str | Path] = ["--elf", self.elf, "--scenario", scenario, "--out", out, "--trace", trace]
        command = [self.host, *files, *options]
        run = subprocess.run(command, capture_output=True, text=True, check=False, timeout=100)
        assert run.returncode == 0, run.stderr
        raw = out.read_text("utf-8", errors="replace").split("\n")[:-1]
        whole = [line for line in raw if line.startswith("#") or not lossy or is_understood(line)]
        told = [row.split(",") for row in trace.read_text("utf-8").splitlines()]
        return Played(json.loads(run.stdout), whole, [(float(t), what, tuple(map(float, v))) for t, what, *v in told])


def is_understood(line: str) -> bool:
    try:
        decode(line)
    except DecodeError:
        return False
    return True


def write_scenario(path: Path, rows: Iterable[Row]) -> None:
    """The host's CSV; keys a row does not have are left as they are."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


@contextlib.contextmanager
def host_on_pty(board: Board, rows: Iterable[Row], link: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """The host on a pty of its own, named `link`; it begins once somebody has opened that.  Ended whatever happens."""
    scenario = link.with_suffix(".csv")
    write_scenario(scenario, rows)
    command: list[str | Path] = [board.host, "--elf", board.elf, "--scenario", scenario, "--pty", link, *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        deadline_s = time.monotonic() + 5.0
        while not link.exists():
            assert process.poll() is None, process.stderr and process.stderr.read()
            assert time.monotonic() < deadline_s, "no port"
            time.sleep(0.01)
        yield process
    finally:
        process.kill()
        process.communicate()
