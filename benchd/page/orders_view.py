"""Serves the orders: GET and PUT /api/v0/orders.

GET answers {"v": 0, "now": unix s, "ok": true, BOOK} (shelf/orders/shown.py).

PUT takes
    {"do": "add" | "change" | "trimmed" | "spoiled" | "done" | "reopen" | "drop", "code",
     "molds"?: ["M01", "M02x2"], "figures"?, "by"?: "2026-01-30", "price"?}
and answers as GET does, or {"ok": false, "field", "why"}: 400 not understood, 409 refused (the remedy is in `why`), 503
it cannot be read or stored.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from benchd.core.bench import Bench
from benchd.errors import DecodeError, JournalError
from benchd.page.api import read_body
from benchd.page.body import NotUnderstood, json_object
from benchd.runtime.journal.reader import Readable
from benchd.runtime.watch.orders_file import OrdersUnreadable, book_apart, change_orders, read_orders
from benchd.shelf.orders.edit import Asked, OrderRefused
from benchd.shelf.orders.shown import book_body

PATH = "/api/v0/orders"
KEYS = ("do", "code", "molds", "figures", "by", "price")
MOST_WORDS = 40


def orders_routes(
    folder: Path, journal: Readable, bench: Callable[[], Bench], now: Callable[[], float]
) -> list[Route]:  # fmt: skip
    """The two routes, over the folder the orders are kept in, the journal, the bench as it is now, and bench time."""
    turn = asyncio.Lock()

    def answered(book: dict[str, Any]) -> JSONResponse:
        return JSONResponse({"v": 0, "now": round(now(), 1), "ok": True, **book})

    async def shown(request: Request) -> Response:
        try:
            orders = await asyncio.to_thread(read_orders, folder)
            book = await book_apart(journal, bench(), orders, now())
        except (OrdersUnreadable, JournalError) as error:
            return _refused("orders", str(error), 503)
        return answered(await asyncio.to_thread(book_body, book, bench()))

    async def changed(request: Request) -> Response:
        try:
            asked = _asked(json_object(await read_body(request), KEYS))
            async with turn:
                book = await change_orders(folder, journal, bench(), asked, now())
        except (NotUnderstood, DecodeError, OrderRefused, OrdersUnreadable, JournalError, OSError) as error:
            return _not_changed(error)
        return answered(await asyncio.to_thread(book_body, book, bench()))

    return [Route(PATH, shown), Route(PATH, changed, methods=["PUT"])]


def _not_changed(error: Exception) -> JSONResponse:
    """Which field, why, and whether it was not understood, refused, or cannot be stored."""
    match error:
        case NotUnderstood():
            return _refused(error.field, str(error), 400)
        case DecodeError():
            return _refused("body", str(error), 400)
        case OrderRefused():
            return _refused(error.field, str(error), 409)
        case OSError():
            return _refused("orders", f"they cannot be stored: {error.strerror or error}", 503)
        case _:
            return _refused("orders", str(error), 503)


def _refused(field: str, why: str, status: int) -> JSONResponse:
    return JSONResponse({"ok": False, "field": field, "why": why}, status_code=status)


def _asked(body: dict[str, Any]) -> Asked:
    """The body as a change.  Raises NotUnderstood."""
    for name in ("do", "code"):
        if not isinstance(body.get(name), str):
            raise NotUnderstood(name, "must be a text")
    molds, figures, by, price = body.get("molds") or [], body.get("figures"), body.get("by"), body.get("price")
    if not isinstance(molds, list) or not all(isinstance(word, str) for word in molds) or len(molds) > MOST_WORDS:
        raise NotUnderstood("molds", f"must be a list of at most {MOST_WORDS} mold codes")
    if figures is not None and (isinstance(figures, bool) or not isinstance(figures, int)):
        raise NotUnderstood("figures", "must be a whole number")
    if by is not None and not isinstance(by, str):
        raise NotUnderstood("by", "must be a day, as 2026-01-30")
    if price is not None and (isinstance(price, bool) or not isinstance(price, int | float) or math.isnan(price)):
        raise NotUnderstood("price", "must be a number")
    return Asked(action=body["do"], code=body["code"], molds=tuple(molds), figures=figures, by=by, price=price)
