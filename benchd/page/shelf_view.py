"""Serves the shelf for editing molds and lots on the page: GET and PUT /api/v0/shelf.

GET answers {"v": 0, "ok": true, "digest", "file": "shelf.toml", "molds": [{key: text}], "lots": [...],
"keys": {"mold": [KEY], "lot": [KEY]}}; a KEY is {"key", "about", "example", "usual", "is_needed", "is_date",
"choices"}.

PUT takes
    {"digest", "do": "add" | "change" | "retire" | "restore", "kind": "mold" | "lot", "code", "keys"?: {key: text}}
where "" deletes a key, and answers {"v", "ok": true, "digest", "why": "" or why the bench does not go by it yet}; or
{"ok": false, "field", "why", "errors": [{"field", "why"}]}: 400 not understood, or something typed is wrong; 404 this
bench's shelf isn't a file; 409 the file was changed since the digest was read; 503 it cannot be read or written.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any, cast

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from benchd.errors import DecodeError
from benchd.page.api import read_body
from benchd.page.body import NotUnderstood, json_object
from benchd.page.reread import Reread
from benchd.runtime.shelf_desk import ACTIONS, KINDS, Action, ShelfDesk, ShelfEdit, ShelfRefused

PATH = "/api/v0/shelf"
KEYS = ("digest", "do", "kind", "code", "keys")
MOST_KEYS = 60
NO_DESK = "the shelf of this bench is not a file that benchd edits"


def shelf_routes(desk: Callable[[], ShelfDesk | None], reread: Callable[[], Reread | None]) -> list[Route]:
    """The two routes, over the shelf's desk and the function that makes the bench read its files again."""
    turn = asyncio.Lock()

    async def shown(request: Request) -> Response:
        found = desk()
        if found is None:
            return _refused(404, [("", NO_DESK)])
        try:
            told = await asyncio.to_thread(found.read)
        except ShelfRefused as error:
            return _refused(error.status, error.errors)
        return JSONResponse({"v": 0, "ok": True, **told})

    async def edited(request: Request) -> Response:
        try:
            edit = _edit(await read_body(request))
            found = desk()
            if found is None:
                return _refused(404, [("", NO_DESK)])
            async with turn:
                digest = await asyncio.to_thread(found.write, edit)
        except (NotUnderstood, DecodeError) as error:
            return _refused(400, [(getattr(error, "field", "body"), str(error))])
        except ShelfRefused as error:
            return _refused(error.status, error.errors)
        return _saved(digest, reread())

    return [Route(PATH, shown), Route(PATH, edited, methods=["PUT"])]


def _saved(digest: str, take_up: Reread | None) -> JSONResponse:
    """The shelf as it is now, and why the bench does not go by it yet."""
    why = "it is read at the next start" if take_up is None else take_up()
    return JSONResponse({"v": 0, "ok": True, "digest": digest, "why": why and "the bench goes on with the old one"})


def _refused(status: int, errors: Any) -> JSONResponse:
    """The first error as field and why, and all of them."""
    field, why = errors[0] if errors else ("", "it is refused")
    told = [{"field": field, "why": why} for field, why in errors]
    return JSONResponse({"ok": False, "field": field, "why": why, "errors": told}, status_code=status)


def _edit(body: bytes) -> ShelfEdit:
    """The body as an edit.  Raises NotUnderstood."""
    parsed = json_object(body, KEYS)
    for name in ("digest", "code"):
        if not isinstance(parsed.get(name), str) or not parsed[name]:
            raise NotUnderstood(name, "must be a text")
    if parsed.get("do") not in ACTIONS:
        raise NotUnderstood("do", f"must be one of {', '.join(ACTIONS)}")
    if parsed.get("kind") not in KINDS:
        raise NotUnderstood("kind", f"must be one of {', '.join(KINDS)}")
    return ShelfEdit(
        action=cast(Action, parsed["do"]), kind=parsed["kind"], code=parsed["code"], digest=parsed["digest"],
        keys=_keys(parsed.get("keys", {})),
    )  # fmt: skip


def _keys(given: object) -> Mapping[str, str]:
    if not isinstance(given, dict) or len(given) > MOST_KEYS:
        raise NotUnderstood("keys", f"must be texts by key, at most {MOST_KEYS}")
    for key, text in given.items():
        if not isinstance(text, str) or not text.isprintable():
            raise NotUnderstood(str(key)[:40], "must be a text of one line")
    if "code" in given:
        raise NotUnderstood("code", "a code stays: give it beside the keys")
    return given
