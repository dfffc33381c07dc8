"""Streams what changed to the page: server-sent events, resumed without a gap.

Events (finding, alert, say, answer) carry an id and stay in a bounded ring; a reader that comes back names the last id
it saw and gets all that followed.  An id the ring no longer holds, or of another run of the daemon, gets a `snapshot`:
everything as it is now.  State (readings, cards) is newest-wins, four times a second.  Every event says what time it is
on the bench, and how fast that runs, at the moment it is sent: a page needs no clock of its own.  A reader that does
not keep up is dropped, the others never wait for it.

Format: WHATWG HTML, section 9.2, "Server-sent events".
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from starlette.types import Receive, Scope, Send

from benchd.core.findings import Finding
from benchd.core.format.printed import to_json_object
from benchd.core.model import Alert, Card, MarkAnswer, Reading, Utterance
from benchd.page.trace import Trace
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.clock import BenchClock

RING_EVENTS = 2000
STATE_EVERY_S = 0.25
BEAT_EVERY_S = 2.0
MOST_WAITING_BYTES = 256 * 1024
MOST_READERS = 16
SEND_WITHIN_S = 6.0  # a socket that takes nothing for this long is a phone that went away
KINDS: dict[type, str] = {Alert: "alert", Utterance: "say", MarkAnswer: "answer"}
HEADERS = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"x-accel-buffering", b"no")]


@dataclass(frozen=True, slots=True)
class RingEvent:
    """One event in the ring: its place in this run, its kind, its JSON members without the clock."""

    place: int
    kind: str
    members: str


class Reader:
    """One phone's view: bytes waiting to be sent, at most `most` of them; past that the reader is dropped."""

    def __init__(self, most: int = MOST_WAITING_BYTES) -> None:
        self._waiting: deque[bytes] = deque()
        self._bytes, self._most = 0, most
        self._wakeup = asyncio.Event()
        self.is_over = False

    def offer(self, data: bytes) -> None:
        """Queue bytes; ends the reader if it has fallen too far behind."""
        if self._bytes + len(data) > self._most:
            self.end()
        if not self.is_over:
            self._waiting.append(data)
            self._bytes += len(data)
            self._wakeup.set()

    def end(self) -> None:
        """End the reader: nothing waits any more."""
        self.is_over = True
        self._waiting.clear()
        self._wakeup.set()

    async def take(self) -> bytes:
        """All bytes waiting, at least one event; empty once the reader has ended."""
        while not self._waiting and not self.is_over:
            self._wakeup.clear()
            await self._wakeup.wait()
        data = b"".join(self._waiting)
        self._waiting.clear()
        self._bytes = 0
        return data


