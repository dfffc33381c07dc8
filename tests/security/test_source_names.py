"""Can a source's name raise an alarm that is another thing's?  The shell's own news have an input of their own."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from recordings_by_hand import BENCH, START_T, board_line

from benchd.core.bench.context import context_parts
from benchd.core.engine import Engine
from benchd.core.findings import BenchNotice, Effect
from benchd.core.format.record import from_record, read_recording, to_json, to_record
from benchd.core.model import Alert, Context, News, Quality, Reading, Status
from benchd.core.model.learned import Learned
from benchd.plugins import watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Writes
from benchd.runtime.recordings.extract import extract

T = START_T
NAMES = ("journal", "listener", "contested")
ALARMS = {"journal": "journal-failing", "listener": "no-listener", "contested": "name-contested"}


def watching(source: str) -> Engine:
    """A whole engine on a bench whose one board is called `source`."""
    channels = tuple(replace(channel, source=source) for channel in BENCH.channels)
    config, shelf, resins = context_parts(replace(BENCH, channels=channels, sources=((source, "crc32"),)))
    engine = Engine(watcher_plan)
    engine.step(Context(T, config, shelf, resins, Learned(), ((0.0, 0.0),), "0", "named"))
    return engine


def codes(effects: list[Effect]) -> list[tuple[str, bool]]:
    return [(effect.alert, effect.active) for effect in effects if isinstance(effect, Alert)]


@pytest.mark.parametrize("name", NAMES)
def test_a_board_of_any_name_raises_a_boards_alarm_and_no_other(name: str) -> None:
    """A pulled cable of a source called `journal` is a source that is down, and blinds its channels."""
    engine = watching(name)
    engine.step(from_record(json.loads(board_line(T + 1.0, 1, 0.0)) | {"source": name}))
    effects = engine.step(Status(T + 2.0, name, False, "unplugged")) + engine.advance(T + 3.0)
    told = codes(effects)
    assert ("source-down", True) in told
    assert ALARMS[name] not in [code for code, _ in told]
    assert [n.what for n in effects if isinstance(n, BenchNotice)] == ["source"]
    blind = {r.channel for r in effects if isinstance(r, Reading) and r.quality is Quality.FAULT}
    assert blind == {channel.id for channel in BENCH.channels}


@pytest.mark.parametrize("name", NAMES)
def test_a_board_that_comes_back_does_not_end_another_things_alarm(name: str) -> None:
    """While the log is not written, a board called `journal` that is plugged in leaves the alarm on."""
    engine = watching(name)
    began = engine.step(News(T + 1.0, name, True, "disk full")) + engine.advance(T + 2.0)  # type: ignore[arg-type]
    assert (ALARMS[name], True) in codes(began)
    came = engine.step(Status(T + 3.0, name, True)) + engine.advance(T + 60.0)
    assert (ALARMS[name], False) not in codes(came)
    over = engine.step(News(T + 61.0, name, False, "over")) + engine.advance(T + 62.0)  # type: ignore[arg-type]
    assert (ALARMS[name], False) in codes(over)


@pytest.mark.parametrize("name", NAMES)
def test_a_recording_of_version_0_means_its_news_one_of_version_1_its_source(name: str) -> None:
    """Only in version 0 is a status of such a name the shell's news."""
    status, board = Status(T, name, False, "disk full"), Status(T, "board", False, "unplugged")
    lines = [to_json(status), to_json(board)]
    old = list(read_recording(['{"recording": 0, "bench": "north"}', *lines]))
    new = list(read_recording(['{"recording": 1, "bench": "north"}', *lines]))
    assert old == [News(T, name, True, "disk full"), board]  # type: ignore[arg-type]
    assert new == [status, board]


@pytest.mark.parametrize("name", NAMES)
async def test_a_row_of_an_old_journal_is_news_one_of_this_version_a_source(tmp_path: Path, name: str) -> None:
    """Rows of both ages lie in one file and each is read as it was meant; an export says it without doubt."""
    path, status = tmp_path / "j.db", Status(T + 1.0, name, False, "unplugged")
    news = News(T + 2.0, name, True, "disk full")  # type: ignore[arg-type]
    async with Journal(path) as journal:
        writes = Writes()
        writes.add_input(2, status)
        writes.add_input(3, news)
        await journal.write(writes)
    old = {"t": T, "status": {"source": name, "up": False, "why": "disk full"}}  # as 0.1.0 wrote it
    with closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO inputs VALUES (1, ?, 'status', ?)", (T, json.dumps(old)))
        db.commit()
    async with Journal(path, read_only=True) as journal:
        kept = [item async for _, item in Logbook(journal).inputs()]
        cut = [line async for line in extract(Logbook(journal), T, T + 9.0)]
    meant = [News(T, name, True, "disk full"), status, news]  # type: ignore[arg-type]
    assert kept == meant
    assert json.loads(cut[0])["recording"] == 1
    assert list(read_recording(cut)) == meant


def test_news_of_no_known_thing_are_refused() -> None:
    """A recording cannot make up a thing that has no alarm."""
    line = json.dumps(to_record(News(T, "journal", True, "x")) | {"news": {"what": "weather", "active": True}})
    assert list(read_recording(['{"recording": 1, "bench": "north"}', line])) == []
