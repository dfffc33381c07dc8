"""Does a recording or journal whose time leaps keep it busy for ever?  A long silence is a gap, live or replayed."""

from __future__ import annotations

import asyncio
import json
import sqlite3
import zlib
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from recordings_by_hand import START_T, board_line, context, fill_and_vent, write

from benchd import cli
from benchd.core.engine import SILENCE_MOST_S, Engine
from benchd.core.format.record import from_record
from benchd.core.model import BenchNotice, Effect, Finding, Gap, Input, Line, Mark
from benchd.plugins import watcher_plan
from benchd.runtime.clock import BenchClock
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.packed_lines import pack, unpack
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.journal.rows import Writes
from benchd.runtime.watch.mailbox import Advance, Mailbox
from benchd.runtime.watch.ticker import AWAKE_EVERY_S, tick

YEAR_S = 365.25 * 86_400.0
FAR_T = START_T + 3_000.0 * YEAR_S  # the year 5026


class Counting(Engine):
    """Counts its ticks; gives up where it would go on for ever."""

    ticks = 0

    def _tick(self, t: float) -> list[Effect]:
        self.ticks += 1
        assert self.ticks <= 2 * SILENCE_MOST_S, "ticks without end"
        return super()._tick(t) if self.ticks < 100 else []  # the rest would only take time


def items(lines: Sequence[str]) -> list[Input]:
    return [from_record(json.loads(line)) for line in lines]


def notices(effects: Sequence[Effect]) -> list[str]:
    return [e.why for e in effects if isinstance(e, BenchNotice) and e.what == "gap"]


def test_a_leap_of_3000_years_is_a_gap() -> None:
    """A day of it is watched, the rest is told as time without any input; then the watch goes on."""
    engine = Counting(watcher_plan)
    for item in items([context(), board_line(START_T + 1, 1, 0.0)]):
        engine.step(item)
    effects = engine.step(items([board_line(FAR_T, 2, 0.0)])[0])
    assert engine.ticks <= SILENCE_MOST_S + 1
    assert notices(effects) == [f"no input: {FAR_T - START_T - 1:.0f} s"]
    before = engine.ticks
    assert notices(engine.step(items([board_line(FAR_T + 10, 3, 0.0)])[0])) == []
    assert engine.ticks == before + 10


def test_a_day_without_input_is_watched_to_its_end() -> None:
    """The bound itself is no gap, a second more is one."""
    for silent_s, told in ((SILENCE_MOST_S, 0), (SILENCE_MOST_S + 1.0, 1)):
        engine = Counting(watcher_plan)
        effects: list[Effect] = []
        for item in items([context(), board_line(START_T + silent_s, 1, 0.0)]):
            effects = engine.step(item)
        assert len(notices(effects)) == told
        assert engine.ticks == SILENCE_MOST_S


def test_live_and_replayed_are_the_same_over_a_long_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    """An engine told of each second as it goes by, one told only of the inputs, one cut in between: the same."""
    monkeypatch.setattr("benchd.core.engine.SILENCE_MOST_S", 600.0)
    given = items([context(), *fill_and_vent(), board_line(START_T + 5_000.0, 500, 0.0)])

    def told(engine: Engine, seconds: bool) -> list[Effect]:
        out: list[Effect] = []
        for item in given:
            while seconds and 0.0 < engine.now < item.t - 1.0:
                out += engine.advance(engine.now + 1.0)
            out += engine.step(item)
        return [e for e in out if isinstance(e, Finding)]

    live, replayed = Engine(watcher_plan), Engine(watcher_plan)
    assert told(live, True) == told(replayed, False)
    cut = Engine(watcher_plan)
    for item in given[:-1]:
        cut.step(item)
    cut.advance(START_T + 3_000.0)
    standing: list[Any] = given[:1]
    again = Engine.thaw(cut.freeze(), watcher_plan, standing)
    assert notices(again.step(given[-1])) == [f"no input: {given[-1].t - given[-2].t:.0f} s"]


def test_time_told_without_an_input_is_bounded_as_well() -> None:
    """As on recovery, where a journal says how far the bench had come."""
    engine = Counting(watcher_plan)
    for item in items([context(), board_line(START_T + 1, 1, 0.0)]):
        engine.step(item)
    engine.advance(FAR_T)
    assert engine.now == FAR_T
    assert engine.ticks <= SILENCE_MOST_S + 1


