"""Serves the shop's page: the wall, as it is now, and the books.  It reads only: no bench can be marked here."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from benchd.page.doors import LOOPBACK_NAMES, Doorkeeper, told_as_json
from benchd.page.shell import StaticFile, static_files
from benchd.page.token_gate import PAIR_PATH
from benchd.workshop.database.contract import Database, DatabaseError
from benchd.workshop.page.books import books, recall
from benchd.workshop.page.wall import Wall

SHARED = ("style.css", "dom.js", "icon.svg", "pair.js")
"""Files of the bench's own page that this one is made of."""
OWN = Path(__file__).parent / "static"


def shop_files() -> dict[str, StaticFile]:
    """The shop's files by name: its own, and those it shares with the bench's page."""
    bench = static_files()
    pair = bench["pair.html"]
    words = ((b"benchd pair", b"benchd shop --pair"), (b"To the bench", b"To the shop"))
    body = pair.body
    for old, new in words:
        body = body.replace(old, new)
    return (
        {name: bench[name] for name in SHARED}
        | {"pair.html": replace(pair, body=body, tag='"shop"')}
        | static_files(OWN)
    )


class ShopSite:
    """`app()` is the ASGI application; the database is asked in a thread, one question at a time."""

    def __init__(self, wall: Wall, database: Database, name: str, unit: str) -> None:
        self._wall, self._database, self._name, self._unit = wall, database, name, unit
        self._one_at_a_time = asyncio.Lock()

    def app(
        self,
        hosts: Sequence[str] = LOOPBACK_NAMES,
        more: Sequence[Route] = (),
        gate: Callable[[ASGIApp], ASGIApp] = lambda app: app,
    ) -> ASGIApp:
        """All of it behind its doorkeeper; `gate` asks who is paired."""
        files = shop_files()
        named = {f"/{name}": file for name, file in files.items() if name != "pair.html"} | {"/": files["shop.html"]}
        routes = [
            Route("/api/v0/wall", self.wall),
            Route("/api/v0/books", self.books),
            Route("/api/v0/recall", self.recall),
            Route("/api/v0/state", self.state),
            *(Route(path, file.answer) for path, file in named.items()),
        ]
        pair = [Route(PAIR_PATH, files["pair.html"].answer)] if more else []
        app = Starlette(routes=[*pair, *more, *routes], exception_handlers={HTTPException: told_as_json})
        return Doorkeeper(gate(app), hosts)

    async def wall(self, request: Request) -> JSONResponse:
        """Every bench now, and what comes due next."""
        return JSONResponse({"name": self._name, **self._wall.view(self._unit)})

    async def state(self, request: Request) -> JSONResponse:
        """Whether this screen may look."""
        return JSONResponse({"ok": True})

    async def books(self, request: Request) -> JSONResponse:
        """Odd lots, gaskets, scrap, lent molds."""
        return await self._asked(lambda: {"ok": True, **books(self._database)})

    async def recall(self, request: Request) -> JSONResponse:
        """?lot=: every part that holds it."""
        lot = request.query_params.get("lot", "").strip()
        if not 0 < len(lot) <= 32:
            why = "lot: write a lot's code, for example R-07"
            return JSONResponse({"ok": False, "field": "lot", "why": why}, status_code=400)
        return await self._asked(lambda: {"ok": True, "lot": lot, "parts": recall(self._database, lot)})

    async def _asked(self, question: Callable[[], dict[str, Any]]) -> JSONResponse:
        async with self._one_at_a_time:
            try:
                return JSONResponse(await asyncio.to_thread(question))
            except DatabaseError as error:
                return JSONResponse({"ok": False, "why": str(error)}, status_code=503)
