"""A person's TOML file changed in place: comments kept, rights kept, never half written, nobody's edit lost."""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path

import pytest

from benchd.settings.edits import EditError, date, pairs, read_toml, save_toml, set_keys

TEXT = """# the bench
[[channel]]   # the cup
senml = "b1-cup"
role = "cup_temperature"  # witness

# ---- the pot

[[channel]]
senml = "b1-pot"
calibration = [["0.4 psi", "0 psi"]]  # spring
"""


def write(folder: Path, text: str = TEXT) -> Path:
    path = folder / "bench.toml"
    path.write_bytes(text.encode())
    return path


def nothing(_: object) -> None:
    return None


def changed(path: Path, index: int, **keys: object) -> str:
    file = read_toml(path)
    set_keys(file.values["channel"][index], keys)
    save_toml(file, nothing, nothing)
    return path.read_text("utf-8")


def test_a_new_key_stands_below_the_tables_last_and_above_what_speaks_of_the_next(tmp_path: Path) -> None:
    text = changed(write(tmp_path), 0, calibration=pairs([("1.3 C", "0 C")]), calibrated=date("2026-11-25"))
    new = '  # witness\ncalibration = [["1.3 C", "0 C"]]\ncalibrated = 2026-11-25\n\n# ---- the pot'
    assert text == TEXT.replace("  # witness\n\n# ---- the pot", new)


def test_a_key_is_replaced_in_its_place_and_taken_away(tmp_path: Path) -> None:
    path = write(tmp_path)
    assert tomllib.loads(changed(path, 1, calibration=pairs([("0.5 psi", "0 psi")])))["channel"][1] == {
        "senml": "b1-pot",
        "calibration": [["0.5 psi", "0 psi"]],
    }
    assert "calibration" not in changed(path, 1, calibration=None, calibrated=None)
    assert "# ---- the pot" in path.read_text("utf-8")


def test_a_table_written_on_one_line_is_changed_too(tmp_path: Path) -> None:
    path = write(tmp_path, 'channel = [{ senml = "b1-cup" }]  # all of them\n')
    text = changed(path, 0, calibrated=date("2026-11-25"))
    assert str(tomllib.loads(text)["channel"][0]["calibrated"]) == "2026-11-25"
    assert "# all of them" in text


def test_rights_and_links_stay(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    real = write(tmp_path / "etc")
    real.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(real)
    changed(link, 0, calibrated=date("2026-11-25"))
    assert link.is_symlink()
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    assert os.listdir(tmp_path / "etc") == ["bench.toml"]


def test_what_changed_since_it_was_read_is_left_alone(tmp_path: Path) -> None:
    path = write(tmp_path)
    file = read_toml(path)
    path.write_text(TEXT + "# mine\n", "utf-8")
    noted: list[str] = []
    with pytest.raises(EditError, match="changed by somebody else"):
        save_toml(file, nothing, noted.append)
    assert path.read_text("utf-8") == TEXT + "# mine\n"
    assert noted == []
    assert os.listdir(tmp_path) == ["bench.toml"]


def test_what_is_judged_wrong_is_not_written(tmp_path: Path) -> None:
    path = write(tmp_path)

    def judge(new: Path) -> None:
        assert new.parent == tmp_path
        assert new.read_text("utf-8") == TEXT
        raise ValueError("not like this")

    with pytest.raises(ValueError, match="not like this"):
        save_toml(read_toml(path), judge, nothing)
    assert os.listdir(tmp_path) == ["bench.toml"]


@pytest.mark.parametrize("content", [b"\xff\xfe", b"= 3", None])
def test_what_cannot_be_read_is_told(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "bench.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(EditError, match="cannot be read"):
        read_toml(path)
