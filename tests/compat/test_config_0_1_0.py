"""Settings written for 0.1.0 still load without complaint, and mean what they meant.

config-0.1.0/ holds that version's example files and, in keys.txt, every key it knew; none of it is ever brought up to
date with a later version.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

from benchd import cli
from benchd.plugins import PLUGINS, load_settings
from benchd.settings.move_in import move_in
from benchd.settings.plug_ins import Folder
from benchd.settings.shapes import LISTED, NAMED, SHELF, SINGLE, ResinTable

OLD = Path(__file__).parent / "config-0.1.0"
KPA_PER_PSI = 6.894757  # NIST SP 811, appendix B.8


def keys_now() -> Iterator[str]:
    """Every key a file may hold, by file or table."""
    tables: dict[str, type[BaseModel]] = {**SINGLE, **NAMED, **LISTED, **SHELF, "resins": ResinTable}
    for name, table in tables.items():
        yield from (f"{name}.{key}" for key in table.model_fields)
    folders: tuple[Folder, ...] = ("sources", "outlets", "watchers")
    for folder in folders:
        for kind in PLUGINS.kinds(folder):
            yield from (f"{folder}.{kind}.{key}" for key in PLUGINS.settings_of(folder, kind).model_fields)


def test_the_whole_configuration_loads_without_a_word() -> None:
    assert load_settings(OLD / "bench.toml").warnings == ()


def test_it_means_what_it_meant() -> None:
    loaded = load_settings(OLD / "bench.toml")
    bench, pot = loaded.bench, loaded.bench.pots[0]
    assert (bench.shop, bench.id, loaded.timezone, bench.default_resin) == (
        "quiet-harbour", "north", "Europe/Oslo", "fast-white",
    )  # fmt: skip
    assert [c.id for c in bench.channels] == [
        "cup-1-temperature", "barrel-pressure", "room-temperature", "room-humidity", "tank-pressure",
        "tank-temperature",
    ]  # fmt: skip
    assert (pot.target_kpa, pot.floor_kpa) == pytest.approx((42 * KPA_PER_PSI, 35 * KPA_PER_PSI), rel=1e-6)
    assert [r.id for r in bench.resins] == ["fast-white", "medium-white", "slow-clear"]
    assert [m.code for m in bench.molds] == [f"M0{n}" for n in range(1, 9)]
    arms, lot = bench.mold("m02"), bench.lot("r-07")
    assert arms is not None
    assert lot is not None
    assert (arms.name, arms.cavity_ml, arms.thin_mm, arms.pull, arms.life) == ("Keeper arms", 28, 2.2, "green", 50)
    assert (lot.label.pot_life_s, lot.label.least_hold_s) == (165.0, 480.0)  # "165 s" of its own, "8 min" of its resin


def test_a_service_takes_it_over_and_reads_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(OLD, tmp_path / "etc")
    before = load_settings(tmp_path / "etc" / "bench.toml")
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    assert move_in(load_settings(tmp_path / "etc" / "bench.toml").places).trouble == ""
    after = load_settings(tmp_path / "etc" / "bench.toml")
    assert after.places.shelf == tmp_path / "state" / "shelf.toml"
    assert (after.warnings, after.bench) == ((), before.bench)


def test_check_finds_nothing_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "-c", str(OLD / "bench.toml"), "--files-only"]) == 0
    assert "Cautions" not in capsys.readouterr().out


def test_every_key_of_then_is_still_known() -> None:
    then = (OLD / "keys.txt").read_text("utf-8").split()
    assert len(then) > 200
    assert sorted(set(then) - set(keys_now())) == []
