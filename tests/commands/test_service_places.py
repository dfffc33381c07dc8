"""Commands started by hand on a service's bench: they read and edit what the service keeps, and `check` says where."""

from __future__ import annotations

import asyncio
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from service_daemon import etc_of, needs_mounts, read_only

from benchd import cli
from benchd.commands.check import lying
from benchd.commands.run import settled
from benchd.errors import SettingsError
from benchd.runtime.journal.journal import Journal
from benchd.settings.move_in import move_in
from benchd.settings.places import Lying, listed, places_of

ROOT = Path(__file__).parents[2]
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")


class Service:
    """A bench that a service has taken over, seen by a command without the service's environment."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.etc, self.state = etc_of(folder / "etc"), folder / "var" / "benchd"
        self.bench = self.etc / "bench.toml"
        shutil.copy(ROOT / "config" / "bench.toml", self.bench)
        monkeypatch.setenv("STATE_DIRECTORY", str(self.state))
        assert move_in(places_of(self.bench)).trouble == ""
        monkeypatch.delenv("STATE_DIRECTORY")
        monkeypatch.setenv("RUNTIME_DIRECTORY", str(folder / "run"))  # no daemon answers there
        monkeypatch.setattr("benchd.settings.places.SYSTEM_STATE", self.state.parent)

    def run(self, *words: str) -> int:
        return cli.main([*words, "-c", str(self.bench)])


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Service:
    return Service(tmp_path, monkeypatch)


def test_shelf_edits_the_services_own(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    before = (service.etc / "shelf.toml").read_bytes()
    assert service.run("shelf", "retire", "mold", "M01") == 0
    assert f"{service.state}/shelf.toml: mold M01 written" in capsys.readouterr().out
    assert b"retired = true" in (service.state / "shelf.toml").read_bytes()
    assert (service.etc / "shelf.toml").read_bytes() == before
    assert service.run("shelf") == 0
    assert "retired" in capsys.readouterr().out


def test_learn_writes_into_the_services_resins(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    kept, beside = (folder / "resins" / "fast-white.toml" for folder in (service.state, service.etc))
    label, before = kept.read_text("utf-8"), beside.read_bytes()
    kept.write_text(f"{label}\n[cure]\nbefore = {{}}\n", "utf-8")
    assert service.run("learn", "fast-white", "--undo") == 0
    assert f"{kept}: back to the label." in capsys.readouterr().out
    assert kept.read_text("utf-8").strip() == label.strip()
    assert beside.read_bytes() == before


def test_calibrate_edits_bench_toml_where_it_lies_and_keeps_its_history_with_the_journal(
    service: Service, capsys: pytest.CaptureFixture[str]
) -> None:
    assert service.run("calibrate", "cup-1-temperature", "ice", "--value", "0.8 C", "--yes") == 0
    assert f"written into {service.bench}" in capsys.readouterr().out
    assert "0.8 C" in service.bench.read_text("utf-8")
    assert not (service.state / "bench.toml").exists()
    assert "cup-1-temperature" in (service.state / "calibrations.jsonl").read_text("utf-8")


@needs_mounts
def test_calibrate_says_at_once_that_it_may_not_write_there(service: Service) -> None:
    words = ["calibrate", "cup-1-temperature", "ice", "--value", "0.8 C", "--yes", "-c", str(service.bench)]
    command = [*read_only(service.etc), sys.executable, "-m", "benchd", *words]
    env = os.environ | {"STATE_DIRECTORY": str(service.state)}
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, env=env)
    why = "you may not write there; run the command as its owner or with sudo"
    assert (done.returncode, done.stdout, done.stderr) == (1, "", f"error: {service.bench}: {why}\n")


def test_a_backup_holds_what_the_service_keeps(service: Service, tmp_path: Path) -> None:
    async def begun() -> None:
        async with Journal(service.state / "journal.db"):
            pass

    asyncio.run(begun())
    assert service.run("shelf", "retire", "mold", "M01") == 0
    assert service.run("backup", str(tmp_path / "bench.zip")) == 0
    with zipfile.ZipFile(tmp_path / "bench.zip") as file:
        assert file.read("config/shelf.toml") == (service.state / "shelf.toml").read_bytes()
        assert "config/resins/fast-white.toml" in file.namelist()


def test_check_lists_every_place_and_whether_it_can_be_written(
    service: Service, capsys: pytest.CaptureFixture[str]
) -> None:
    service.run("check", "--files-only")
    said = capsys.readouterr().out.partition("Where it lies\n")[2].partition("\n\n")[0]
    expected = [
        f"settings: {service.bench}: the bench; of benchd only `calibrate` writes it",
        f"shelf: {service.state}/shelf.toml: molds and lots; {service.etc}/shelf.toml is not read",
        f"resins: {service.state}/resins: labels, and what `benchd learn` learned; {service.etc}/resins is not read",
        f"journal: {service.state}/journal.db: all that was seen and said",
        f"run sheet: {service.state}/sheet.json: the day's plan, as kept",
        f"orders: {service.state}/orders.json: what was ordered, and how far it is",
        f"calibrations: {service.state}/calibrations.jsonl: points as they were, for --undo",
        f"tables: {service.state}/tables: computed from the resins; made again if removed",
        f"keys: {service.state}/https: the page's certificate, keys and paired phones",
    ]
    assert [line.strip() for line in said.splitlines()] == expected


def test_check_names_the_shelf_that_is_no_longer_read(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    (service.etc / "shelf.toml").write_text("# emptied\n")
    service.run("check", "--files-only")
    said = capsys.readouterr().out.partition("Cautions\n")[2]
    assert f"{service.etc}/shelf.toml: file: is not read, and was changed since {service.state}/shelf.toml" in said


@needs_mounts
def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """By the system's own answer for a read-only mount, which holds for root too."""
    script = (
        "import sys\nfrom pathlib import Path\n"
        "from benchd.commands.check import lying\nfrom benchd.settings.places import Lying\n"
        "print(lying(Lying('shelf', Path(sys.argv[1]), 'molds')))\n"
    )
    path = tmp_path / "shelf.toml"
    command = [*read_only(tmp_path), sys.executable, "-c", script, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == f"shelf: {path}: molds; you cannot write there\n"
    assert lying(Lying("shelf", path, "molds")) == f"shelf: {path}: molds"


@needs_root
def test_nobody_but_the_service_runs_its_bench(service: Service) -> None:
    """Files that another user's daemon made there would be closed to it."""
    os.chown(service.state, 12345, 12345)
    with pytest.raises(SettingsError, match="start it with: systemctl start benchd"):
        settled(service.bench, None)
    assert listed(places_of(service.bench), service.state / "journal.db")[1].path == service.state / "shelf.toml"


@needs_root
def test_what_root_makes_there_belongs_to_the_service(service: Service) -> None:
    os.chown(service.state, 12345, 12346)
    (service.state / "shelf.toml").unlink()
    (service.etc / "shelf.toml").unlink()
    assert service.run("shelf", "add", "lot", "R-09", "resin=fast-white") == 0
    assert service.run("calibrate", "cup-1-temperature", "ice", "--value", "0.8 C", "--yes") == 0
    made = {name: (service.state / name).stat() for name in ("shelf.toml", "calibrations.jsonl")}
    assert {name: (s.st_uid, s.st_gid) for name, s in made.items()} == dict.fromkeys(made, (12345, 12346))
