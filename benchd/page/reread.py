"""Makes the running daemon read its files again: `POST /api/v0/reread`, on its own socket only."""

from __future__ import annotations

from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import Route

Reread = Callable[[], str]
"""Reads the files again; "" when they are in use, else what is wrong with them."""


def reread_route(reread: Reread) -> Route:
    """The route; {"ok", "why"}, 409 when the files were not taken."""

    async def taken(request: Request) -> JSONResponse:
        why = reread()
        return JSONResponse({"ok": not why, "why": why}, status_code=409 if why else 200)

    return Route("/api/v0/reread", taken, methods=["POST"])
