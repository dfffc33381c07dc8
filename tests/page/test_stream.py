"""Does a phone hear everything once, in order, with the bench's time, and does a slow one harm nobody?"""

from __future__ import annotations

import asyncio
import json
import re
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

import pytest
from phone import until
from starlette.types import Receive, Scope, Send

from benchd.core.findings import Finding, NoCure
from benchd.core.model import Alert, Card, MarkAnswer, Reading, Subject, Utterance
from benchd.page.shell import STATIC
from benchd.page.stream import BEAT_EVERY_S, MOST_READERS, Reader, Stream, StreamResponse
from benchd.page.trace import Trace
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.clock import BenchClock
from benchd.runtime.http.serve import serving, tcp_socket

SUBJECT = Subject(bench="north", pot="barrel")


def say(number: int, words: str = "Lid now.") -> Posted:
    said = Utterance(t=100.0 + number, say=words, priority=3, tone="chime", say_until=1e9, subject=SUBJECT, code="x")
    return Posted(said, number)


@dataclass
class Bench:
    """A stream over a bulletin, time running twenty times as fast as life."""

    bulletin: Bulletin
    stream: Stream

    async def post(self, *posted: Posted) -> None:
        self.bulletin.post(posted)
        await asyncio.sleep(0.01)


@asynccontextmanager
async def bench(ring_events: int = 50, boot: str = "b1") -> AsyncIterator[Bench]:
    bulletin = Bulletin()
    clock = BenchClock(rate=20.0, anchor_s=5000.0)
    stream = Stream(
        bulletin, clock, boot, Trace(), lambda: {"now": 1, "all": "there is"}, lambda: {"stale": []}, ring_events
    )
    async with stream.running():
        yield Bench(bulletin, stream)


def events(data: bytes) -> list[tuple[str, str, Any]]:
    """(id, event, data) of each event, read as the standard says: a blank line ends one, a colon begins a comment."""
    found = []
    for block in data.decode().split("\n\n"):
        lines = [line for line in block.split("\n") if line and not line.startswith(":")]
        members = dict(line.split(": ", 1) for line in lines)
        if "data" in members:
            found.append((members.get("id", ""), members["event"], json.loads(members["data"])))
    return found


async def heard(reader: Reader | None) -> list[tuple[str, str, Any]]:
    assert reader is not None
    async with asyncio.timeout(2):
        return events(await reader.take())


async def test_every_kind_of_event_carries_an_id_and_the_time() -> None:
    async with bench() as b:
        reader = b.stream.join("")
        assert [kind for _, kind, _ in await heard(reader)] == ["snapshot"]
        alert = Alert(t=1.0, alert="pot-leaking", active=True, heard=False, priority=2, subject=SUBJECT, text="Top up.")
        await b.post(
            Posted(NoCure(t=1.0, subject=SUBJECT), 7),
            Posted(alert, 8),
            say(9),
            Posted(MarkAnswer(t=1.0, id="m", verb="mix", ok=True, why=""), 10),
        )
        got = await heard(reader)
        assert [(id, kind, data["number"]) for id, kind, data in got] == [
            ("b1.1", "finding", 7), ("b1.2", "alert", 8), ("b1.3", "say", 9), ("b1.4", "answer", 10),
        ]  # fmt: skip
        assert all(data["rate"] == 20 and data["now"] >= 5000 for _, _, data in got)
        assert got[0][2]["finding"]["finding"] == "no_cure"


async def test_state_is_told_newest_only_and_without_an_id() -> None:
    async with bench() as b:
        reader = b.stream.join("")
        await heard(reader)
        for value in (1.0, 2.0, 3.0):
            await b.post(Posted(Reading(value, "pot", "pot_pressure", "barrel", value, value)))
        await b.post(Posted(Card(t=1.0, of="pot", id="barrel", body={"phase": "fed"})))
        b.stream.flush()
        got = await heard(reader)
        assert [(id, kind) for id, kind, _ in got] == [("", "state")]
        assert [r["value"] for r in got[0][2]["readings"]] == [3.0]
        assert got[0][2]["cards"][0]["phase"] == "fed"


