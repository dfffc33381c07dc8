"""`benchd log`: does what the journal holds come out as lines a person can read, in the order it happened?"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from of_kind import known
from recordings_by_hand import START_T, context, fill_and_vent

from benchd import cli
from benchd.core.engine import Engine
from benchd.core.findings import FINDINGS, BenchNotice, Finding
from benchd.core.format.record import from_record
from benchd.core.model import Alert, Mark, MarkAnswer, Subject, Utterance
from benchd.errors import DecodeError
from benchd.plugins import watcher_plan
from benchd.runtime.journal.effects import effect_from
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes, described

LATER_T = START_T + 86_400.0
NASTY = "a\x1b[2J\nb"


async def journalled(path: Path) -> list[str]:
    """A day: a mark, the pot filled and vented, a note a day later with nasty text; the ids of its loads."""
    writes, engine, number = Writes(), Engine(watcher_plan), 0
    items = [from_record(json.loads(line)) for line in [context(), *fill_and_vent()]]
    items.insert(5, Mark(t=items[4].t, verb="mix", id="m1", by="cli:me", cup="cup-1", a_g=13.0))
    for seq, item in enumerate(items, 1):
        writes.add_input(seq, item)
        for effect in engine.step(item):
            if isinstance(effect, Finding | Alert | Utterance | MarkAnswer):
                number += 1
                writes.add_effect(number, seq, effect)
    seq = len(items) + 1
    writes.add_input(seq, Mark(t=LATER_T, verb="note", id="m2", by="http", text=NASTY))
    notice = BenchNotice(t=LATER_T, subject=Subject(bench="north"), what="lines", why=NASTY, count=3)
    writes.add_effect(number + 1, seq, notice)
    async with Journal(path) as journal:
        await journal.write(writes)
        rows = await journal.rows("SELECT DISTINCT load FROM effects WHERE load IS NOT NULL")
    return [str(load) for (load,) in rows]


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    path = tmp_path_factory.mktemp("day") / "journal.db"
    return path, asyncio.run(journalled(path))


def logged(path: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> list[str]:
    assert cli.main(["log", "--journal", str(path), "-c", "/nonexistent/bench.toml", *arguments]) == 0
    return capsys.readouterr().out.splitlines()


Day = tuple[Path, list[str]]


def test_a_day_reads_from_mark_to_vent(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    lines = logged(day[0], capsys)
    assert lines[0] == "Monday 2026-01-05"  # START_T is 2026-01-05 10:00 UTC (date -d @1767607200)
    wanted = [
        "<  mark mix witness cup, A 13 g by cli:me", ">  mix taken", "-  pour 1 started", "-  load 1 closed",
        "-  Barrel at pressure:", '"Past floor. Keep the air on."', "-  Barrel gauge reads near zero",
        "-  load 1 opened",
    ]  # fmt: skip
    found = [next(i for i, line in enumerate(lines) if want in line) for want in wanted]
    assert found == sorted(found)
    assert all(re.match(r"\d\d:\d\d:\d\d |\w+day ", line) for line in lines)


def test_each_day_has_its_heading_and_nothing_stored_paints_the_terminal(
    day: Day, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = logged(day[0], capsys)
    at = lines.index("Tuesday 2026-01-06")
    assert lines[at + 1 :] == [
        '10:00:00        <  mark note "a [2J b" by http',
        "10:00:00        -  bad lines: a [2J b (3)",
    ]
    assert all(line.isprintable() for line in lines)


@pytest.mark.parametrize(
    ("only", "signs"),
    [("marks", "<>"), ("words", '"'), ("findings", "-"), ("alerts", "*"), ("marks,words", '<>"')],
)
def test_only_what_is_asked_for(day: Day, capsys: pytest.CaptureFixture[str], only: str, signs: str) -> None:
    lines = [line[16:].lstrip(" +0123456789:") for line in logged(day[0], capsys, "--only", only) if "day " not in line]
    assert all(line.lstrip("! ")[0] in signs for line in lines)
    assert lines or only == "alerts"


def test_one_load_alone(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    path, (load,) = day
    lines = logged(path, capsys, "--load", load)
    assert any("load 1 closed" in line for line in lines)
    assert not any("2026-01-06" in line or "pour 1 started" in line for line in lines)
    assert logged(path, capsys, "--load", "1") == logged(path, capsys, "--load", "last") == lines
    assert cli.main(["log", "--journal", str(path), "--load", "barrel-1"]) == 1
    assert f'did you mean "{load}"?' in capsys.readouterr().err


def test_since_leaves_out_what_was_before(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    assert logged(day[0], capsys, "--since", "2026-01-06T09:00")[0] == "Tuesday 2026-01-06"
    assert logged(day[0], capsys, "--since", "2026-01-07") == []


@pytest.mark.wide
def test_following_shows_what_is_added(day: Day, tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    asyncio.run(journalled(path))
    listing = subprocess.Popen(
        [sys.executable, "-m", "benchd", "log", "--journal", str(path), "-c", "none", "--follow", "--only", "marks"],
        stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        assert listing.stdout is not None
        assert "Monday" in listing.stdout.readline()
        time.sleep(1.0)
        writes = Writes()
        writes.add_input(100_000, Mark(t=LATER_T + 60, verb="note", id="m3", by="http", text="new"))

        async def add() -> None:
            async with Journal(path) as journal:
                await journal.write(writes)

        asyncio.run(add())
        while 'note "new"' not in (line := listing.stdout.readline()):
            assert line
    finally:
        listing.kill()
        listing.wait(5)
        known(listing.stdout).close()


def test_no_journal_and_no_such_kind_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["log", "--journal", str(tmp_path / "none.db"), "-c", "none"]) == 1
    assert "no journal there" in capsys.readouterr().err
    with pytest.raises(SystemExit) as caught:
        cli.main(["log", "--only", "word"])
    assert caught.value.code == 2
    assert "marks, findings, alerts, words" in capsys.readouterr().err


def test_every_stored_effect_comes_back_as_it_was_printed() -> None:
    """Printing what was read back gives the same text: for all that a filled and vented pot makes the engine tell."""
    from benchd.core.format.printed import to_json_object

    engine, seen = Engine(watcher_plan), set()
    for line in [context(), *fill_and_vent()]:
        for effect in engine.step(from_record(json.loads(line))):
            if isinstance(effect, Finding | Alert | Utterance | MarkAnswer):
                kind, name, _ = described(effect)
                body = json.loads(json.dumps(to_json_object(effect)))
                assert to_json_object(effect_from(kind, name, body)) == body
                seen.add((kind, name))
    assert len(seen) >= 8


@pytest.mark.parametrize(
    ("kind", "name", "body"),
    [("card", "pot", {}), ("finding", "no_such", {"t": 1.0}), ("finding", "kicked", {"t": 1.0, "subject": {}})],
)
def test_what_another_version_wrote_is_refused(kind: str, name: str, body: dict[str, object]) -> None:
    with pytest.raises(DecodeError):
        effect_from(kind, name, body)
    assert "kicked" in FINDINGS


def test_a_damaged_entry_is_left_out_and_counted(day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Not a traceback, and not silence: the lines before and after it are there."""
    path = tmp_path / "journal.db"
    shutil.copyfile(day[0], path)
    before = logged(path, capsys)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE effects SET body = '{' WHERE name = 'load_closed'")
        db.commit()
    assert cli.main(["log", "--journal", str(path)]) == 0
    said = capsys.readouterr()
    assert said.err == "1 entry of the journal cannot be read, left out\n"
    assert said.out.splitlines() == [line for line in before if "load 1 closed" not in line]


def test_ctrl_c_ends_with_the_shells_code_and_without_a_traceback(day: Day) -> None:
    """130 is 128 + SIGINT (POSIX.1-2017, XCU 2.8.2): a script can tell it from a failure."""
    command = [sys.executable, "-m", "benchd", "log", "--journal", str(day[0]), "-f"]
    was = signal.signal(signal.SIGINT, signal.default_int_handler)  # a test run in the background ignores it
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as following:
        signal.signal(signal.SIGINT, was)
        try:
            assert following.stdout is not None
            assert following.stdout.readline() == "Monday 2026-01-05\n"
            os.kill(following.pid, signal.SIGINT)
            _, complaints = following.communicate(timeout=20)
            assert (following.returncode, complaints) == (130, "")
        finally:
            following.kill()
