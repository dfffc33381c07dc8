"""Links planted in a state directory lead no pen elsewhere: a command run as root would write wherever they point."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from service_daemon import etc_of

from benchd import cli
from benchd.commands.run import shelf_desk
from benchd.runtime.shelf_desk import ShelfEdit, ShelfRefused
from benchd.settings.move_in import move_in
from benchd.settings.places import places_of

ROOT = Path(__file__).parents[2]
VICTIM = '# somebody else\'s file\n[[mold]]\ncode = "M01"\nname = "x"\ncavity_ml = 1\nthin_mm = 3\nthick_mm = 4\n'


class Planted:
    """A bench as a service has it, and a file outside that nothing here may touch."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.etc, self.state = etc_of(folder / "etc"), folder / "state"
        self.bench = self.etc / "bench.toml"
        shutil.copy(ROOT / "config" / "bench.toml", self.bench)
        self.outside = folder / "outside"
        (self.outside / "resins").mkdir(parents=True)
        self.state.mkdir()
        self.victim = self.outside / "victim.toml"
        self.victim.write_text(VICTIM)
        monkeypatch.setenv("STATE_DIRECTORY", str(self.state))
        monkeypatch.setenv("RUNTIME_DIRECTORY", str(folder / "run"))

    def settled(self) -> Planted:
        assert move_in(places_of(self.bench)).trouble == ""
        return self

    def link(self, name: str, to: Path) -> None:
        path = self.state / name
        path.unlink(missing_ok=True)
        path.symlink_to(to)

    def run(self, *words: str) -> int:
        return cli.main([*words, "-c", str(self.bench)])

    @property
    def is_untouched(self) -> bool:
        found = sorted(p.relative_to(self.outside).as_posix() for p in self.outside.rglob("*"))
        return self.victim.read_text() == VICTIM and found == ["resins", "victim.toml"]


@pytest.fixture
def planted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Planted:
    return Planted(tmp_path, monkeypatch)


def test_a_shelf_that_is_a_link_is_neither_read_nor_written(planted: Planted) -> None:
    planted.settled().link("shelf.toml", planted.victim)
    assert places_of(planted.bench).shelf == planted.etc / "shelf.toml"
    assert planted.run("shelf", "change", "mold", "M01", "name=taken") == 0
    assert planted.is_untouched
    assert "taken" in (planted.etc / "shelf.toml").read_text("utf-8")


def test_a_link_planted_after_the_form_looked_is_not_followed(planted: Planted) -> None:
    form = shelf_desk(planted.settled().bench, None)
    digest = form.read()["digest"]
    planted.link("shelf.toml", planted.victim)
    edit = ShelfEdit(action="change", kind="mold", code="M01", digest=digest, keys={"name": "taken"})
    with pytest.raises(ShelfRefused, match="is a link, which is not followed there"):
        form.write(edit)
    with pytest.raises(ShelfRefused, match="is a link, which is not followed there"):
        form.read()
    assert planted.is_untouched


def test_no_shelf_is_made_through_a_dangling_link(planted: Planted) -> None:
    form = shelf_desk(planted.settled().bench, None)
    planted.link("shelf.toml", planted.outside / "new.toml")
    with pytest.raises(ShelfRefused, match="is a link"):
        form.write(ShelfEdit(action="add", kind="mold", code="M90", digest="0", keys={"name": "x"}))
    assert planted.is_untouched


@pytest.mark.parametrize("name", ["shelf.toml", "resins", "origin.json"])
@pytest.mark.parametrize("to", ["victim.toml", "resins", "nowhere"])
def test_the_copy_is_not_written_through_a_link(name: str, to: str, planted: Planted) -> None:
    planted.link(name, planted.outside / to)
    move_in(places_of(planted.bench))
    assert planted.is_untouched
    assert not os.path.lexists(planted.outside / "nowhere")


def test_a_resins_folder_that_is_a_link_is_neither_read_nor_written(
    planted: Planted, capsys: pytest.CaptureFixture[str]
) -> None:
    planted.link("resins", planted.outside / "resins")
    planted.settled()
    assert places_of(planted.bench).resins == planted.etc / "resins"
    planted.run("check", "--files-only")
    assert f"{planted.state}/resins: file: is a link, which is not followed there" in capsys.readouterr().out
    assert planted.is_untouched


def test_a_resin_that_is_a_link_is_not_learned_into(planted: Planted, capsys: pytest.CaptureFixture[str]) -> None:
    planted.settled()
    label = (planted.etc / "resins" / "fast-white.toml").read_text("utf-8") + "\n[cure]\nbefore = {}\n"
    planted.victim.write_text(label, "utf-8")
    planted.link("resins/fast-white.toml", planted.victim)
    assert planted.run("learn", "fast-white", "--undo") == 1
    assert "is a link, which is not followed there" in capsys.readouterr().err
    assert planted.victim.read_text("utf-8") == label


def test_no_calibration_is_noted_through_a_link(planted: Planted, capsys: pytest.CaptureFixture[str]) -> None:
    planted.settled().link("calibrations.jsonl", planted.victim)
    before = planted.bench.read_bytes()
    assert planted.run("calibrate", "cup-1-temperature", "ice", "--value", "0.8 C", "--yes") == 1
    assert "cannot be written, so nothing is changed" in capsys.readouterr().err
    assert planted.is_untouched
    assert planted.bench.read_bytes() == before