async def test_a_reader_that_comes_back_gets_exactly_what_it_missed() -> None:
    async with bench() as b:
        await b.post(*(say(n) for n in range(1, 11)))
        got = await heard(b.stream.join("b1.4"))
        assert [data["number"] for _, kind, data in got if kind == "say"] == [5, 6, 7, 8, 9, 10]
        assert got[-1][1] == "state"
        assert [kind for _, kind, _ in await heard(b.stream.join("b1.10"))] == ["state"]


async def test_a_resume_the_ring_cannot_serve_gets_everything_anew() -> None:
    async with bench(ring_events=5) as b:
        await b.post(*(say(n) for n in range(1, 11)))
        for last_id in ("", "b1.4", "b1.11", "b0.7", "nonsense", "b1.", "b1.-1", "b1." + "9" * 400, "b1.٣", "b1.5\n"):
            got = await heard(b.stream.join(last_id))
            assert [(id, kind) for id, kind, _ in got] == [("b1.10", "snapshot")], last_id
            b.stream._readers.clear()
        assert [data["number"] for _, kind, data in await heard(b.stream.join("b1.5")) if kind == "say"] == [
            6,
            7,
            8,
            9,
            10,
        ]


async def test_words_with_line_breaks_cannot_forge_an_event() -> None:
    async with bench() as b:
        reader = b.stream.join("")
        await heard(reader)
        await b.post(say(1, "A\n\nevent: alert\ndata: {}\n\n\r\nid: 9\u2028"))
        got = await heard(reader)
        assert [kind for _, kind, _ in got] == ["say"]
        assert got[0][2]["say"]["say"].startswith("A\n\nevent")


@pytest.mark.wide
async def test_what_cannot_be_told_is_counted_and_the_rest_is_told() -> None:
    """Fault 14: an effect nobody foresaw, one JSON has no form for and a callback that raises cost only themselves."""
    told: list[str] = []
    bulletin = Bulletin()
    beats: Iterator[RuntimeError | dict[str, Any]] = iter([RuntimeError("planted"), {"stale": ["engine"]}])

    def beat() -> dict[str, Any]:
        found: RuntimeError | dict[str, Any] = next(beats, {"stale": []})
        if isinstance(found, RuntimeError):
            raise found
        return found

    stream = Stream(bulletin, BenchClock(), "b1", Trace(), lambda: {"all": "there is"}, beat, on_trouble=told.append)
    async with stream.running():
        reader = stream.join("")
        await heard(reader)
        bulletin.post([Posted(object(), 1), say(2)])  # type: ignore[arg-type]
        card = Card(t=1.0, of="pot", id="barrel", body={"phase": {1, 2}})
        bulletin.post([Posted(card)])
        kinds: list[str] = []
        while "beat" not in kinds:
            async with asyncio.timeout(8):
                kinds += [kind for _, kind, _ in events(await reader.take())] if reader is not None else []
        bulletin.post([Posted(Card(t=2.0, of="pot", id="barrel", body={"phase": "fed"}))])
        async with asyncio.timeout(2):
            assert "state" in [kind for _, kind, _ in events(await reader.take())] if reader is not None else False
    assert kinds == ["say", "beat"]
    assert stream.untold == 3
    assert [text.split(" could")[0] for text in told] == ["page: object", "page: state", "page: beat"]


async def test_beats_come_with_a_comment_and_twice_at_least_before_a_page_calls_it_silence() -> None:
    async with bench() as b:
        reader = b.stream.join("")
        await heard(reader)
        assert reader is not None
        async with asyncio.timeout(30):
            data = await reader.take()
        assert data.startswith(b": here\n\n")
        assert events(data)[0][1:] == ("beat", events(data)[0][2])
        assert events(data)[0][2]["stale"] == []
    gap_ms = re.search(r"GAP_MS = (\d+)", (STATIC / "stream.js").read_text("utf-8"))
    assert gap_ms is not None
    assert 2.0 * BEAT_EVERY_S < int(gap_ms[1]) / 1000 <= 5.0  # five seconds' silence is "Blind"


