"""Does `check` say what is still as `benchd init` wrote it, and nothing once it was changed?"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.commands.init.files import Answers, bench_text, shelf_text
from benchd.plugins import load_settings
from benchd.settings.template import FAST_WHITE, NAME, SHOP, left_as_written

ROLES = {"b1-cup": "cup_temperature", "b1-pot": "pot_pressure"}
POT = {"name": "Pot", "volume": "16.5 l", "marked": "60 psi", "relief": "55 psi"}


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path


def begun(home: Path, shop: str = SHOP, name: str = NAME, kind: str = "serial_lines") -> list[str]:
    """The keys complained of in a bench as init writes it."""
    source = {"kind": kind, "port": "/dev/ttyACM0"} if kind == "serial_lines" else {"kind": kind, "scenario": "load-1"}
    (home / "bench.toml").write_text(bench_text(Answers(shop, name, source, ROLES, "pot", POT)), "utf-8")
    if not (home / "resins").exists():
        (home / "resins").mkdir()
        (home / "resins" / "fast-white.toml").write_text(FAST_WHITE, "utf-8")
        (home / "shelf.toml").write_text(shelf_text(None), "utf-8")
    return [complaint.key for complaint in left_as_written(load_settings(home / "bench.toml"))]


def test_a_bench_left_as_init_wrote_it_is_named_key_by_key(home: Path) -> None:
    assert begun(home) == ["bench.shop", "bench.name", "file", "mold"]
    said = [str(c) for c in left_as_written(load_settings(home / "bench.toml"))]
    assert (
        said[0] == f'{home}/bench.toml: bench.shop: is still "studio", as init wrote it; write your own studio\'s name'
    )
    assert "write what your resin's own label says" in said[2]


def test_what_was_changed_is_not_named(home: Path) -> None:
    begun(home)
    label = home / "resins" / "fast-white.toml"
    label.write_text(FAST_WHITE.replace('"3 min" ', '"4 min" '), "utf-8")
    (home / "shelf.toml").write_text(
        '[[mold]]\ncode = "M01"\nname = "Gull"\ncavity_ml = 40\nthin_mm = 3\nthick_mm = 9\n', "utf-8"
    )
    assert begun(home, "quiet-harbour", "North bench") == []


def test_a_simulated_bench_is_left_alone(home: Path) -> None:
    assert begun(home, kind="simulated") == []
