"""Serves reports: `/report/KIND/ID` as a page, its drawing at `/drawing.svg` below it, `/api/v0/report/..` as JSON."""

from __future__ import annotations

import asyncio
import base64
import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from benchd.core.bench import Bench
from benchd.core.format.printed import tidy
from benchd.errors import JournalError, ReportError
from benchd.reports.drawing.paper import NARROW, WIDE
from benchd.reports.writer import STYLE, Document, to_html
from benchd.runtime.journal.asked import asked_apart
from benchd.runtime.journal.reader import Readable
from benchd.runtime.watch.orders_file import OrdersUnreadable, read_orders
from benchd.shelf.plan.sheet import Sheet

LINKS = (
    ("/", "Bench"), ("/report/day/today", "Today"), ("/report/load/last", "Last load"), ("/report/week/last", "Week"),
    ("/report/scrap/all", "Scrap"), ("/report/orders/all", "Orders"),
    ("/report/trim/now", "To trim"),
    ("/report/cost/all", "Cost"), ("/report/shopping/now", "To buy"), ("/report/tomorrow/next", "Tomorrow"),
)  # fmt: skip
UNREAD = (ReportError, JournalError, OrdersUnreadable)
STYLE_SUM = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
POLICY = (
    f"default-src 'none'; style-src 'sha256-{STYLE_SUM}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Allows the report's own style sheet alone, named by its digest (W3C CSP level 3)."""
DRAWING_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
"""A drawing carries its own colours and runs nothing."""


@dataclass(frozen=True, slots=True)
class _Door:
    """What reports are made from: a journal, the bench as it is now, bench time, the run sheet, the orders' folder."""

    journal: Readable
    bench: Callable[[], Bench]
    now: Callable[[], float]
    sheet: Callable[[], Sheet | None]
    folder: Path | None

    async def made(self, request: Request) -> Document:
        from benchd.reports.index import make_report  # on first use: a tenth of a start's time

        kind, id = request.path_params["kind"], request.path_params["id"]
        orders = [] if self.folder is None else await asyncio.to_thread(read_orders, self.folder)
        about, now_t, kept = self.bench(), self.now(), self.sheet()
        return await asked_apart(
            self.journal, lambda rows: make_report(rows, about, kind, id[:80], now_t, kept, orders)
        )

    async def page(self, request: Request) -> Response:
        try:
            return _page(await self.made(request), 200)
        except UNREAD as error:
            missing = Document("No such report")
            missing.say(str(error))
            return _page(missing, _status(error))

    async def plain(self, request: Request) -> Response:
        try:
            return JSONResponse(as_json(await self.made(request)))
        except UNREAD as error:
            return JSONResponse({"ok": False, "why": str(error)}, status_code=_status(error))

    async def drawing(self, request: Request) -> Response:
        try:
            found = (await self.made(request)).drawing
        except UNREAD as error:
            return PlainTextResponse(str(error), _status(error))
        if found is None:
            return PlainTextResponse("the report has no drawing", 404)
        sheet = found.draw(NARROW if request.query_params.get("width") == "narrow" else WIDE)
        headers = {"content-security-policy": DRAWING_POLICY, "cache-control": "no-store"}
        return Response(sheet.svg(ink="both"), media_type="image/svg+xml", headers=headers)


def report_routes(
    journal: Readable,
    bench: Callable[[], Bench],
    now: Callable[[], float],
    sheet: Callable[[], Sheet | None] = lambda: None,
    folder: Path | None = None,
) -> list[Route]:
    """The three routes, over a journal, the bench as it is now, bench time, the run sheet kept, the orders' folder."""
    door = _Door(journal, bench, now, sheet, folder)
    return [
        Route("/report/{kind}/{id}", door.page),
        Route("/report/{kind}/{id}/drawing.svg", door.drawing),
        Route("/api/v0/report/{kind}/{id}", door.plain),
    ]


def _status(error: Exception) -> int:
    """404 for what there is not, 503 for what cannot be read now."""
    return 404 if isinstance(error, ReportError) else 503


def as_json(document: Document) -> dict[str, object]:
    """A report as numbers: {"v": 0, "kind", "title", ...}, each number printed by its name."""
    head: dict[str, object] = {"v": 0, "kind": document.kind, "title": document.title}
    told = tidy("", document.data)
    return head | (told if isinstance(told, dict) else {})


def _page(document: Document, status: int) -> HTMLResponse:
    headers = {"content-security-policy": POLICY, "cache-control": "no-store"}
    return HTMLResponse(to_html(document, LINKS), status_code=status, headers=headers)
