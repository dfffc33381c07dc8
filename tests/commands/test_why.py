"""`benchd why`: is an alert explained by the very finding, threshold and words that made it?  A recorded load."""

from __future__ import annotations

import asyncio
import lzma
from dataclasses import replace
from pathlib import Path

import pytest

from benchd import cli
from benchd.commands.why.thresholds import sources, thresholds, watcher_of
from benchd.core.alarm.phrases import PHRASES
from benchd.core.bench import Bench
from benchd.core.engine import Engine
from benchd.core.findings import Finding, PotCreeping
from benchd.core.format.record import read_recording
from benchd.core.model import Alert, Mark, MarkAnswer, Subject, Utterance
from benchd.plugins import watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes

RECORDING = Path(__file__).parents[1] / "recordings" / "load-1.jsonl.xz"


async def journalled(path: Path) -> None:
    """The first five minutes of a recorded load, then a creeping pot that is heard, shelved and over."""
    writes, engine = Writes(), Engine(watcher_plan)
    with lzma.open(RECORDING, "rt", encoding="utf-8") as lines:
        inputs = list(read_recording(lines))
    inputs = [item for item in inputs if item.t < inputs[0].t + 300.0]
    end_t = inputs[-1].t
    seq = number = 0
    for item in inputs:
        seq += 1
        writes.add_input(seq, item)
        for effect in engine.step(item):
            if isinstance(effect, Finding | Alert | Utterance | MarkAnswer):
                number += 1
                writes.add_effect(number, seq, effect)
    creeping = PotCreeping(
        t=end_t + 1.0, subject=Subject(bench="north", pot="barrel"), kpa=301.0, limit_kpa=289.6, kpa_per_min=1.4,
        active=True,
    )  # fmt: skip
    effects = [*engine.advance(end_t + 1.0), *engine._settle([creeping])]
    for after_s, more in ((3.0, {}), (5.0, {"code": "pot-creeping", "shelve_s": 600.0})):
        effects += engine.step(Mark(t=end_t + after_s, verb="heard", **more))  # type: ignore[arg-type]
    effects += engine._settle([replace(creeping, t=end_t + 9.0, active=False)])
    for effect in effects:
        if isinstance(effect, Finding | Alert | Utterance | MarkAnswer):
            number += 1
            writes.add_effect(number, seq, effect)
    async with Journal(path) as journal:
        await journal.write(writes)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("why") / "journal.db"
    asyncio.run(journalled(path))
    return path


def why(journal: Path, capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert cli.main(["why", *arguments, "--journal", str(journal), "-c", "/nonexistent/bench.toml"]) == code
    return capsys.readouterr().out


def test_an_alarm_is_explained_from_its_finding_to_its_end(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = why(journal, capsys, "pot-creeping")
    assert out.startswith('pot-creeping: priority 2 alarm, says "Pot creeping up. Shut the inlet."')
    assert "about Barrel" in out
    assert "found: Barrel creeping up: 43.7 psi, target 42.0 psi, 0.20 psi a minute" in out  # NIST SP 811: 6.894757 kPa
    assert "ends: pressure flat; or on load opened" in out
    assert "said 2026-01-05" in out
    assert "heard 2026-01-05" in out
    assert "shelved 2026-01-05" in out
    assert "over 2026-01-05" in out


def test_a_call_shows_what_decided_it_and_where_that_comes_from(
    journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = why(journal, capsys, "past-floor")
    assert "found: Barrel at pressure: 37.9 psi" in out
    assert "pot.at_pressure_s: 5 s: CP:" in out
    assert "said 2026-01-05" in out
    assert "it is said once and holds no state" in out


def test_it_is_asked_about_by_name_or_id_and_a_wrong_one_is_named(
    journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "about Barrel" in why(journal, capsys, "pot-creeping", "barrel")
    assert "about Barrel" in why(journal, capsys, "pot-creeping", "Barrel")
    assert cli.main(["why", "pot-creeping", "barel", "--journal", str(journal)]) == 1
    assert 'no pot, cup, mold or channel "barel"; did you mean "barrel"?' in capsys.readouterr().err


def test_what_never_came_says_so(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = why(journal, capsys, "pot-over-limit", code=1)
    assert "it has never come" in out
    assert "pot.deadband_kpa: 0.3 psi" in out
    assert why(journal, capsys, "pot-creeping", "cup-1", code=1).count("never come") == 1


def test_no_such_alert_is_told_with_a_near_miss(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["why", "pot-creepin", "--journal", str(journal)]) == 1
    assert "pot-creeping" in capsys.readouterr().err
    assert cli.main(["why"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == len({p.code for p in PHRASES})


@pytest.mark.parametrize("finding", sorted({p.finding for p in PHRASES if p.priority <= 2}))
def test_every_alarm_a_watcher_makes_has_thresholds_with_a_source(finding: str) -> None:
    module = watcher_of(finding)
    found = thresholds(finding)
    assert (found == []) == (module is None)
    assert [t.name for t in found if not t.source] == []


def test_a_tuned_threshold_says_so() -> None:
    bench = Bench(id="north", shop="x", name="x", tune={"pot": {"deadband_kpa": 3.5}})
    (one,) = thresholds("pot_over_limit", bench)
    assert (one.watcher, one.value, one.is_tuned) == ("pot", 3.5, True)


def test_sources_are_read_from_beside_or_below_a_default() -> None:
    from benchd.outlets.speaker import Settings

    texts = sources(Settings)
    assert texts["board"] == "What the board's own names begin with (the bn of its lines)."
    assert texts["tones"] == ""
