"""Is the service unit sound, shut as far as benchd can do without, and the one `benchd init` writes?"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.commands.init_service import unit_text

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "config" / "benchd.service"
MOST_EXPOSURE = 2.0
needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed (Debian: systemd)"
)


def exposure(path: Path) -> float:
    """What systemd's own judge says, 0 (shut) to 10."""
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--no-pager", str(path)],
        capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert found, done.stdout + done.stderr
    return float(found[1])


def test_the_example_is_what_init_writes() -> None:
    assert UNIT.read_text("utf-8") == unit_text()


@needs_systemd
def test_its_exposure_is_at_most_two() -> None:
    """1.4 with systemd 252."""
    assert exposure(UNIT) <= MOST_EXPOSURE


@needs_systemd
def test_one_in_a_home_is_still_at_most_two_and_a_bare_one_is_not(tmp_path: Path) -> None:
    unit = tmp_path / "benchd.service"
    unit.write_text(unit_text(Path("/home/ann/.venv/bin/benchd"), Path("/home/ann/bench/bench.toml")))
    assert "ProtectHome=read-only" in unit.read_text()
    assert exposure(unit) <= MOST_EXPOSURE
    unit.write_text("[Service]\nExecStart=/bin/true\n")
    assert exposure(unit) > 9.0


@needs_systemd
def test_systemd_reads_every_line_of_it(tmp_path: Path) -> None:
    """`verify` complains of unknown keys and values; with an odd path, too."""
    folder = tmp_path / "odd 100% $HOME"
    folder.mkdir()
    program = folder / "benchd"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit = tmp_path / "benchd.service"
    unit.write_text(unit_text(program, folder / "bench.toml"))
    done = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, timeout=30, check=False
    )
    assert [line for line in done.stderr.splitlines() if "benchd.service" in line] == []


def test_what_the_watch_needs_of_it() -> None:
    said = dict(re.findall(r"^(\w+)=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE))
    expected = {"Type": "notify", "User": "benchd", "StateDirectory": "benchd", "RuntimeDirectory": "benchd"}
    assert {key: said[key] for key in expected} == expected
    assert float(said["WatchdogSec"]) >= 15.0  # three meals, each of a part seen to move within 5 s
    devices = re.findall(r"^DeviceAllow=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE)
    assert devices == ["char-ttyUSB rw", "char-ttyACM rw"]
    assert said["DevicePolicy"] == "closed"
    assert "78" in said["RestartPreventExitStatus"].split()


def test_the_daemons_libraries_live_without_memory_both_written_and_run() -> None:
    """MemoryDenyWriteExecute=yes, here by the kernel's own prctl(PR_SET_MDWE), number 65, of Linux 6.3."""
    script = (
        "import ctypes, mmap, sys\n"
        "if ctypes.CDLL(None).prctl(65, 1, 0, 0, 0): sys.exit(77)\n"
        "try: mmap.mmap(-1, 4096, prot=mmap.PROT_WRITE | mmap.PROT_EXEC)\n"
        "except PermissionError: pass\n"
        "else: sys.exit('not denied')\n"
        "from benchd.core.engine import Engine\n"
        "from benchd.plugins import watcher_plan, PLUGINS\n"
        "import benchd.app, numpy, paho.mqtt.client, aiosqlite, uvicorn\n"
        "for folder in ('sources', 'outlets'): [PLUGINS.module_of(folder, kind) for kind in PLUGINS.kinds(folder)]\n"
        "numpy.linalg.solve(numpy.eye(50), numpy.ones(50))\n"
        "Engine(watcher_plan)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
    if done.returncode == 77:
        pytest.skip("this kernel has no PR_SET_MDWE (Linux 6.3 or newer)")
    assert (done.returncode, done.stderr) == (0, "")
