"""Is the service unit sound, shut as far as benchd can do without, and the one `benchd init` writes?"""

from __future__ import annotations

import os
import pwd
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from daemon import Daemon
from service_daemon import APART, etc_of, needs_mounts

import benchd
from benchd.commands.init import service as init_service
from benchd.commands.init.service import Owner, owner_of, steps, unit_text
from benchd.plugins import load_settings
from benchd.runtime.http.local_client import ask

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "config" / "benchd.service"
MOST_EXPOSURE = 2.0
ANN = Owner("ann", 1000, Path("/home/ann"), Path("/home/ann/.local/state/benchd"))
ANNS = Path("/home/ann/bench/bench.toml")
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
    """1.4 as its owner, 1.4 as a user of its own with the program in a home, both with systemd 252."""
    unit = tmp_path / "benchd.service"
    for config, owner in ((ANNS, ANN), (Path("/etc/benchd/bench.toml"), None)):
        unit.write_text(unit_text(Path("/home/ann/.venv/bin/benchd"), config, owner))
        assert "ProtectHome=read-only" in unit.read_text()
        assert exposure(unit) <= MOST_EXPOSURE
    unit.write_text("[Service]\nExecStart=/bin/true\n")
    assert exposure(unit) > 9.0


@needs_systemd
@pytest.mark.parametrize("owner", [None, ANN], ids=["own user", "owner"])
def test_systemd_reads_every_line_of_it(owner: Owner | None, tmp_path: Path) -> None:
    """`verify` complains of unknown keys and values; with an odd path, too."""
    folder = tmp_path / "odd 100% $HOME"
    folder.mkdir()
    program = folder / "benchd"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit = tmp_path / "benchd.service"
    unit.write_text(unit_text(program, folder / "bench.toml", owner))
    done = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, timeout=30, check=False
    )
    assert [line for line in done.stderr.splitlines() if "benchd.service" in line] == []


@needs_systemd
@pytest.mark.parametrize("name", ["benchd-gather", "benchd-shop"])
def test_the_shops_units_are_as_shut_and_every_line_is_read(name: str, tmp_path: Path) -> None:
    """The same sandbox as the bench's own, and no device; each names the command there is."""
    text = (ROOT / "config" / f"{name}.service").read_text("utf-8")
    own = UNIT.read_text("utf-8")
    restricting = own[own.index("# Nothing of the system") : own.index("# The broker and the page")]
    assert restricting in text
    unit, program = tmp_path / f"{name}.service", tmp_path / "benchd"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit.write_text(text.replace("/opt/benchd/bin/benchd", str(program)))
    assert exposure(unit) <= MOST_EXPOSURE
    done = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, timeout=30, check=False
    )
    assert [line for line in done.stderr.splitlines() if f"{name}.service" in line] == []
    assert f"benchd {name.removeprefix('benchd-')} -c /etc/benchd/workshop.toml" in text


