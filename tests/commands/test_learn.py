"""`benchd learn`: past pours in the journal sharpen a resin's file, only for the better, and it can be taken back."""

from __future__ import annotations

import asyncio
import json
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rehearsed.lines import recording_lines

from benchd import cli
from benchd.core.engine import Engine
from benchd.core.findings import Finding, Kicked, KickForecast
from benchd.core.format.record import from_record
from benchd.core.model import Input, Mark
from benchd.plugins import load_settings, watcher_plan
from benchd.rehearsal import load_scenario
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes

EXAMPLE = Path(__file__).parents[2] / "config"
START_T = 1_767_607_200.0  # 2026-01-05 10:00:00 UTC
MARKED_AFTER_S = 183.0  # where the rehearsal's cup truly kicks after the mix, at 21.5 C


def pour_lines(number: int) -> Iterator[str]:
    """The mix and first minutes of the shipped load, an hour after the one before, its kick marked by hand."""
    whole = load_scenario("load-1")
    short = replace(whole, end_s=240.0, acts=tuple(a for a in whole.acts if a.at_s <= 230.0 and a.do != "mark"))
    start_t = START_T + 3600.0 * number
    marked_t = start_t + short.lead_s + MARKED_AFTER_S
    mark = json.dumps({"t": marked_t, "mark": {"verb": "kicked", "cup": "cup-1", "id": f"k{number}"}})
    for line in recording_lines(short, start_t, seed=number):
        if mark and json.loads(line).get("t", 0.0) > marked_t:
            yield mark
            mark = ""
        yield line
    end_t = start_t + short.lead_s + 300.0
    yield json.dumps({"t": end_t, "mark": {"verb": "end", "cup": "cup-1", "id": f"e{number}"}})


async def journalled(config: Path, path: Path, pours: int) -> int:
    """A journal of these pours as the daemon would have kept it; how many marked kicks it holds."""
    writes, engine, number, kicks, seq = Writes(), Engine(watcher_plan), 0, 0, 0
    items: list[Input] = [load_settings(config / "bench.toml").context(START_T - 1.0)]
    items += [from_record(json.loads(line)) for n in range(pours) for line in pour_lines(n)]
    for seq, item in enumerate(items, 1):
        writes.add_input(seq, item)
        for effect in engine.step(item):
            if isinstance(effect, Finding):
                number += 1
                writes.add_effect(number, seq, effect)
                kicks += isinstance(effect, Kicked) and effect.basis == "marked"
    async with Journal(path) as journal:
        await journal.write(writes)
    return kicks


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A config folder with a journal of two marked pours beside it."""
    folder = tmp_path_factory.mktemp("past")
    shutil.copytree(EXAMPLE, folder / "config")
    assert asyncio.run(journalled(folder / "config", folder / "journal.db", 2)) == 2
    return folder


@pytest.fixture
def bench(past: Path, tmp_path: Path) -> Path:
    shutil.copytree(past, tmp_path, dirs_exist_ok=True)
    return tmp_path


def learn(bench: Path, *more: str) -> int:
    return cli.main(["learn", "fast-white", "-c", str(bench / "config/bench.toml"), "--journal",
                     str(bench / "journal.db"), *more])  # fmt: skip


def cure_of(bench: Path) -> dict[str, Any]:
    cure: dict[str, Any] = tomllib.loads((bench / "config/resins/fast-white.toml").read_text("utf-8")).get("cure", {})
    return cure


def test_two_marked_pours_are_learned_written_used_and_undone(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = bench / "config/resins/fast-white.toml"
    before = file.read_text("utf-8")
    code = learn(bench)
    said = capsys.readouterr()
    assert code == 0, said
    assert "learned from 2 pours" in said.out
    cure = cure_of(bench)
    assert len(cure["pours"]) == 2
    assert cure["lots"]["r-07"][2] == 2
    assert cure["spread"]["ln_speed"] > 0.0
    assert file.read_text("utf-8").startswith(before.rstrip()[:40]), "what the person wrote stays"
    # The next forecast from the label alone is narrower, and right: the simulated cup kicks 183 s after the mix.
    windows = {}
    for name, folder in (("learned", bench / "config"), ("label", EXAMPLE)):
        engine = Engine(watcher_plan)
        items: list[Input] = [load_settings(folder / "bench.toml").context(START_T - 1.0)]
        items += [from_record(json.loads(line)) for line in pour_lines(0)]
        found = [e for item in items[:400] for e in engine.step(item) if isinstance(e, KickForecast)]
        windows[name] = found[0].late - found[0].early
    assert windows["learned"] < windows["label"]
    assert learn(bench, "--undo") == 0
    assert cure_of(bench) == {}
    capsys.readouterr()
    assert learn(bench, "--undo") == 1
    assert "nothing was learned" in capsys.readouterr().err


def test_a_resin_never_poured_and_one_not_on_the_shelf(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = str(bench / "config/bench.toml")
    journal = str(bench / "journal.db")
    assert cli.main(["learn", "slow-clear", "-c", config, "--journal", journal]) == 1
    assert "no pour of slow-clear" in capsys.readouterr().err
    assert cli.main(["learn", "fast-whit", "-c", config, "--journal", journal]) == 1
    assert 'did you mean "fast-white"?' in capsys.readouterr().err
    assert cli.main(["learn", "fast-white", "-c", config, "--journal", str(bench / "none.db")]) == 1
    assert "no journal there" in capsys.readouterr().err
    assert cure_of(bench) == {}


def test_the_marks_are_marks() -> None:
    """The fixture's own lines say what they mean to."""
    marks = [i for line in pour_lines(0) if isinstance(i := from_record(json.loads(line)), Mark)]
    assert [m.verb for m in marks if m.verb in ("mix", "kicked", "end")] == ["mix", "kicked", "end"]