async def test_an_unplugged_bench_is_kept_awake() -> None:
    """Hours without any input bring one of the daemon's own, from which nothing is concluded."""
    clock, box = BenchClock(rate=2_000_000.0, anchor_s=START_T), Mailbox()
    box.put(items([context(START_T)])[0])
    task = asyncio.create_task(tick(clock, box))
    found: list[Input] = []
    while len(found) < 3:
        found += [item for item in await box.take() if not isinstance(item, Advance | Gap)]
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    awake = found[1]
    assert isinstance(awake, Line)
    assert awake.t - found[0].t >= AWAKE_EVERY_S
    engine = Engine(watcher_plan)
    engine.step(found[0])
    assert engine.step(replace(awake, t=START_T + 0.5)) == []


# ------------------------------------------------------------------------------------------------- times no bench has

NO_TIME = ["-1", "1e11", "1e400", "-0.5", "253402300800", "NaN", "Infinity", "true", '"5"', "null", "1" + "0" * 400]


@pytest.mark.parametrize("t", NO_TIME, ids=lambda t: t[:12])
def test_a_time_no_bench_has_is_a_bad_line(t: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Left out and counted, its line named; the lines after it are read (year 10000 is 253402300800 s, RFC 3339)."""
    bad = f'{{"t": {t}, "status": {{"source": "board", "up": false}}}}'
    path = write(tmp_path / "a.jsonl", [context(), bad, board_line(START_T + 1, 1, 0.0)])
    assert cli.main(["replay", str(path)]) == 0
    told = capsys.readouterr()
    assert "2 inputs, 1 bad lines left out (first: line 3:" in told.err


@pytest.mark.parametrize(
    "body",
    [
        '"gap": {"since": 1e400, "why": "x"}', '"gap": {"since": 1, "why": "x", "lost": 1e400}',
        '"clock": {"offset_s": -1e400}', '"gap": {"since": ' + "1" * 400 + ', "why": "x"}',
    ],
)  # fmt: skip
def test_a_number_beyond_a_double_is_a_bad_line(body: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Replayed and imported without it: what cannot be written as JSON is not taken."""
    bad = f'{{"t": {START_T + 1}, {body}}}'
    path = write(tmp_path / "a.jsonl", [context(), bad, board_line(START_T + 2, 1, 0.0)])
    assert cli.main(["replay", str(path)]) == 0
    assert "1 bad lines left out (first: line 3:" in capsys.readouterr().err
    assert cli.main(["import", str(path), "--journal", str(tmp_path / "j.db")]) == 0


async def test_a_journal_with_times_no_bench_has_reads_as_gaps(tmp_path: Path) -> None:
    """A row and a block with such times hide nothing else; the gaps themselves have times."""
    path, writes = tmp_path / "journal.db", Writes()
    (given,) = items([context()])
    writes.add_input(1, given)
    writes.add_input(2, Mark(t=START_T + 1.0, verb="note", text="x"))
    async with Journal(path) as journal:
        await journal.write(writes)
    head = {"sources": [[False, "board", None]], "seq": [3], "t": [2**400], "exact_t": {}, "of": [0], "lengths": None}
    block = zlib.compress((json.dumps(head) + "\nx").encode())
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE inputs SET t = 9e99, body = 'x' WHERE seq = 2")
        db.execute(
            "INSERT INTO blocks (first_seq, last_seq, first_t, last_t, count, body) VALUES (3, 3, -9e99, 9e99, 1, ?)",
            (block,),
        )
    async with Journal(path, read_only=True) as journal:
        read = [item async for _, item in Logbook(journal).inputs()]
    assert [type(item).__name__ for item in read] == ["Context", "Gap", "Gap"]
    assert all(0.0 <= item.t < 1e11 for item in read)
    assert all(0.0 <= item.since < 1e11 for item in read if isinstance(item, Gap))


@pytest.mark.parametrize("t", ["NaN", "Infinity", "-1.0", "1e12", '"x"'])
def test_a_block_with_a_time_no_bench_has_is_damaged(t: str) -> None:
    """Times that fit no step stand in a block as they are: those are judged too."""
    text = zlib.decompress(pack([(1, Line(0.1, "board", "x"))])).decode()
    assert '"exact_t":{"0":0.1}' in text
    forged = zlib.compress(text.replace('"exact_t":{"0":0.1}', f'"exact_t":{{"0":{t}}}').encode())
    with pytest.raises(ValueError, match="damaged block"):
        unpack(forged)
