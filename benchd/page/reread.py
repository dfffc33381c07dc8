"""Answers on the daemon's own socket only: which files it watches by, and a request to read them again."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

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


def bench_route(config: Path, told: Callable[[], Mapping[str, Any]]) -> Route:
    """GET /api/v0/bench, on the console's own socket: {"v", "config", ...}: the bench.toml watched, and `told`.

    With it a command given -c knows whether this daemon is its own, and how that bench shows numbers and times.
    """
    whole = os.path.abspath(config)

    async def answered(request: Request) -> JSONResponse:
        return JSONResponse({"v": 0, "config": whole, **told()})

    return Route("/api/v0/bench", answered)
