"""Does the form read every value back as typed, keep comments, name the key that is wrong, and no folder ever?"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from benchd.plugins import load_settings
from benchd.runtime.shelf_desk import ShelfEdit, ShelfRefused
from benchd.settings.shapes import SHELF
from benchd.settings.shelf_form import ShelfForm

ROOT = Path(__file__).parents[2]
GULL = {"name": "Harbour gull", "cavity_ml": "40", "thin_mm": "3", "thick_mm": "12"}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return tmp_path / "config"


@pytest.fixture
def form(folder: Path) -> ShelfForm:
    return ShelfForm(folder / "shelf.toml", lambda new: load_settings(folder / "bench.toml", new))


def edit(form: ShelfForm, action: str, code: str, kind: str = "mold", digest: str | None = None, **keys: str) -> str:
    digest = form.read()["digest"] if digest is None else digest
    return form.write(ShelfEdit(action=action, kind=kind, code=code, digest=digest, keys=keys))  # type: ignore[arg-type]


def refused(form: ShelfForm, action: str, code: str, kind: str = "mold", **keys: str) -> ShelfRefused:
    with pytest.raises(ShelfRefused) as caught:
        edit(form, action, code, kind, **keys)
    return caught.value


def test_what_stands_in_the_file_is_shown_as_it_would_be_typed(form: ShelfForm) -> None:
    told = form.read()
    assert told["file"] == "shelf.toml"
    first, lot = told["molds"][0], told["lots"][0]
    assert (first["code"], first["cavity_ml"], first["pull"]) == ("M01", "96", "hard")
    assert (lot["opened"], lot["bought"], lot["cost_kg"]) == ("2025-12-30", "2 kg", "14.5")
    keys = {key["key"]: key for key in told["keys"]["lot"]}
    assert list(keys) == list(SHELF["lot"].model_fields)
    assert keys["resin"]["choices"] == ["fast-white", "medium-white", "slow-clear"]
    assert keys["opened"]["is_date"]
    molds = {key["key"]: key for key in told["keys"]["mold"]}
    assert (molds["pull"]["choices"], molds["pull"]["usual"]) == (["green", "hard"], "hard")
    assert (molds["retired"]["choices"], molds["thin_mm"]["is_needed"]) == (["true", "false"], True)


def test_every_value_typed_back_unchanged_changes_nothing(form: ShelfForm, folder: Path) -> None:
    before = (folder / "shelf.toml").read_bytes()
    for kind in ("mold", "lot"):
        for entry in form.read()[f"{kind}s"]:
            edit(form, "change", entry["code"], kind, **{key: text for key, text in entry.items() if key != "code"})
    after = load_settings(folder / "bench.toml").bench
    (folder / "shelf.toml").write_bytes(before)
    assert load_settings(folder / "bench.toml").bench == after


def test_a_mold_is_added_changed_retired_and_cast_again_and_comments_stay(form: ShelfForm, folder: Path) -> None:
    comments = [x for x in (folder / "shelf.toml").read_text("utf-8").splitlines() if x.startswith("#")]
    first = form.read()["digest"]
    assert edit(form, "add", "M09", **GULL, made="2025-09-01", warm="40 C") == form.read()["digest"] != first
    assert edit(form, "change", "m09", life="70", warm="")
    edit(form, "retire", "M09")
    mold = load_settings(folder / "bench.toml").bench.mold("m09")
    assert mold is not None
    assert (mold.life, mold.warm_c, mold.retired, mold.made is not None) == (70, None, True, True)
    edit(form, "restore", "M09")
    mold = load_settings(folder / "bench.toml").bench.mold("m09")
    assert mold is not None
    assert not mold.retired
    text = (folder / "shelf.toml").read_text("utf-8")
    assert [x for x in text.splitlines() if x.startswith("#")] == comments
    assert "retired" not in text.split('code = "M09"')[1]


def test_a_lot_is_weighed_and_marked(form: ShelfForm, folder: Path) -> None:
    edit(form, "change", "R-07", "lot", left="1400 g", left_on="2026-01-05", suspect="foams")
    lot = load_settings(folder / "bench.toml").bench.lot("r-07")
    assert lot is not None
    assert (lot.left_g, lot.suspect) == (1400.0, "foams")


@pytest.mark.parametrize(
    ("action", "code", "kind", "keys", "key", "says"),
    [
        ("change", "M02", "mold", {"thin_mm": "22"}, "thin_mm", "more than thick_mm 9: they may be swapped"),
        ("change", "M02", "mold", {"cavity_ml": "-3"}, "cavity_ml", "greater than 0"),
        ("change", "M02", "mold", {"cavity_ml": ""}, "cavity_ml", "is missing: write for example cavity_ml = 28"),
        ("change", "M02", "mold", {"warm": "40"}, "warm", "no unit"),
        ("change", "M02", "mold", {"pull": "gren"}, "pull", 'did you mean "green"?'),
        ("change", "M02", "mold", {"made": "soon"}, "made", "is not a date"),
        ("change", "M02", "mold", {"life": "9" * 400}, "life", "10000"),
        ("change", "M02", "mold", {"cavity_ml": "9" * 400}, "cavity_ml", ""),
        ("change", "M02", "mold", {"cavity_ml": "[" * 390}, "cavity_ml", ""),
        ("change", "M02", "mold", {"note": "x" * 401}, "note", "at most 400 characters"),
        ("change", "M02", "mold", {"thin": "2"}, "thin", 'no such key; did you mean "thin_mm"?'),
        ("change", "M99", "mold", {"life": "3"}, "code", "no mold M99 is on the shelf any more"),
        ("add", "m02", "mold", GULL, "code", "m02 is taken"),
        ("add", "M 9", "mold", GULL, "code", "letters, digits and - only"),
        ("add", "M09", "mold", {}, "name", "is missing"),
        ("add", "R-09", "lot", {"resin": "fast-wite"}, "resin", 'did you mean "fast-white"?'),
        ("change", "R-07", "lot", {"left": "1 kg"}, "left", "on which day was that left?"),
        ("retire", "R-07", "lot", {}, "", "a lot is not retired"),
    ],
)  # fmt: skip
def test_what_is_wrong_stands_beside_its_key_and_the_file_as_it_was(
    form: ShelfForm, folder: Path, action: str, code: str, kind: str, keys: dict[str, str], key: str, says: str
) -> None:
    before = (folder / "shelf.toml").read_bytes()
    error = refused(form, action, code, kind, **keys)
    assert error.status == 400
    assert error.errors[0][0] == key
    assert says in error.errors[0][1]
    assert str(folder) not in str(error)
    assert (folder / "shelf.toml").read_bytes() == before


def test_every_wrong_key_of_an_entry_is_told_at_once(form: ShelfForm) -> None:
    error = refused(form, "add", "M09", name="Gull", cavity_ml="0", thin_mm="x", thick_mm="3")
    assert {key for key, _ in error.errors} == {"cavity_ml", "thin_mm"}


def test_a_file_changed_since_it_was_looked_at_is_never_written_over(form: ShelfForm, folder: Path) -> None:
    seen = form.read()["digest"]
    path = folder / "shelf.toml"
    path.write_text(path.read_text("utf-8") + "\n# by hand\n", "utf-8")
    before = path.read_bytes()
    with pytest.raises(ShelfRefused, match=r"shelf\.toml was changed since you opened it") as caught:
        edit(form, "retire", "M01", digest=seen)
    assert (caught.value.status, path.read_bytes()) == (409, before)
    assert str(folder) not in str(caught.value)


def test_a_change_while_it_is_judged_is_seen_too(folder: Path) -> None:
    path = folder / "shelf.toml"

    def meanwhile(new: Path) -> None:
        path.write_text(path.read_text("utf-8") + "\n# by hand\n", "utf-8")

    form = ShelfForm(path, meanwhile)
    with pytest.raises(ShelfRefused) as caught:
        edit(form, "retire", "M01")
    assert caught.value.status == 409
    assert path.read_text("utf-8").endswith("# by hand\n")


def test_what_is_wrong_elsewhere_names_the_other_file_and_line(form: ShelfForm, folder: Path) -> None:
    bench = folder / "bench.toml"
    bench.write_text(bench.read_text("utf-8").replace('relief = "55 psi"', 'relief = "55"'), "utf-8")
    error = refused(form, "retire", "M01")
    assert error.errors[0][0] == ""
    assert error.errors[0][1].startswith("bench.toml, line ")
    assert str(folder) not in str(error)


def test_a_shelf_that_is_not_there_yet_takes_its_first_mold(form: ShelfForm, folder: Path) -> None:
    (folder / "shelf.toml").unlink()
    told = form.read()
    assert (told["molds"], told["lots"], (folder / "shelf.toml").exists()) == ([], [], False)
    edit(form, "add", "M09", **GULL)
    assert [mold["code"] for mold in form.read()["molds"]] == ["M09"]


def test_a_file_that_is_no_toml_or_cannot_be_written_says_so_by_its_name(
    form: ShelfForm, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    digest = form.read()["digest"]

    def full(*args: object, **more: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(ShelfRefused, match="No space left on device") as caught:
        edit(form, "retire", "M01", digest=digest)
    assert (caught.value.status, str(folder) in str(caught.value)) == (503, False)
    monkeypatch.undo()
    (folder / "shelf.toml").write_text("[[mold]\n", "utf-8")
    with pytest.raises(ShelfRefused, match=r"shelf\.toml: cannot be read") as spoilt:
        form.read()
    assert (spoilt.value.status, str(folder) in str(spoilt.value)) == (503, False)
