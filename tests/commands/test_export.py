"""`benchd export`: what the journal holds comes out as a recording that replays alike, or as a table of readings."""

from __future__ import annotations

import asyncio
import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from recordings_by_hand import START_T, board_line, context, fill_and_vent, write

from benchd import cli
from benchd.commands.export import moment, row
from benchd.core.engine import Engine
from benchd.core.model import Alert, Finding, Line, Quality, Reading, Utterance
from benchd.core.record import from_record
from benchd.plugins import watcher_plan
from benchd.runtime.journal import Journal
from benchd.runtime.journal_rows import Writes


async def journalled(path: Path, lines: list[str]) -> list[str]:
    """A journal of these inputs and of what the engine made of them; the ids of its loads."""
    writes, engine, number, loads = Writes(), Engine(watcher_plan), 0, []
    for seq, line in enumerate(lines, 1):
        item = from_record(json.loads(line))
        writes.add_input(seq, item)
        for effect in engine.step(item):
            if isinstance(effect, Finding | Alert | Utterance):
                number += 1
                writes.add_effect(number, seq, effect)
                if isinstance(effect, Finding) and effect.finding == "load_closed":
                    loads.append(str(effect.subject.load))
    async with Journal(path) as journal:
        await journal.write(writes)
    return loads


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str], list[str]]:
    """(journal, its lines, its loads): a bench that stood idle an hour, then filled and vented its pot."""
    path = tmp_path_factory.mktemp("day") / "journal.db"
    idle = [board_line(START_T - 3600 + 60 * i, i, 0.0) for i in range(60)]
    lines = [context(START_T - 3600), *idle, *fill_and_vent()]
    return path, lines, asyncio.run(journalled(path, lines))


def exported(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert cli.main(["export", *arguments]) == 0
    return capsys.readouterr().out


Day = tuple[Path, list[str], list[str]]


def test_everything_comes_out_as_it_went_in(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    path, lines, _ = day
    out = exported(capsys, "recording", "--journal", str(path)).splitlines()
    assert json.loads(out[0])["recording"] == 0
    assert [json.loads(line) for line in out[1:]] == [json.loads(line) for line in lines]


def test_a_span_is_self_contained(day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Cut out of the day, it replays to the same pot findings as the whole does from there on."""
    path, lines, _ = day
    since = str(START_T)
    cut = tmp_path / "cut.jsonl"
    assert cli.main(["export", "recording", "--journal", str(path), "--since", since, "-o", str(cut)]) == 0
    capsys.readouterr()
    head = [json.loads(line) for line in cut.read_text().splitlines()[:2]]
    assert head[0] == {"recording": 0, "bench": "north"}
    assert head[1]["t"] == START_T
    assert head[1]["context"]["config"]["id"] == "north"
    whole = write(tmp_path / "whole.jsonl", lines)
    assert pot_findings(cut, capsys) == pot_findings(whole, capsys) != []


def pot_findings(path: Path, capsys: pytest.CaptureFixture[str]) -> list[tuple[str, float]]:
    assert cli.main(["replay", str(path)]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    return [(o["finding"], o["t"]) for o in told if o.get("finding", "").startswith("pot_")]


def test_a_load_is_found_by_its_id(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    path, _, loads = day
    assert len(loads) == 1
    out = exported(capsys, "recording", "--journal", str(path), "--load", loads[0]).splitlines()
    times = [json.loads(line)["t"] for line in out[1:]]
    assert START_T - 700 < times[0] < START_T < times[-1]
    assert cli.main(["export", "recording", "--journal", str(path), "--load", "barrel-0"]) == 1
    assert "no load 'barrel-0' in the journal" in capsys.readouterr().err


def test_the_table_holds_every_reading_in_the_cores_units(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    path, lines, _ = day
    out = exported(
        capsys, "csv", "--journal", str(path), "--since", "2026-01-05T10:00:00", "--until", str(START_T + 200)
    )
    table = list(csv.DictReader(io.StringIO(out)))
    sent = [
        r for line in lines if isinstance(r := from_record(json.loads(line)), Line) and START_T <= r.t <= START_T + 200
    ]
    assert len(table) == 2 * len(sent) == 320
    held = next(r for r in table if r["channel"] == "barrel-pressure" and float(r["t"]) == START_T + 80)
    assert held["utc"] == "2026-01-05T10:01:20.000Z"
    assert float(held["value"]) == pytest.approx(289.58, abs=0.005)  # 42 psi, NIST SP 811: 6.894757 kPa to the psi
    assert (held["unit"], held["quality"], held["role"], held["of"]) == ("kPa", "good", "pot_pressure", "barrel")


def test_a_cell_is_never_a_formula() -> None:
    reading = Reading(START_T, "=cmd", "scale", "@x", None, None, Quality.FAULT, "+1")
    assert row(reading) == (
        "1767607200.000", "2026-01-05T10:00:00.000Z", "'=cmd", "scale", "'@x", "", "g", "fault", "'+1",
    )  # fmt: skip
    below = replace(reading, channel="c", of="", value=-0.5, quality=Quality.GOOD, why="")
    assert row(below)[5] == -0.5


def test_moments_are_unix_seconds_or_utc() -> None:
    # 2026-01-05 is 20458 days after 1970-01-01: 56 years of 365 days, 14 leap days, 4 days of January
    t = ((56 * 365 + 14 + 4) * 24 + 10) * 3600.0
    assert moment("2026-01-05T10:00") == moment("2026-01-05T11:00+01:00") == moment(str(t)) == t == START_T


def test_without_a_journal_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["export", "csv", "--journal", str(tmp_path / "none.db")]) == 1
    assert f"error: {tmp_path}/none.db: no journal there" in capsys.readouterr().err
    assert not (tmp_path / "none.db").exists()


def test_what_cannot_be_written_is_told(day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["export", "csv", "--journal", str(day[0]), "-o", str(tmp_path / "no" / "such.csv")]) == 1
    assert "No such file or directory" in capsys.readouterr().err


def test_a_file_that_is_no_journal_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.db").write_bytes(b"not a database" * 100)
    assert cli.main(["export", "recording", "--journal", str(tmp_path / "x.db")]) == 1
    assert "error: x.db: " in capsys.readouterr().err
