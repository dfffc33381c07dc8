"""Can a chattering board, or a port at the wrong speed, fill the disk?  Bad lines are counted, good ones are kept."""

from __future__ import annotations

import base64
import json
import random
from collections.abc import Iterator, Sequence
from dataclasses import fields, replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recordings_by_hand import BENCH, START_T, board_line, context

from benchd.app import Watch
from benchd.core.engine import Engine
from benchd.core.findings import BenchNotice, Effect
from benchd.core.format.record import from_record, to_json
from benchd.core.intake.wire import decode
from benchd.core.model import Context, Input, Line, RawLine, Reading, Status
from benchd.errors import DecodeError
from benchd.plugins import watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Writes
from benchd.runtime.watch.mailbox import Advance, Mailbox
from benchd.runtime.watch.sieve import BAD_BYTES, BAD_KEPT, MANY_A_MINUTE, Sieve

DAY_S = 86_400.0


def one(line: str) -> Input:
    return from_record(json.loads(line))


START = one(context())


def good(t: float, seq: int = 0) -> Line:
    item = one(board_line(t, seq, 1.0))
    assert isinstance(item, Line)
    return item


def noise(rng: random.Random, t: float) -> Line | RawLine:
    """What a wrong speed makes of a line: bytes that are mostly no text."""
    raw = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 512))).replace(b"\n", b"")
    try:
        return Line(t, "board", raw.decode())
    except UnicodeDecodeError:
        return RawLine(t, "board", base64.b64encode(raw).decode())


async def through(given_: Sequence[Input | Advance]) -> list[Input | Advance]:
    """What of all that comes out of the mailbox, at its close too."""
    box, out = Mailbox(sieve=Sieve()), []
    for item in given_:
        box.put(item)
        if len(box) > 1000:
            out += await box.take()
    box.close()
    while got := await box.take():
        out += got
    return out


def bad(items: Sequence[object]) -> list[Line | RawLine]:
    """Those that core/wire does not take."""
    found: list[Line | RawLine] = []
    for item in items:
        if isinstance(item, RawLine):
            found.append(item)
        elif isinstance(item, Line):
            try:
                decode(item.line, checked=item.topic is None)
            except DecodeError:
                found.append(item)
    return found


def flood(minutes: float, a_second: int) -> Iterator[Input]:
    """A context, then noise, with a good line each second in between."""
    rng = random.Random(7)
    yield START
    for second in range(int(60 * minutes)):
        t = START_T + 1 + second
        yield from (noise(rng, t + n / (a_second + 1)) for n in range(a_second))
        yield good(t + a_second / (a_second + 1), second)


async def test_of_a_flood_of_bad_lines_a_few_a_minute_are_kept() -> None:
    """Every line is either kept or counted, the good ones are all kept, each kept one is short."""
    sent = list(flood(5, 60))
    out = await through(sent)
    kept = bad(out)
    assert len(kept) <= BAD_KEPT * 6
    assert len([i for i in out if isinstance(i, Line)]) - len([i for i in kept if isinstance(i, Line)]) == 300
    lost = [item.lost for item in out if isinstance(item, Status)]
    assert sum(lost) + len(kept) == len(bad(sent))
    assert all(len(i.line if isinstance(i, Line) else base64.b64decode(i.raw_b64)) <= BAD_BYTES + 4 for i in kept)


async def test_the_count_is_told_once_a_minute() -> None:
    """As a notice of lines, with the source's name and the number; a silent board's last minute too."""
    sent: list[Input | Advance] = [*flood(1.5, 60), *(Advance(START_T + 91 + n) for n in range(180))]
    engine = Engine(watcher_plan)
    told = [
        (e.t, e.why, e.count)
        for item in await through(sent)
        for e in (engine.advance(item.t) if isinstance(item, Advance) else engine.step(item))
        if isinstance(e, BenchNotice) and e.what == "lines"
    ]
    assert sum(count for _, _, count in told) == len(bad([i for i in sent if not isinstance(i, Advance)]))
    assert all(b - a >= 59.0 for (a, _, _), (b, _, _) in pairwise(told))
    assert any("not kept" in why for _, why, _ in told)


async def test_what_is_saved_of_a_flood_replays_to_the_same(tmp_path: Path) -> None:
    """The engine steps what the mailbox gave; read back from its recording it says the same."""
    out = [item for item in await through(list(flood(2, 40))) if not isinstance(item, Advance)]

    def run(items: Sequence[Input]) -> list[Effect]:
        engine = Engine(watcher_plan)
        return [e for item in items for e in engine.step(item)]

    assert run(out) == run([from_record(json.loads(to_json(item))) for item in out])


def size_bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.iterdir())


