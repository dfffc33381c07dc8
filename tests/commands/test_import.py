"""`benchd import`: a journal knows a recording's loads afterwards, once; what does not fit is refused untouched."""

from __future__ import annotations

import asyncio
import json
import lzma
import os
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from recordings_by_hand import BENCH, START_T, context, fill_and_vent, write

from benchd import cli
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook

CONFIG = Path(__file__).parents[2] / "config" / "bench.toml"


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    return write(tmp_path / "load.jsonl", [context(), *fill_and_vent()])


def later(path: Path, by_s: float, to: Path) -> Path:
    """The same recording so many seconds later."""
    head, *rest = path.read_text("utf-8").splitlines()
    moved = [json.dumps(row | {"t": row["t"] + by_s}) for row in map(json.loads, rest)]
    to.write_text("\n".join([head, *moved]) + "\n", "utf-8")
    return to


def brought(path: Path, journal: Path, code: int = 0) -> None:
    assert cli.main(["import", str(path), "--journal", str(journal)]) == code


def replayed(path: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, object]]:
    capsys.readouterr()
    assert cli.main(["replay", str(path)]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_what_is_brought_in_comes_out_as_it_was(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exported again it is the same recording; what the journal tells of it is what a replay tells."""
    journal, out = tmp_path / "j.db", tmp_path / "again.jsonl"
    brought(recording, journal)
    assert cli.main(["export", "recording", "--journal", str(journal), "-o", str(out)]) == 0
    again = [json.loads(line) for line in out.read_text("utf-8").splitlines()]
    assert again == [json.loads(line) for line in recording.read_text("utf-8").splitlines()]
    rows = sqlite3.connect(journal).execute("SELECT body FROM effects WHERE kind != 'answer' ORDER BY number")
    assert [json.loads(body) for (body,) in rows] == replayed(recording, capsys)
    assert cli.main(["replay", str(recording), "--against", str(journal)]) == 0


def test_a_later_one_is_added_and_the_same_one_refused(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = tmp_path / "j.db"
    brought(recording, journal)
    brought(later(recording, 3600.0, tmp_path / "next.jsonl"), journal)
    before = journal.read_bytes()
    capsys.readouterr()
    for again in (recording, tmp_path / "next.jsonl"):
        brought(again, journal, 1)
        assert "holds this recording already (2026-01-05 1" in capsys.readouterr().err
    assert journal.read_bytes() == before
    loads = sqlite3.connect(journal).execute("SELECT count(*) FROM effects WHERE name = 'load_closed'").fetchone()
    assert loads == (2,)
    numbers = [n for (n,) in sqlite3.connect(journal).execute("SELECT number FROM effects ORDER BY number")]
    assert numbers == list(range(1, len(numbers) + 1))


def test_what_reaches_into_the_journals_time_is_refused(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = tmp_path / "j.db"
    brought(recording, journal)
    brought(later(recording, 60.0, tmp_path / "x.jsonl"), journal, 1)
    err = capsys.readouterr().err
    assert "import in order of time, or take it into a journal of its own: --journal NEW.db" in err


def test_another_benchs_recording_is_refused(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = tmp_path / "j.db"
    brought(recording, journal)
    other = write(tmp_path / "o.jsonl", [context(START_T + 9000, replace(BENCH, id="south")), *fill_and_vent()])
    brought(other, journal, 1)
    assert "holds bench 'north', the recording is of 'south'" in capsys.readouterr().err


def test_a_journal_in_use_is_left_alone(recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async def while_open() -> None:
        async with Journal(tmp_path / "j.db") as journal:
            await asyncio.to_thread(brought, recording, tmp_path / "j.db", 75)  # EX_TEMPFAIL of sysexits.h
            assert await Logbook(journal).last_seq() == 0

    asyncio.run(while_open())
    assert f"j.db is in use by pid {os.getpid()}: stop that benchd first" in capsys.readouterr().err


def test_one_without_a_context_cannot_be_understood(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bare = write(tmp_path / "bare.jsonl", fill_and_vent())
    named = ["-c", str(tmp_path / "none.toml"), "--journal", str(tmp_path / "j.db")]
    assert cli.main(["import", str(bare), *named]) == 1
    told = capsys.readouterr().err
    assert "does not begin with its context" in told
    assert "-c" in told
    assert not (tmp_path / "j.db").exists()


@pytest.mark.wide
def test_a_configuration_stands_in_for_a_missing_context(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The day's first load without its context and table kicks as with them; another bench's is refused."""
    stored = Path(__file__).parents[1] / "recordings" / "load-1.jsonl.xz"
    rows = lzma.decompress(stored.read_bytes()).decode().splitlines()
    whole, bare = tmp_path / "whole.jsonl", tmp_path / "bare.jsonl"
    whole.write_text("\n".join(rows) + "\n", "utf-8")
    bare.write_text(
        "\n".join(r for r in rows if '"context":' not in r[:60] and '"table":' not in r[:60]) + "\n", "utf-8"
    )
    kicks = []
    for path in (whole, bare):
        journal = tmp_path / f"{path.stem}.db"
        assert cli.main(["import", str(path), "-c", str(CONFIG), "--journal", str(journal)]) == 0
        told = sqlite3.connect(journal).execute("SELECT body FROM effects WHERE kind = 'finding' AND name = 'kicked'")
        kicks.append([json.loads(body)["at"] for (body,) in told])
    assert kicks[0]
    assert kicks[0] == kicks[1]
    other = tmp_path / "other.jsonl"
    other.write_text(bare.read_text("utf-8").replace('"bench":"north"', '"bench":"south"', 1), "utf-8")
    assert cli.main(["import", str(other), "-c", str(CONFIG), "--journal", str(tmp_path / "o.db")]) == 1
    assert "is of bench 'south'" in capsys.readouterr().err


@pytest.mark.parametrize("config", [{}, {"id": "n"}, {"id": "n", "pots": 5}])
def test_a_context_that_is_no_bench_is_refused(
    recording: Path, tmp_path: Path, config: dict[str, object], capsys: pytest.CaptureFixture[str]
) -> None:
    head, first, *rest = recording.read_text("utf-8").splitlines()
    row = json.loads(first)
    row["context"]["config"] = config
    recording.write_text("\n".join([head, json.dumps(row), *rest]) + "\n", "utf-8")
    brought(recording, tmp_path / "j.db", 3)
    assert f"error: {recording}: its context describes no bench" in capsys.readouterr().err
    assert not (tmp_path / "j.db").exists()
    assert cli.main(["replay", str(recording)]) == 3


@pytest.mark.parametrize(("content", "says"), [(b"", "not a recording"), (b"\x00\xff", "not a recording")])
def test_what_is_no_recording_is_three(
    tmp_path: Path, content: bytes, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "x.jsonl"
    path.write_bytes(content)
    brought(path, tmp_path / "j.db", 3)
    assert says in capsys.readouterr().err
    assert not (tmp_path / "j.db").exists()


def test_bad_lines_are_left_out_and_told(recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = recording.read_text("utf-8").splitlines()
    recording.write_text("\n".join([*lines[:50], "{torn", *lines[50:]]) + "\n", "utf-8")
    brought(recording, tmp_path / "j.db")
    said = capsys.readouterr()
    assert "1 bad lines left out (first: line 51: " in said.err
    assert "161 inputs and" in said.out