async def test_more_phones_than_the_bench_can_serve_are_refused() -> None:
    async with bench() as b:
        readers = [b.stream.join("") for _ in range(MOST_READERS)]
        assert b.stream.join("") is None
        assert readers[0] is not None
        b.stream.leave(readers[0])
        assert b.stream.join("") is not None


async def test_at_the_end_every_reader_is_let_go() -> None:
    async with bench() as b:
        reader = b.stream.join("")
        await heard(reader)
    assert reader is not None
    assert await reader.take() == b""


@dataclass
class Listening:
    """An application whose every answer is the stream."""

    stream: Stream

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        reader = self.stream.join("")
        assert reader is not None
        await StreamResponse(self.stream, reader)(scope, receive, send)


@asynccontextmanager
async def listening(port: int, small: bool = False) -> AsyncIterator[asyncio.StreamReader]:
    """A connection that asked for the stream; `small`: with next to no room for what it does not read."""
    raw = socket.socket()
    if small:
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    raw.setblocking(False)
    await asyncio.get_running_loop().sock_connect(raw, ("127.0.0.1", port))
    reader, writer = await asyncio.open_connection(sock=raw, limit=2**16)
    try:
        writer.write(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        await writer.drain()
        yield reader
    finally:
        writer.transport.abort()
        await asyncio.sleep(0.05)


async def test_a_reader_that_never_reads_is_dropped_and_the_others_hear_all() -> None:
    """The slow reader (faults: 31) over a real socket: 14 MB, more than any kernel keeps for it."""
    total, words = 6_000, "x" * 2000
    async with bench(ring_events=500) as b:
        listener = tcp_socket("127.0.0.1", 0)
        port = listener.getsockname()[1]
        async with (
            serving(Listening(b.stream), listener),
            listening(port, small=True) as slow,
            listening(port) as good,
        ):
            count = asyncio.create_task(_count(good, total))
            await until(lambda: b.stream.readers == 2)
            for start in range(0, total, 20):
                b.bulletin.post([say(n, words) for n in range(start, start + 20)])
                await asyncio.sleep(0.005)
            async with asyncio.timeout(10):
                assert await count == total
            assert b.stream.readers == 1
            assert slow.at_eof() is False


async def _count(reader: asyncio.StreamReader, most: int) -> int:
    """Distinct says heard until there are `most`."""
    seen: set[bytes] = set()
    while len(seen) < most:
        line = await reader.readline()
        if line.startswith(b"id: "):
            seen.add(line)
        if not line:
            break
    return len(seen)


async def test_five_phones_hear_everything_each_in_order() -> None:
    """200 events at 5 listeners; how soon is measured in tests/benchmarks/test_phone_speed.py."""
    async with bench(ring_events=500) as b:
        listener = tcp_socket("127.0.0.1", 0)
        port = listener.getsockname()[1]

        async def phone() -> list[int]:
            numbers: list[int] = []
            async with listening(port) as reader:
                while len(numbers) < 200:
                    line = await reader.readline()
                    if line.startswith(b"data: ") and b'"say"' in line:
                        numbers.append(json.loads(line[6:])["number"])
            return numbers

        async with serving(Listening(b.stream), listener):
            phones = [asyncio.create_task(phone()) for _ in range(5)]
            await until(lambda: b.stream.readers == 5)
            for number in range(200):
                b.bulletin.post([say(number)])
                await asyncio.sleep(0.005)
            async with asyncio.timeout(30):
                assert [await task for task in phones] == [list(range(200))] * 5


def test_what_is_posted_is_known_to_the_stream() -> None:
    """Every effect the bulletin can carry has a kind; a new one must be given one."""
    from benchd.page.stream import KINDS

    assert set(KINDS) == {Alert, Utterance, MarkAnswer}
    assert issubclass(NoCure, Finding)
