"""Does a recording replay to the same bytes: twice, with the clocks rigged, whatever the hash seed or the processor?"""

from __future__ import annotations

import json
import lzma
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from some_of import some_of

from benchd.core.engine import Engine, is_event
from benchd.core.format.record import read_recording
from benchd.core.model import Context, Table
from benchd.plugins import watcher_plan

HERE = Path(__file__).parent / "recordings"
NAMES = sorted(path.name.removesuffix(".jsonl.xz") for path in HERE.glob("*.jsonl.xz"))

RIGGED = """
import time, random, os, secrets
def refuse(*_): raise AssertionError("the core read a clock or drew a number")
import benchd.cli, benchd.commands.replay, benchd.plugins, benchd.core.engine, numpy
benchd.plugins.PLUGINS.watcher_modules()
for module, names in ((time, ("time", "monotonic", "time_ns", "monotonic_ns")), (random, ("random", "uniform")),
                      (os, ("urandom",)), (secrets, ("token_hex", "token_bytes"))):
    for name in names:
        setattr(module, name, refuse)
import sys
sys.exit(benchd.cli.main(sys.argv[1:]))
"""


def unpacked(name: str, folder: Path) -> Path:
    path = folder / f"{name}.jsonl"
    path.write_bytes(lzma.decompress((HERE / f"{name}.jsonl.xz").read_bytes()))
    return path


def replay(path: Path, rigged: bool = False, **env: str) -> bytes:
    head = ["-c", RIGGED] if rigged else ["-m", "benchd"]
    done = subprocess.run(
        [sys.executable, *head, "replay", str(path)],
        capture_output=True,
        timeout=100,
        check=False,
        env=os.environ | env,
    )
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


def expected(name: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in (HERE / f"{name}.expected.jsonl").read_text("utf-8").splitlines()]


def test_there_are_golden_recordings() -> None:
    assert NAMES == ["load-1", "load-2-crumb", "load-3-damp"]


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], bytes]:
    """What `benchd replay` prints of a recording, under the hash seed 0."""
    folder = tmp_path_factory.mktemp("replayed")
    return cache(lambda name: replay(unpacked(name, folder), PYTHONHASHSEED="0"))


@pytest.mark.parametrize("name", some_of(["load-2-crumb", "load-1", "load-3-damp"], 1))
def test_a_golden_recording_gives_exactly_its_findings_and_words(name: str, replayed: Callable[[str], bytes]) -> None:
    assert [json.loads(line) for line in replayed(name).splitlines()] == expected(name)


def test_byte_identical_with_clocks_rigged_and_under_two_hash_seeds(
    tmp_path: Path, replayed: Callable[[str], bytes]
) -> None:
    first = replayed("load-2-crumb")
    assert first
    assert first == replay(unpacked("load-2-crumb", tmp_path), rigged=True, PYTHONHASHSEED="1")


@pytest.mark.wide
def test_the_same_findings_without_the_widest_vector_units(tmp_path: Path) -> None:
    path = unpacked("load-1", tmp_path)
    plain = [json.loads(line) for line in replay(path).splitlines()]
    narrow = [json.loads(line) for line in replay(path, NPY_DISABLE_CPU_FEATURES="X86_V4 X86_V3").splitlines()]
    assert [(r["t"], r.get("finding"), r.get("say")) for r in plain] == [
        (r["t"], r.get("finding"), r.get("say")) for r in narrow
    ]


@pytest.mark.wide
@pytest.mark.parametrize(("name", "every"), some_of([("load-1", 800), *((name, 50) for name in NAMES)], 1))
def test_checkpoint_and_tail_equal_the_full_replay_at_cuts_all_along(name: str, every: int, tmp_path: Path) -> None:
    """The soak below cuts at every input."""
    cuts(unpacked(name, tmp_path), every=every)


@pytest.mark.soak
@pytest.mark.timeout(900)
def test_checkpoint_and_tail_equal_the_full_replay_at_every_cut(tmp_path: Path) -> None:
    cuts(unpacked("load-1", tmp_path), every=1)


def cuts(path: Path, every: int) -> None:
    """Step two engines; one is frozen and thawed again and again.  Both tell the same, to the last event."""
    with path.open(encoding="utf-8") as file:
        inputs = list(read_recording(file))
    whole, cut = Engine(watcher_plan), Engine(watcher_plan)
    told: Counter[str] = Counter()
    standing: list[Context | Table] = []
    for index, item in enumerate(inputs):
        if index % every == 0 and index:
            cut = Engine.thaw(cut.freeze(), watcher_plan, standing)
        standing += [item] if isinstance(item, Context | Table) else []
        ours, theirs = whole.step(item), cut.step(item)
        assert ours == theirs
        told.update(type(effect).__name__ for effect in ours if is_event(effect))
    assert whole.told == cut.told
    assert told["Kicked"] == 1