def test_what_the_watch_needs_of_it() -> None:
    said = dict(re.findall(r"^(\w+)=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE))
    expected = {"Type": "notify", "User": "benchd", "StateDirectory": "benchd", "RuntimeDirectory": "benchd"}
    assert {key: said[key] for key in expected} == expected
    assert float(said["WatchdogSec"]) >= 15.0  # three meals, each of a part seen to move within 5 s
    devices = re.findall(r"^DeviceAllow=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE)
    assert devices == ["char-ttyUSB rw", "char-ttyACM rw"]
    assert said["DevicePolicy"] == "closed"
    assert "78" in said["RestartPreventExitStatus"].split()


# ------------------------------------------------------------------------------------------------ a bench in a home


def lines_of(text: str) -> dict[str, str]:
    return dict(re.findall(r"^(\w+)=(.*)$", text, re.MULTILINE))


def test_a_bench_in_a_home_runs_as_who_lives_there_and_writes_where_it_would_without_a_service() -> None:
    said = lines_of(unit_text(config=ANNS, owner=ANN))
    assert said["User"] == "ann"
    assert said["ReadWritePaths"] == "/home/ann/bench /home/ann/.local/state/benchd"
    assert said["Environment"] == "XDG_STATE_HOME=/home/ann/.local/state"
    assert said["InaccessiblePaths"] == "-/home/ann/.ssh -/home/ann/.gnupg"
    assert said["RemoveIPC"] == "no"  # systemd.exec(5): it takes away all of that user's, of other programs too
    assert "StateDirectory" not in said
    assert lines_of(unit_text())["RemoveIPC"] == "yes"


@dataclass
class HomeDaemon(Daemon):
    """`benchd run` where of a home only what the unit names can be written, as systemd would mount it."""

    def __post_init__(self) -> None:
        super().__post_init__()
        path = self.folder / "bench.toml"
        path.write_text(path.read_text("utf-8").partition("\n[journal]")[0], "utf-8")

    @property
    def home(self) -> Path:
        return self.folder.parent

    @property
    def owner(self) -> Owner:
        return Owner("ann", os.getuid(), self.home, self.home / ".local" / "state" / "benchd")

    @property
    def unit(self) -> dict[str, str]:
        return lines_of(unit_text(config=self.folder / "bench.toml", owner=self.owner))

    @property
    def socket(self) -> Path:
        return self.home.parent / "run" / "benchd.sock"

    def given(self) -> dict[str, str]:
        name, _, value = self.unit["Environment"].partition("=")
        return super().given() | {name: value}

    def around(self) -> list[str]:
        mounts = [f"mount --bind {path} {path}" for path in (self.home, *shlex.split(self.unit["ReadWritePaths"]))]
        mounts.append(f"mount -o remount,ro,bind {self.home}")
        return [*APART, "sh", "-c", " && ".join([*mounts, 'exec "$@"']), "sh"]


@needs_mounts
def test_a_bench_in_a_home_is_watched_and_its_shelf_saved_with_no_more_than_the_unit_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    daemon = HomeDaemon(etc_of(tmp_path / "home" / "bench"))
    daemon.owner.state.mkdir(parents=True)  # as init makes it
    with daemon.started():
        edit = {"digest": daemon.get("/api/v0/shelf")["digest"], "do": "retire", "kind": "mold", "code": "M01"}
        status, answer = ask("PUT", "/api/v0/shelf", edit, daemon.socket)
        assert (status, answer) == (200, answer | {"ok": True, "why": ""})
        assert daemon.stop() == 0
    monkeypatch.setenv("XDG_STATE_HOME", str(daemon.home / ".local" / "state"))
    loaded = load_settings(daemon.folder / "bench.toml")
    assert b"retired = true" in (daemon.folder / "shelf.toml").read_bytes()
    assert loaded.journal_path == daemon.owner.state / "journal.db"
    assert loaded.journal_path.exists()


class Home:
    """Somebody's home, as the system's list of users would have it."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, uid: int) -> None:
        self.folder = folder / "ann"
        (self.folder / "bench").mkdir(parents=True)
        found = pwd.struct_passwd(("ann", "x", uid, uid, "", str(self.folder), "/bin/sh"))
        monkeypatch.setattr(pwd, "getpwuid", {uid: found}.__getitem__)
        monkeypatch.setattr(os, "geteuid", lambda: uid)


def test_whose_home_it_is_is_who_owns_the_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "/elsewhere")
    home = Home(tmp_path, monkeypatch, 12345)
    expected = Owner("ann", 12345, home.folder, Path("/elsewhere/benchd"))
    assert owner_of(home.folder / "not made yet") == expected
    assert owner_of(tmp_path / "not in the home") is None


def test_roots_own_folders_are_no_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert owner_of(Home(tmp_path, monkeypatch, 0).folder / "not made yet") is None


# --------------------------------------------------------------------------------------- where the service cannot look


def bench_at(folder: Path) -> Path:
    folder.mkdir(parents=True)
    (folder / "resins").mkdir()
    for name in ("bench.toml", "shelf.toml", "resins/fast-white.toml", "broker.password"):
        (folder / name).write_text(f"# {name}\n")
    (folder / "benchd.service").write_text(unit_text(config=folder / "bench.toml"))
    return folder / "bench.toml"


def test_a_folder_the_service_cannot_see_is_said_with_commands_that_mend_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The commands are run as they are printed, /etc/benchd aside; PrivateTmp= hides /tmp, here this test's own."""
    monkeypatch.setattr(init_service, "OWN_TO_THE_SERVICE", (str(tmp_path),))
    config, etc = bench_at(tmp_path / "my bench"), tmp_path / "etc" / "benchd"
    etc.parent.mkdir()
    monkeypatch.setattr(init_service, "EXAMPLE_CONFIG", etc / "bench.toml")
    monkeypatch.setattr(sys, "executable", "/bin/sh")
    monkeypatch.setattr(benchd, "__file__", "/bin/sh")
    said = steps(Path("/bin/sh"), config, None)
    assert said[0] == f"First, as root, because the service has a {tmp_path} of its own:"
    for path in config.parent.rglob("*.toml"):
        path.chmod(0o600)
    subprocess.run(["sh", "-ec", "\n".join(said[1:])], check=True, timeout=30)
    started = shlex.split(lines_of((etc / "benchd.service").read_text())["ExecStart"])
    assert started == ["/opt/benchd/bin/benchd", "run", "-c", f"{etc}/bench.toml"]
    modes = {p.relative_to(etc).as_posix(): p.stat().st_mode & 0o777 for p in etc.rglob("*") if p.is_file()}
    files = ("bench.toml", "benchd.service", "resins/fast-white.toml", "shelf.toml")
    assert modes == dict.fromkeys(files, 0o644)  # and no password


def test_a_shut_folder_is_named_unless_it_is_the_owners_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(init_service, "OWN_TO_THE_SERVICE", ())
    config = bench_at(tmp_path / "bench")
    shut = next(p for p in reversed(config.parents) if not p.stat().st_mode & 0o1)  # pytest's folders are 0700
    assert f"the service may not look into {shut}" in steps(Path("/bin/sh"), config, None)[0]
    assert steps(Path("/bin/sh"), config, Owner("ann", os.getuid(), tmp_path, tmp_path)) == []


def test_a_program_the_service_cannot_see_is_to_be_installed_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = tmp_path / "benchd"
    program.touch()
    said = steps(program, Path("/etc/hosts"), None)
    assert [line.strip() for line in said[1:]] == [
        f"python3 -m venv /opt/benchd && /opt/benchd/bin/pip install {ROOT}",
        f"sed -i 's|{program}|/opt/benchd/bin/benchd|' /etc/benchd.service",
    ]


@pytest.mark.wide
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