async def test_a_day_of_noise_takes_megabytes_not_gigabytes(tmp_path: Path) -> None:
    """Ten minutes of 115,200 baud of noise (11.5 kB/s, 22 lines a second of 512 bytes), written as a journal is."""
    writes, rng = Writes(), random.Random(3)
    raw = [RawLine(START_T + n / 22, "board", base64.b64encode(rng.randbytes(512)).decode()) for n in range(13_200)]
    for seq, item in enumerate(await through([START, *raw]), 1):
        assert not isinstance(item, Advance)
        writes.add_input(seq, item)
    async with Journal(tmp_path / "journal.db") as journal:
        await journal.write(writes)
    assert size_bytes(tmp_path) * DAY_S / 600.0 < 200e6  # unsifted: 900 kB a minute and more


async def test_good_lines_at_an_absurd_rate_are_kept_and_told_of() -> None:
    """2,000 a second: none is dropped; that there are many is told once an hour."""
    line = good(START_T + 1)
    sent: list[Input] = [START]
    sent += [replace(line, t=START_T + 1 + n / 2_000) for n in range(2_000 * 65)]
    sent += [replace(line, t=START_T + 100 + n) for n in range(100)]
    out = await through(sent)
    assert len([i for i in out if isinstance(i, Line)]) == 2_000 * 65 + 100
    told = [item for item in out if isinstance(item, Status)]
    assert [(item.up, item.lost) for item in told] == [(True, 0)]
    assert int(told[0].why.split()[0]) > MANY_A_MINUTE


async def test_a_board_without_a_checksum_keeps_its_good_lines() -> None:
    """Its lines are judged by the whole of core/wire; a payload from a broker likewise."""
    config = replace(BENCH, sources=(("board", "none"),))
    plain = [Line(START_T + n, "board", '[{"n":"b1-pot","u":"Pa","v":1}]') for n in range(1, 90)]
    payload = [replace(line, topic="benchd/board/b1/lines") for line in plain]
    sums = [good(START_T + n) for n in range(1, 90)]
    for lines, bench in ((plain, config), (payload, BENCH), (payload, config)):
        out = await through([one(context(bench=bench)), *lines])
        assert [i for i in out if isinstance(i, Line)] == lines
    assert [i for i in await through([*sums, *plain]) if isinstance(i, Line)]
    early = await through([*plain, START])  # before any context is known, either form is good
    assert [i for i in early if isinstance(i, Line)] == plain


async def test_each_source_has_its_own_count() -> None:
    """One board's noise does not hide another's."""
    items: list[Input] = [START]
    for n in range(200):
        items += [Line(START_T + 1, "one", f"x{n}"), Line(START_T + 1, "two", f"y{n}")] if n < 30 else []
    out = await through(items)
    assert {source: len([i for i in bad(out) if i.source == source]) for source in ("one", "two")} == {
        "one": BAD_KEPT, "two": BAD_KEPT,
    }  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=700), max_size=60), st.booleans())
async def test_whatever_comes_a_bad_line_stays_bad(texts: list[str], is_payload: bool) -> None:
    """Cutting a line makes nothing of it that core/wire would take."""
    lines = [Line(START_T + n, "board", text, "a/lines" if is_payload else None) for n, text in enumerate(texts)]
    sent_bad = bad(lines)
    out = await through([START, *lines])
    assert len(bad(out)) == min(len(sent_bad), BAD_KEPT)
    assert len([i for i in out if isinstance(i, Line)]) - len(bad(out)) == len(lines) - len(sent_bad)


async def test_the_daemon_has_the_sieve() -> None:
    """The mailbox that the daemon makes itself keeps no more."""
    (made,) = [f.default_factory for f in fields(Watch) if f.name == "mailbox"]
    assert callable(made)
    box = made()
    for n in range(200):
        box.put(Line(START_T, "board", f"x{n}"))
    assert len(box) == BAD_KEPT


def test_an_older_recording_without_the_count_reads_as_before() -> None:
    """And a count of nothing is not written."""
    status = Status(START_T, "board", True, "x")
    assert "lost" not in to_json(status)
    assert from_record({"t": START_T, "status": {"source": "board", "up": True, "why": "x"}}) == status
    assert from_record(json.loads(to_json(replace(status, lost=3)))) == replace(status, lost=3)


@pytest.mark.parametrize("of", [Reading, Context])
def test_a_count_makes_nothing_of_the_bench(of: type) -> None:
    """No reading comes of it, and a source that is down stays down."""
    engine = Engine(watcher_plan)
    engine.step(START)
    engine.step(Status(START_T + 1, "board", False, "unplugged"))
    effects = engine.step(Status(START_T + 1.5, "board", True, "bad lines left out", 40))
    assert not [e for e in effects if isinstance(e, of)]
    assert [e.why for e in effects if isinstance(e, BenchNotice)] == ["board: 40 not kept"]
