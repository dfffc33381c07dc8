"""`benchd replay --against`: the same says nothing but a count and 0; every difference is a line, and 1."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from recordings_by_hand import START_T, context, fill_and_vent, write

from benchd import cli
from benchd.commands.replay.apart import differences, is_same
from benchd.core.engine import Engine
from benchd.core.findings import Finding
from benchd.core.format.record import carried_state, from_record, heading
from benchd.core.model import Alert, Utterance
from benchd.plugins import watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Writes


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    return write(tmp_path / "load.jsonl", [context(), *fill_and_vent()])


@pytest.fixture
def expected(recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """What today's benchd prints of it."""
    assert cli.main(["replay", str(recording)]) == 0
    path = tmp_path / "expected.jsonl"
    path.write_text(capsys.readouterr().out, "utf-8")
    return path


def against(recording: Path, other: Path, capsys: pytest.CaptureFixture[str], code: int) -> list[str]:
    assert cli.main(["replay", str(recording), "--against", str(other)]) == code
    return capsys.readouterr().out.splitlines()


def test_the_same_is_one_line_and_zero(recording: Path, expected: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (line,) = against(recording, expected, capsys, 0)
    count = len([x for x in expected.read_text().splitlines() if "bench_notice" not in x])
    assert line == f"{count} the same, 0 otherwise, 0 no longer said, 0 new"


def changed(path: Path, change: Any) -> Path:
    rows = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    path.write_text("".join(json.dumps(row) + "\n" for row in change(rows)), "utf-8")
    return path


def test_each_difference_is_named(recording: Path, expected: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One finding was said with another pressure, one was never said then, and one is no longer said."""

    def edit(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
        up = next(r for r in rows if r.get("finding") == "pot_at_pressure")
        up["kpa"] = 300.0
        rows.insert(0, {"t": START_T + 1, "finding": "relief_lifted", "subject": {"pot": "barrel"}, "kpa": 380.0})
        return [r for r in rows if r.get("finding") != "pot_vented"]

    lines = against(recording, changed(expected, edit), capsys, 1)
    assert lines[0] == "- 10:00:01 finding relief_lifted (barrel): kpa 380.0"
    assert any(x.startswith("~ ") and "pot_at_pressure" in x and "kpa 300.0 -> " in x for x in lines)
    assert any(x.startswith("+ ") and "finding pot_vented" in x for x in lines)
    assert lines[-1].endswith("1 otherwise, 1 no longer said, 1 new")
    assert len(lines) == 4


def test_a_journal_is_compared_over_the_recordings_time(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "journal.db"
    asyncio.run(journalled(path, [context(), *fill_and_vent()]))
    (line,) = against(recording, path, capsys, 0)
    assert "0 otherwise, 0 no longer said, 0 new" in line
    assert not line.startswith("0 the same")


async def journalled(path: Path, lines: list[str]) -> None:
    """What a watch leaves behind, and a finding from the day before."""
    writes, engine, number = Writes(), Engine(watcher_plan), 0
    for seq, line in enumerate(lines, 1):
        item = from_record(json.loads(line))
        writes.add_input(seq, item)
        for effect in engine.step(item):
            if isinstance(effect, Finding | Alert | Utterance):
                number += 1
                writes.add_effect(number, seq, effect)
    async with Journal(path) as journal:
        await journal.write(writes)
        await journal.commit([(
            "UPDATE effects SET t = t - 86400 WHERE number = (SELECT number FROM effects WHERE kind = 'finding' "
            "AND name = 'bench_notice' LIMIT 1)", [()],
        )])  # fmt: skip


def test_numbers_may_differ_by_one_unit_of_their_last_place() -> None:
    # one unit of the printed place: times 0.1 s, kPa 0.01, else the fourth digit (the outer contract's own words)
    assert is_same("kpa", 289.58, 289.59)
    assert not is_same("kpa", 289.58, 289.60)
    assert is_same("at", START_T, START_T + 0.1)
    assert not is_same("at", START_T, START_T + 0.3)
    assert is_same("hole_mm", 0.1498, 0.1499)
    assert not is_same("hole_mm", 0.1498, 0.1500)
    assert is_same("green_at", [START_T, START_T + 1.0], [START_T, START_T + 1.1])
    assert not is_same("number", 1, 2)
    assert is_same("active", True, True)
    assert not is_same("active", True, False)
    assert not is_same("lot", "r-07", "r-05")


def test_a_key_the_other_version_did_not_know_is_no_difference() -> None:
    old = {"t": 1.0, "finding": "kicked", "subject": {"cup": "c"}, "at": 1.0}
    assert differences([old], [old | {"quality": "good"}]) == []
    assert [d.changed for d in differences([old], [old | {"at": 2.0}])] == [("at",)]


def test_another_order_within_a_second_is_no_difference() -> None:
    a = {"t": 10.0, "finding": "kicked", "subject": {"cup": "c"}, "at": 1.0}
    b = {"t": 10.0, "finding": "pot_hold", "subject": {"pot": "p"}, "kpa": 280.0}
    assert differences([a, b], [b, a]) == []
    assert [d.changed for d in differences([a, b], [b, a | {"at": 9.0}])] == [("at",)]
    assert [d.changed for d in differences([a, b], [b | {"t": 15.0}])] == [(), ("t",)]  # kicked is gone


@pytest.mark.parametrize("content", [b"hello\n", b"[1]\n", b'{"t": 1}\n', b"\xff\xfe\n"])
def test_what_was_never_told_is_refused(
    recording: Path, tmp_path: Path, content: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other"
    other.write_bytes(content)
    assert cli.main(["replay", str(recording), "--against", str(other)]) == 3
    assert f"error: {other}: " in capsys.readouterr().err


def test_against_and_json_do_not_go_together(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(["replay", str(recording), "--json", "--against", str(recording)])
    assert caught.value.code == 2
    assert "leave --json out" in capsys.readouterr().err


# ------------------------------------------------------------------------------- a load cut out of the middle of a day


@pytest.fixture(scope="module")
def second_load(day_journal: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented day's second load: probes, air and molds have a history by then."""
    path = tmp_path_factory.mktemp("second") / "load-2.jsonl"
    load = asyncio.run(second_of(day_journal))
    assert cli.main(["export", "recording", "--journal", str(day_journal), "--load", load, "-o", str(path)]) == 0
    return path


async def second_of(path: Path) -> str:
    async with Journal(path, read_only=True) as journal:
        rows = await journal.rows("SELECT load FROM effects WHERE name = 'load_closed' ORDER BY number")
    return str(rows[1][0])


def test_a_load_cut_out_of_a_day_replays_to_what_was_said_in_it(
    second_load: Path, day_journal: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (line,) = against(second_load, day_journal, capsys, 0)
    assert line.endswith("the same, 0 otherwise, 0 no longer said, 0 new")
    assert int(line.split()[0]) > 90


def test_a_state_of_another_version_is_left_out_and_said_so(
    second_load: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = second_load.read_text("utf-8").splitlines()[:200]
    head = json.loads(lines[0])
    assert carried_state(lines[0]) is not None
    other = write_lines(tmp_path / "other.jsonl", [heading(head["bench"], b"nothing of ours"), *lines[1:]])
    assert cli.main(["replay", str(other)]) == 0
    first = capsys.readouterr()
    assert "state carried by the recording left out: not a state" in first.err
    bare = write_lines(tmp_path / "bare.jsonl", [heading(head["bench"]), *lines[1:]])
    assert cli.main(["replay", str(bare)]) == 0
    assert capsys.readouterr().out == first.out


def test_an_imported_load_is_told_as_it_was(second_load: Path, day_journal: Path, tmp_path: Path) -> None:
    short = write_lines(tmp_path / "short.jsonl", second_load.read_text("utf-8").splitlines()[:1200])
    path = tmp_path / "elsewhere.db"
    assert cli.main(["import", str(short), "--journal", str(path)]) == 0
    mine, since_t, until_t = asyncio.run(told_of(path, 0.0, 9e9))
    before, _, _ = asyncio.run(told_of(day_journal, since_t, until_t))
    assert mine
    assert differences(before, mine) == []


async def told_of(path: Path, since_t: float, until_t: float) -> tuple[list[dict[str, Any]], float, float]:
    async with Journal(path, read_only=True) as journal:
        book = Logbook(journal)
        found = [e.body async for e in book.effects(since_t=since_t, until_t=until_t) if e.kind != "answer"]
        times = [item.t async for _, item in book.inputs()]
    return found, min(times), max(times)


def write_lines(path: Path, lines: list[str]) -> Path:
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path