class Stream:
    """The ring and its readers.  `snapshot` returns all there is to know; `beat` what every beat says besides the time.

    `boot` names this run of the daemon and is part of every id.  Used on the event loop only.
    """

    def __init__(
        self,
        bulletin: Bulletin,
        clock: BenchClock,
        boot: str,
        trace: Trace,
        snapshot: Callable[[], dict[str, Any]],
        beat: Callable[[], dict[str, Any]],
        ring_events: int = RING_EVENTS,
        on_trouble: Callable[[str], None] = lambda why: None,
    ) -> None:
        self._bulletin, self._clock, self._boot, self._trace = bulletin, clock, boot, trace
        self._snapshot, self._beat = snapshot, beat
        self._ring: deque[RingEvent] = deque(maxlen=ring_events)
        self._place = 0
        self._changed: dict[tuple[str, str], Reading | Card] = {}
        self._readers: list[Reader] = []
        self._is_heard = asyncio.Event()
        self._on_trouble = on_trouble
        self.untold = 0

    @property
    def readers(self) -> int:
        """How many listen now."""
        return len(self._readers)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Listen to the bulletin for the length of the block; all readers end with it."""
        news = self._bulletin.subscribe(limit=RING_EVENTS)

        async def pump() -> None:
            while True:
                for posted in await news.batch():
                    with self._surviving(f"{type(posted.effect).__name__}"):
                        self.see(posted)

        tasks = [asyncio.create_task(pump(), name="stream"), asyncio.create_task(self._regularly(), name="stream beat")]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._bulletin.unsubscribe(news)
            for reader in list(self._readers):
                reader.end()

    async def _regularly(self) -> None:
        for turn in range(1, 2**62):
            await asyncio.sleep(STATE_EVERY_S)
            if not self._readers:
                self._is_heard.clear()
                await self._is_heard.wait()
                continue
            with self._surviving("state"):
                self.flush()
            if turn % round(BEAT_EVERY_S / STATE_EVERY_S) == 0:
                with self._surviving("beat"):
                    self._send(b": here\n\n" + self._event("beat", _members(self._beat())))

    @contextlib.contextmanager
    def _surviving(self, what: str) -> Iterator[None]:
        """Keep one unpublishable effect from silencing the rest: it is counted and reported, and the stream goes on."""
        try:
            yield
        except Exception as error:  # whatever one effect raises, the next may be an alarm
            self.untold += 1
            self._on_trouble(f"page: {what} could not be told: {type(error).__name__}: {error}")

    # ------------------------------------------------------------------------------------------- what is published

    def see(self, posted: Posted) -> None:
        """Take one posted effect: an event goes out at once, state waits for the next flush."""
        effect = posted.effect
        if isinstance(effect, Reading):
            self._trace.see(effect)
            self._changed[("read", effect.channel)] = effect
            return
        if isinstance(effect, Card):
            self._changed[(effect.of, effect.id)] = effect
            return
        self._place += 1
        kind = "finding" if isinstance(effect, Finding) else KINDS[type(effect)]
        body = {"number": posted.id, "unsaved": posted.unsaved} | posted.warning | {kind: to_json_object(effect)}
        told = RingEvent(self._place, kind, _members(body))
        self._ring.append(told)
        self._send(self._event(told.kind, told.members, told.place))

    def flush(self) -> None:
        """Send the state that changed since the last flush."""
        changed = list(self._changed.values())
        self._changed.clear()
        if changed and self._readers:
            self._send(self._event("state", _members(_state(changed))))

    def _send(self, data: bytes) -> None:
        for reader in self._readers:
            reader.offer(data)
        self._readers = [reader for reader in self._readers if not reader.is_over]

    def _event(self, kind: str, members: str, place: int | None = None) -> bytes:
        clock = f'"now":{self._clock.now():.2f},"rate":{self._clock.rate:g}'
        head = "" if place is None else f"id: {self._boot}.{place}\n"
        return f"{head}event: {kind}\ndata: {{{clock}{',' if members else ''}{members}}}\n\n".encode()

    # ---------------------------------------------------------------------------------------------- who listens

    def join(self, last_id: str) -> Reader | None:
        """A reader that has seen everything up to `last_id` ("" for nothing); None when too many listen."""
        if len(self._readers) >= MOST_READERS:
            return None
        reader, since = Reader(), self._since(last_id)
        if since is None:
            reader.offer(self._event("snapshot", _members(self._snapshot()), self._place))
        else:
            for told in since:
                reader.offer(self._event(told.kind, told.members, told.place))
            now = _state([*self._bulletin.readings.values(), *self._bulletin.cards.values()])
            reader.offer(self._event("state", _members(now)))
        if not self._readers:
            self._changed.clear()  # what was just offered holds it
        self._readers.append(reader)
        self._is_heard.set()
        return reader

    def _since(self, last_id: str) -> list[RingEvent] | None:
        """What the ring holds after an id; None if some of it is missing."""
        boot, _, number = last_id.rpartition(".")
        if boot != self._boot or not number.isascii() or not number.isdigit() or len(number) > 15:
            return None
        place = int(number)
        oldest = self._ring[0].place if self._ring else self._place + 1
        if not oldest - 1 <= place <= self._place:
            return None
        return [told for told in self._ring if told.place > place]

    def leave(self, reader: Reader) -> None:
        """End a reader and forget it."""
        reader.end()
        if reader in self._readers:
            self._readers.remove(reader)


class StreamResponse:
    """The ASGI answer that sends one reader what it is offered until either side ends it."""

    def __init__(self, stream: Stream, reader: Reader) -> None:
        self._stream, self._reader = stream, reader

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": HEADERS})
        writing = asyncio.create_task(self._write(send), name="stream reader")
        leaving = asyncio.create_task(_gone(receive), name="stream reader leaves")
        try:
            await asyncio.wait({writing, leaving}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._stream.leave(self._reader)
            for task in (writing, leaving):
                task.cancel()
            await asyncio.gather(writing, leaving, return_exceptions=True)

    async def _write(self, send: Send) -> None:
        with contextlib.suppress(TimeoutError, OSError):
            while data := await self._reader.take():
                async with asyncio.timeout(SEND_WITHIN_S):
                    await send({"type": "http.response.body", "body": data, "more_body": True})
            async with asyncio.timeout(SEND_WITHIN_S):
                await send({"type": "http.response.body", "body": b"", "more_body": False})


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def _state(effects: list[Any]) -> dict[str, Any]:
    return {
        "readings": [to_json_object(e) for e in effects if isinstance(e, Reading)],
        "cards": [to_json_object(e) for e in effects if isinstance(e, Card)],
    }


def _members(body: dict[str, Any]) -> str:
    """A JSON object's members without its braces, the bench's clock left out."""
    rest = {k: v for k, v in body.items() if k not in ("now", "rate")}
    return json.dumps(rest, ensure_ascii=False, separators=(",", ":"), allow_nan=False)[1:-1]
