"""Joins page, stream, history and book into one HTTP application behind its doorkeeper."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Callable, Collection, Sequence
from contextlib import asynccontextmanager
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from benchd.core.bench import ROLES, Bench
from benchd.core.findings import BenchNotice, WatcherFailed
from benchd.core.format.printed import to_json_object
from benchd.errors import JournalError
from benchd.page.api import Api
from benchd.page.bench_view import WorkingView, bench_view
from benchd.page.book import lots_of, molds_of, read_book
from benchd.page.doors import BY_PAGE, LOOPBACK_NAMES, Doorkeeper, told_as_json
from benchd.page.metrics import Exposed
from benchd.page.openapi import DOCUMENT_PATH, openapi
from benchd.page.shell import static_files, static_routes
from benchd.page.stream import Stream, StreamResponse
from benchd.page.trace import Trace
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.health import stalled
from benchd.runtime.http.callers import note_known
from benchd.runtime.journal.asked import asked_apart
from benchd.runtime.journal.reader import Logbook, Readable

MOST_POINTS = 2000
USUAL_POINTS = 400
HISTORY_S = 3600.0
LONGEST_S = 400 * 86400.0
BOOK_S = 30 * 86400.0
SHOWN_FINDINGS = 60


class Site:
    """Everything served: `Site(...).app()` is the ASGI application, `running()` feeds its stream.

    `bench` is called each time, since its files may be read again; `monotonic` is the clock of `Health.moved`; `hosts`
    are the names the daemon answers to.
    """

    def __init__(
        self,
        api: Api,
        clock: BenchClock,
        bulletin: Bulletin,
        health: Health,
        bench: Callable[[], Bench],
        journal: Readable,
        boot: str,
        monotonic: Callable[[], float],
    ) -> None:
        self._api, self._clock, self._bulletin, self._health = api, clock, bulletin, health
        self._bench_now, self._journal, self._monotonic = bench, journal, monotonic
        self._trace, self._working = Trace(), WorkingView()
        self._exposed = Exposed(bulletin, clock, health, bench, monotonic)
        self.stream = Stream(
            bulletin, clock, boot, self._trace, self.snapshot, self.beat, on_trouble=self._not_told
        )  # fmt: skip

    def _not_told(self, why: str) -> None:
        self._health.dropped["page-untold"] = self.stream.untold
        self._health.last_error = why

    @property
    def _bench(self) -> Bench:
        return self._bench_now()

    def app(
        self,
        hosts: Collection[str] = LOOPBACK_NAMES,
        more: Sequence[Route] = (),
        gate: Callable[[ASGIApp], ASGIApp] = lambda app: app,
        by: str = BY_PAGE,
    ) -> ASGIApp:
        """All of it behind its doorkeeper, with `more` routes; `gate` goes between the two; marks are `by` this."""
        routes = [
            Route(DOCUMENT_PATH, openapi),
            Route("/api/v0/stream", _Endpoint(self._listen)),
            Route("/api/v0/history", self.history),
            Route("/api/v0/book", self.book),
            self._exposed.route(),
            *static_routes(static_files()),
        ]
        handlers = {HTTPException: told_as_json}
        app = Starlette(routes=[*self._api.routes(), *routes, *more], exception_handlers=handlers)
        return Doorkeeper(gate(app), hosts, by)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Feed the stream for the length of the block."""
        async with self.stream.running():
            yield

    def snapshot(self) -> dict[str, Any]:
        """All that a newly opened page has to know."""
        known = list(self._bulletin.findings)
        older = [f for f in known[:-SHOWN_FINDINGS] if isinstance(f, BenchNotice | WatcherFailed)]
        findings = [*older[-SHOWN_FINDINGS:], *known[-SHOWN_FINDINGS:]]
        more = {
            "bench": bench_view(self._bench, self._clock.now()),
            "findings": [to_json_object(f) for f in findings],
        }
        return self._api.present() | more | self.beat()

    def beat(self) -> dict[str, Any]:
        """What every beat says: which parts have stopped, and the working time left at this temperature."""
        stale = stalled(self._health, self._monotonic())
        return {"stale": stale, "plan": self._working(self._bench, self._bulletin.readings, self._clock.now())}

    async def _listen(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope)
        last_id = request.headers.get("last-event-id") or request.query_params.get("after", "")
        reader = self.stream.join(last_id)
        if reader is None:
            refusal = JSONResponse({"ok": False, "why": "too many phones listen already"}, status_code=503)
            await refusal(scope, receive, send)
            return
        note_known(scope)
        await StreamResponse(self.stream, reader)(scope, receive, send)

    async def history(self, request: Request) -> JSONResponse:
        """A channel's readings: ?channel= &since= &until= [unix s] &points=; the last hour unless asked otherwise.

        `points` are [t, value] from memory; `minutes` are [t, lowest, mean, highest] from the journal, before them.
        """
        id = request.query_params.get("channel", "")
        channel = next((c for c in self._bench.channels if c.id == id), None)
        if channel is None:
            return _refused("channel", f"no channel {id[:40]!r}", 404)
        now = self._clock.now()
        try:
            until_t = _number(request, "until", now)
            since_t = _number(request, "since", until_t - HISTORY_S)
            most = int(min(max(_number(request, "points", USUAL_POINTS), 2), MOST_POINTS))
        except ValueError as error:
            return _refused(str(error), "is not a number", 400)
        since_t = max(since_t, until_t - LONGEST_S)
        points = self._trace.between(id, since_t, until_t, most)
        first_t = self._trace.first_t(id)
        minutes = await self._minutes(id, since_t, min(until_t, first_t if first_t is not None else until_t), most)
        head = {"v": 0, "now": round(now, 1), "channel": id, "role": channel.role, "unit": ROLES[channel.role]}
        thin = [[round(t, 1), round(value, 2)] for t, value in points]
        return JSONResponse(head | {"points": thin, "minutes": minutes})

    async def _minutes(self, channel: str, since_t: float, until_t: float, most: int) -> list[list[float]]:
        if until_t - since_t < 60.0:
            return []
        try:
            rows = await Logbook(self._journal).minutes(channel, since_t, until_t)
        except JournalError:
            return []
        each = max(1, math.ceil(len(rows) / most))
        groups = [rows[i : i + each] for i in range(0, len(rows), each)]
        return [
            [
                g[0].minute * 60.0 + 30.0 * len(g),
                min(r.lo for r in g),
                round(sum(r.mean * r.n for r in g) / sum(r.n for r in g), 2),
                max(r.hi for r in g),
            ]
            for g in groups
        ]

    async def book(self, request: Request) -> JSONResponse:
        """Pours, loads, molds and lots: ?since= &until= [unix s]; the last 30 days unless asked otherwise."""
        now = self._clock.now()
        try:
            until_t = _number(request, "until", now + 86400.0)
            since_t = _number(request, "since", until_t - BOOK_S)
        except ValueError as error:
            return _refused(str(error), "is not a number", 400)
        try:
            book = await asked_apart(self._journal, lambda rows: read_book(rows, since_t, until_t))
        except JournalError as error:
            return JSONResponse({"ok": False, "why": f"the log cannot be read: {error}"}, status_code=503)
        return JSONResponse(
            {
                "v": 0,
                "now": round(now, 1),
                "bench": bench_view(self._bench, now),
                "pours": list(book.pours.values()),
                "loads": list(book.loads.values()),
                "molds": molds_of(self._bench, book),
                "lots": lots_of(self._bench, book),
            }
        )


class _Endpoint:
    """An ASGI application as a route of its own (a route's plain function would be called with a Request)."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._app(scope, receive, send)


def _number(request: Request, name: str, usual: float) -> float:
    """A query's number.  Raises ValueError(name)."""
    text = request.query_params.get(name)
    if text is None:
        return usual
    try:
        value = float(text)
    except ValueError:
        raise ValueError(name) from None
    if not -1e11 < value < 1e11:
        raise ValueError(name)
    return value


def _refused(field: str, why: str, status: int) -> JSONResponse:
    return JSONResponse({"ok": False, "field": field, "why": f"{field}: {why}"}, status_code=status)
