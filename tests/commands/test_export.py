"""`benchd export`: what the journal holds comes out as a recording that replays alike, or as a table of readings."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from recordings_by_hand import START_T, board_line, context, fill_and_vent, write
from senml import SenMLDocument

from benchd import cli
from benchd.commands.export import row
from benchd.core.engine import Engine
from benchd.core.findings import Finding
from benchd.core.format.record import from_record
from benchd.core.model import Alert, Line, Quality, Reading, Utterance
from benchd.plugins import watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes
from benchd.runtime.recordings.senml import base_name, record


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
    assert json.loads(out[0])["recording"] == 1
    assert [json.loads(line) for line in out[1:]] == [json.loads(line) for line in lines]


def test_a_span_is_self_contained(day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Cut out of the day, it replays to the same pot findings as the whole does from there on."""
    path, lines, _ = day
    since = str(START_T)
    cut = tmp_path / "cut.jsonl"
    assert cli.main(["export", "recording", "--journal", str(path), "--since", since, "-o", str(cut)]) == 0
    capsys.readouterr()
    head = [json.loads(line) for line in cut.read_text().splitlines()[:2]]
    assert head[0] == {"recording": 1, "bench": "north"}
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
    assert f'no load "barrel-0"; did you mean "{loads[0]}"?' in capsys.readouterr().err
    assert exported(capsys, "recording", "--journal", str(path), "--load", "1").splitlines() == out


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


def resolved(pack: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The records with their bases applied, as RFC 8428 section 4.6 tells it, written out by hand."""
    base, base_t, out = "", 0.0, []
    for one in pack:
        base, base_t = one.get("bn", base), one.get("bt", base_t)
        plain = {k: v for k, v in one.items() if k not in ("bn", "bt")}
        out.append(plain | {"n": base + one.get("n", ""), "t": base_t + one.get("t", 0.0)})
    return out


def test_senml_is_one_array_that_keeps_the_rfcs_rules(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    """RFC 8428: sections 4.2 and 4.3 (labels), 4.5.1 (names), 4.5.3 (times), 12.1 (units)."""
    span = ("--since", str(START_T), "--until", str(START_T + 200))
    pack = json.loads(exported(capsys, "senml", "--journal", str(day[0]), *span))
    assert set(pack[0]) == {"bn", "bt", "n", "u", "v"}
    assert all(set(one) <= {"n", "u", "v", "vs", "t"} for one in pack[1:])
    assert all(("v" in one) != ("vs" in one) for one in pack)
    whole = resolved(pack)
    assert len(whole) == 320
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9:./_-]*", one["n"]) for one in whole)
    assert all(one["t"] >= 2**28 for one in whole)
    assert [one["t"] for one in whole] == sorted(one["t"] for one in whole)
    assert {one["u"] for one in whole} == {"Pa", "Cel"}
    held = [
        o for o in whole if o["n"] == "benchd/quiet-harbour/north/barrel-pressure" and abs(o["t"] - START_T - 80) < 0.01
    ]
    assert held[0]["v"] == pytest.approx(289_580.0, abs=5.0)  # 42 psi, NIST SP 811: 6894.757 Pa to the psi


def test_senml_lines_are_the_same_records_each_complete_by_itself(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    span = ("--since", str(START_T), "--until", str(START_T + 200))
    pack = resolved(json.loads(exported(capsys, "senml", "--journal", str(day[0]), *span)))
    lines = [json.loads(line) for line in exported(capsys, "senml-lines", "--journal", str(day[0]), *span).splitlines()]
    assert all(len(line) == 1 for line in lines)
    assert [set(line[0]) for line in lines] == [{"n", "u", "v", "t"}] * 320
    for line, one in zip(lines, pack, strict=True):
        assert line[0] | {"t": 0} == one | {"t": 0}
        assert line[0]["t"] == pytest.approx(one["t"], abs=0.001)


def test_another_reader_of_senml_finds_the_same_readings(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    """`senml`, an implementation that shares nothing with this one, against the CSV of the same span."""
    span = ("--journal", str(day[0]), "--since", str(START_T), "--until", str(START_T + 100))
    document = SenMLDocument.from_json(json.loads(exported(capsys, "senml", *span)))
    read = [one.to_absolute(document.base) for one in document.measurements]
    table = list(csv.DictReader(io.StringIO(exported(capsys, "csv", *span))))
    assert len(read) == len(table) > 150
    units = {"kPa": ("Pa", 1000.0), "C": ("Cel", 1.0)}
    for one, cell in zip(read, table, strict=True):
        unit, factor = units[cell["unit"]]
        assert (one.name, one.unit) == (f"benchd/quiet-harbour/north/{cell['channel']}", unit)
        assert one.time == pytest.approx(float(cell["t"]), abs=0.0015)
        assert one.value == pytest.approx(float(cell["value"]) * factor, abs=0.006 * factor)


def test_a_fault_has_no_value_and_an_odd_name_is_made_plain() -> None:
    fault = Reading(START_T, "cup 1", "cup_temperature", "cup-1", None, None, Quality.FAULT, "cup open")
    assert record(fault, "C") == {"n": "cup_1/fault", "vs": "cup open", "t": START_T}
    assert record(replace(fault, why=""), "C") is None
    assert base_name("=shop", "b\u00e5t") == "benchd/x_shop/b_t/"
    assert record(replace(fault, t=1000.0), "C") is None  # it would be read as relative to now


def test_nothing_to_tell_is_an_empty_array(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    out = exported(capsys, "senml", "--journal", str(day[0]), "--since", str(START_T + 1e6))
    assert json.loads(out) == []


def test_a_cell_is_never_a_formula() -> None:
    reading = Reading(START_T, "=cmd", "scale", "@x", None, None, Quality.FAULT, "+1")
    assert row(reading) == (
        "1767607200.000", "2026-01-05T10:00:00.000Z", "'=cmd", "scale", "'@x", "", "g", "fault", "'+1",
    )  # fmt: skip
    below = replace(reading, channel="c", of="", value=-0.5, quality=Quality.GOOD, why="")
    assert row(below)[5] == -0.5


def test_without_a_journal_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["export", "csv", "--journal", str(tmp_path / "none.db")]) == 1
    assert f"error: {tmp_path}/none.db: no journal there" in capsys.readouterr().err
    assert not (tmp_path / "none.db").exists()


def test_what_cannot_be_written_is_told(day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["export", "csv", "--journal", str(day[0]), "-o", str(tmp_path / "no" / "such.csv")]) == 1
    assert "make it first" in capsys.readouterr().err


def test_a_file_that_is_no_journal_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.db").write_bytes(b"not a database" * 100)
    assert cli.main(["export", "recording", "--journal", str(tmp_path / "x.db")]) == 1
    assert "error: x.db: " in capsys.readouterr().err
