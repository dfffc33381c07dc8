"""Runs the examples in docstrings, and sees to it that every example file is run by a test as it stands."""

from __future__ import annotations

import doctest
import importlib
import re
from fnmatch import fnmatch
from pathlib import Path

import pytest

from benchd.plugins import PLUGINS, load_settings

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in (ROOT / "benchd").rglob("*.py")
    if ">>> " in path.read_text("utf-8")
)


def test_numeric_modules_have_examples() -> None:
    assert {"benchd.physics.pot_gas", "benchd.core.units", "benchd.watchers.leak.pace"} <= set(WITH_EXAMPLES)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_the_examples_are_right(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.attempted > 0
    assert result.failed == 0


# ------------------------------------------------------------------------------------------------- example files

RUN_BY = {
    "config/bench.toml": "tests/test_examples.py",
    "config/shelf.toml": "tests/test_examples.py",
    "config/resins/*.toml": "tests/test_examples.py",
    "config/bench-*.toml": "tests/test_examples.py",
    "config/benchd.service": "tests/config/test_service.py",
    "config/broker-*.example": "tests/config/test_broker_examples.py",
    "config/benchd-gather.service": "tests/config/test_service.py",
    "config/benchd-shop.service": "tests/config/test_service.py",
    "config/workshop.toml": "tests/config/test_workshop_examples.py",
    "config/workshop-acl.example": "tests/config/test_workshop_examples.py",
    "config/workshop-broker.example": "tests/config/test_workshop_examples.py",
    "config/workshop-nats.example": "tests/config/test_workshop_nats_example.py",
    "firmware_examples/avr_c/*": "tests/firmware/avr_runs.py",
    "firmware_examples/arduino/*": "tests/firmware/avr_runs.py",
    "firmware_examples/simavr_host/*": "tests/firmware/avr_runs.py",
    "firmware_examples/circuitpython/*.py": "tests/firmware/test_circuitpython.py",
    "firmware_examples/lib/bench_board.py": "tests/firmware/test_micropython.py",
    "firmware_examples/lib/machine_pins.py": "tests/firmware/test_micropython.py",
    "firmware_examples/lib/esp32_pins.py": "tests/firmware/test_micropython_esp32.py",
    "firmware_examples/lib/uplink.py": "tests/firmware/test_micropython_wifi.py",
    "firmware_examples/micropython/main.py": "tests/firmware/test_micropython.py",
    "firmware_examples/micropython_wifi/*.py": "tests/firmware/test_micropython_wifi.py",
    "firmware_examples/no_code/bench.toml": "tests/firmware/test_no_code.py",
    "firmware_examples/no_code/payloads.json": "tests/firmware/test_no_code.py",
    "firmware_examples/wiring.py": "tests/firmware/test_wiring.py",
    "firmware_examples/*/wiring.svg": "tests/firmware/test_wiring.py",
}
"""Example file -> the test, or the tests' runner, that reads it from where it lies and runs it."""
NO_EXAMPLES = ("*/build/*", "*.pyc", "*/README.md", "*/.gitignore", "*/micropython_wifi/config.py")
BENCHES = sorted(ROOT.glob("config/bench*.toml"))


def example_files() -> list[str]:
    """Every file of the folders a user copies from, papers and what a build leaves excepted."""
    folders = (ROOT / "config", ROOT / "firmware_examples")
    found = [path.relative_to(ROOT).as_posix() for top in folders for path in top.rglob("*") if path.is_file()]
    return sorted(name for name in found if not any(fnmatch(name, each) for each in NO_EXAMPLES))


@pytest.mark.parametrize("name", example_files())
def test_every_example_file_is_run_by_a_test(name: str) -> None:
    """Its runner names it, or its folder; the runners' own assertions say whether it works."""
    runners = {runner for pattern, runner in RUN_BY.items() if fnmatch(name, pattern)}
    assert runners, f"{name}: name the test that runs it"
    named = {Path(name).name, Path(name).stem, Path(name).parent.name, Path(name).stem.split("-")[0]}
    for runner in runners:
        text = (ROOT / runner).read_text("utf-8")
        assert any(re.search(rf"\b{re.escape(word)}\b", text) for word in named), (name, runner)


def test_no_runner_is_named_for_nothing() -> None:
    files = example_files()
    empty = [pattern for pattern in RUN_BY if not any(fnmatch(name, pattern) for name in files)]
    assert [pattern for pattern in empty if pattern != "config/bench-*.toml"] == []
    assert [runner for runner in set(RUN_BY.values()) if not (ROOT / runner).exists()] == []


@pytest.mark.parametrize("path", BENCHES, ids=lambda path: path.name)
def test_every_example_bench_is_taken_as_it_stands(path: Path) -> None:
    """With shelf.toml and resins/ beside it: no complaint, and each channel has a role of a source there is."""
    loaded = load_settings(path)
    assert len(loaded.bench.channels) >= 4
    assert {channel.source for channel in loaded.bench.channels} <= set(loaded.sources)
    assert {mold.code for mold in loaded.bench.molds} >= {"M01", "M08"}
    assert {resin.id for resin in loaded.bench.resins} == {each.stem for each in (ROOT / "config" / "resins").iterdir()}


def test_what_the_example_bench_leaves_commented_out_is_taken_too(tmp_path: Path) -> None:
    """Every line that is a key or a table behind "# ", put in force; files they name are made."""
    assert "hub_discovery" in PLUGINS.kinds("outlets")
    text = (ROOT / "config" / "bench.toml").read_text("utf-8")
    tables = re.sub(r"(?m)^# (?=\[[a-z_.]+\]$|[a-z_]+ = )", "", text.partition("[mqtt]")[2])
    assert tables.count("[hub_discovery]") == tables.count("\n[push]") == tables.count("\n[deadman]") == 1
    for name in ("push.targets", "deadman.url"):
        (tmp_path / name).write_text("json://127.0.0.1:8080/alarm\n")
        (tmp_path / name).chmod(0o600)
        tables = tables.replace(f"/etc/benchd/{name}", str(tmp_path / name))
    (tmp_path / "bench.toml").write_text(text.partition("[mqtt]")[0] + "[mqtt]" + tables, "utf-8")
    for name in ("shelf.toml", "resins"):
        (tmp_path / name).symlink_to(ROOT / "config" / name)
    loaded = load_settings(tmp_path / "bench.toml")
    assert set(loaded.outlets) >= {"mqtt", "hub_discovery", "push", "deadman"}
