"""Editing the shelf: comments stay, nothing half-written, two edits at once are told apart."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from benchd import cli
from benchd.errors import SettingsError
from benchd.plugins import load_settings
from benchd.settings.edits import EditError
from benchd.settings.shelf_edits import add, change, read_shelf, save, typed

ROOT = Path(__file__).parents[2]


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(ROOT / "config", tmp_path / "config")
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))  # no daemon there
    return tmp_path / "config" / "bench.toml"


def shelf(config: Path) -> Path:
    return config.parent / "shelf.toml"


def cured(config: Path) -> dict[str, object]:
    return {m["code"]: m for m in tomllib.loads(shelf(config).read_text("utf-8"))["mold"]}


GULL = {"code": "M09", "name": "Harbour gull", "cavity_ml": 20, "thin_mm": 3, "thick_mm": 12}


def test_an_added_mold_stands_behind_the_others_and_every_comment_stays_where_it_was(config: Path) -> None:
    before = shelf(config).read_text("utf-8")
    file = read_shelf(shelf(config))
    add(file, "mold", GULL)
    save(file, lambda new: load_settings(config, new))
    after = shelf(config).read_text("utf-8")
    lots = before.index("# A lot is one delivery")
    assert after.startswith(before[:lots].rstrip("\n"))
    assert after.endswith(before[lots:])
    added = after[len(before[:lots].rstrip("\n")) : -len(before[lots:])]
    assert added.split("\n")[:3] == ["", "", "[[mold]]"]
    assert added.endswith("thick_mm = 12\n\n")
    mold = load_settings(config).bench.mold("m09")
    assert mold is not None
    assert (mold.name, mold.cavity_ml) == ("Harbour gull", 20)


def test_a_changed_key_keeps_the_rest_as_it_was(config: Path) -> None:
    before = shelf(config).read_text("utf-8")
    file = read_shelf(shelf(config))
    change(file, "mold", "m05", {"life": 46})
    save(file, lambda new: load_settings(config, new))
    assert shelf(config).read_text("utf-8") == before.replace("life = 45 ", "life = 46 ")


def test_two_edits_at_once_are_told_apart(config: Path) -> None:
    mine, theirs = read_shelf(shelf(config)), read_shelf(shelf(config))
    change(theirs, "mold", "M01", {"life": 61})
    save(theirs, lambda new: load_settings(config, new))
    change(mine, "mold", "M01", {"life": 59})
    with pytest.raises(EditError, match="in the meantime"):
        save(mine, lambda new: load_settings(config, new))
    again = read_shelf(shelf(config))
    with pytest.raises(EditError, match="changed since it was read"):
        save(again, lambda new: load_settings(config, new), digest=mine.digest)
    assert "life = 61" in shelf(config).read_text("utf-8")


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"cavity_ml": -3}, "cavity_ml"), ({"thin_mm": 30}, "swapped"), ({"warm": "40 psi"}, "warm"),
        ({"life": 0}, "life"),
    ],
)  # fmt: skip
def test_what_does_not_hold_is_not_written(config: Path, keys: dict[str, object], words: str) -> None:
    before = shelf(config).read_bytes()
    file = read_shelf(shelf(config))
    add(file, "mold", {**GULL, **keys})
    with pytest.raises(SettingsError, match=words) as refused:
        save(file, lambda new: load_settings(config, new))
    assert {complaint.file for complaint in refused.value.complaints} == {str(shelf(config))}
    assert shelf(config).read_bytes() == before
    assert sorted(p.name for p in config.parent.iterdir() if p.name.startswith(".")) == []


def test_unknown_keys_codes_and_renames_are_refused(config: Path) -> None:
    file = read_shelf(shelf(config))
    with pytest.raises(EditError, match=r'no key "cavity".*cavity_ml'):
        add(file, "mold", {"code": "M10", "cavity": 3})
    with pytest.raises(EditError, match="there already"):
        add(file, "mold", {**GULL, "code": "m01"})
    with pytest.raises(EditError, match='no mold "M77"'):
        change(file, "mold", "M77", {"life": 3})
    with pytest.raises(EditError, match="a code stays"):
        change(file, "mold", "M01", {"code": "M21"})


@pytest.mark.parametrize(
    ("key", "written", "value"),
    [("life", "60", 60), ("cavity_ml", "12.5", 12.5), ("retired", "true", True), ("warm", "40 C", "40 C"),
     ("name", "7", "7"), ("note", "", None)],
)  # fmt: skip
def test_values_as_typed(key: str, written: str, value: object) -> None:
    assert typed(key, written) == value


def test_the_first_mold_of_an_empty_shelf(tmp_path: Path, config: Path) -> None:
    shelf(config).write_text("", "utf-8")
    file = read_shelf(shelf(config))
    add(file, "mold", GULL)
    save(file, lambda new: load_settings(config, new))
    assert [mold.code for mold in load_settings(config).bench.molds] == ["M09"]


def test_the_command_adds_from_water_changes_retires_and_shows(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["-c", str(config)]
    water = ["--water", "1209.8 g", "1100 g", "20 C"]
    keys = ["name=Gull", "thin_mm=3", "thick_mm=12", "gate_ml=10"]
    assert cli.main(["shelf", "add", "mold", "M09", *keys, *water, *where]) == 0
    mold = load_settings(config).bench.mold("m09")
    assert mold is not None
    # by hand: 109.8 g of water at 20 C fill 110.0 ml, 10 ml of them the gate
    assert mold.cavity_ml == pytest.approx(100.0, abs=0.05)
    assert cli.main(["shelf", "change", "mold", "M09", "--casting", "117.7 g", *where]) == 0
    assert cli.main(["shelf", "retire", "mold", "M09", *where]) == 0
    capsys.readouterr()
    assert cli.main(["shelf", *where]) == 0
    out = capsys.readouterr().out
    assert "M09" in out
    assert "retired" in out
    assert cli.main(["shelf", "restore", "mold", "M09", *where]) == 0
    assert "retired" not in shelf(config).read_text("utf-8")
    assert cli.main(["shelf", "change", "lot", "R-07", "cost_kg=15.25", *where]) == 0
    assert load_settings(config).bench.lots[0].cost_kg == 15.25


@pytest.mark.parametrize(
    ("more", "cavity_ml"),
    [
        # by hand: a casting of 105 g; the shelf has 6 ml of gate and 8 ml of reservoir for M01
        ([], 105 / 1.07 - 14), (["resin=slow-clear"], 105 / 1.05 - 14), (["--of", "R-05"], 105 / 1.0 - 14),
    ],
)  # fmt: skip
def test_a_casting_is_as_dense_as_its_own_resin(config: Path, more: list[str], cavity_ml: float) -> None:
    text = shelf(config).read_text("utf-8")
    at = text.index('code = "R-05"')
    shelf(config).write_text(text[:at] + 'density_cured = "1 g/ml"\n' + text[at:], "utf-8")
    clear = config.parent / "resins" / "slow-clear.toml"
    clear.write_text(clear.read_text("utf-8").replace("1.07 g/ml", "1.05 g/ml"), "utf-8")
    assert cli.main(["shelf", "change", "mold", "M01", *more, "--casting", "105 g", "-c", str(config)]) == 0
    mold = load_settings(config).bench.mold("m01")
    assert mold is not None
    assert mold.cavity_ml == pytest.approx(cavity_ml, abs=0.05)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["change", "mold", "M01", "--casting", "9 g", "--of", "R-99"], 'no lot "R-99"; known: R-05, R-07'),
        (["change", "mold", "M01", "resin=fast-wite", "--casting", "9 g"], "no resin fast-wite"),
        (["add", "mold", "M09", "name"], "KEY=VALUE"), (["retire", "lot", "R-05"], "suspect"),
        (["change", "mold", "M01", "--water", "10 g", "20 g", "20 C"], "swapped"),
        (["change", "mold", "M01", "--casting", "-1 g"], "above zero"),
        (["change", "mold", "M01", "--water", "20 g", "10 g", "90 C"], "between 0 and 40 C"),
    ],
)  # fmt: skip
def test_the_command_says_what_is_wrong(
    config: Path, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = shelf(config).read_bytes()
    assert cli.main(["shelf", *arguments, "-c", str(config)]) == 1
    assert words in capsys.readouterr().err
    assert shelf(config).read_bytes() == before
