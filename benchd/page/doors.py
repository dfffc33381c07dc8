"""Checks every HTTP request before any route: its host, its origin, its size.

Host: only names this daemon answers to, so that a foreign site cannot point its own name here (DNS rebinding).
Origin and Sec-Fetch-Site: a request that changes something must come from the page itself or from no browser at all,
and be JSON, which no foreign form can send.  A body is at most 64 KB.  Every answer carries the content policy (a
report brings a stricter one of its own) and is not stored unless its route says otherwise.  Who the caller *is* is
checked by a gate of the same kind (page/token_gate.py): `Doorkeeper(app, hosts)` is an ASGI application around an ASGI
application.

Sources: Fetch Metadata and CSP level 3 (W3C); RFC 9110 sections 7.2 (Host), 15.5.14 (413), 15.5.20 (421).
"""

from __future__ import annotations

from collections.abc import Collection

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY_BYTES = 64 * 1024
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")
READING_METHODS = ("GET", "HEAD")
POLICY = "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'; object-src 'none'"
ALWAYS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
}

BY_PAGE = "page"
BY_CONSOLE = "cli"

Refusal = tuple[int, str]


class Doorkeeper:
    """An ASGI application that passes only acceptable requests to `app`; `hosts` are names without a port.

    Marks through this door are recorded as `by`, whatever they claim.
    """

    def __init__(self, app: ASGIApp, hosts: Collection[str] = LOOPBACK_NAMES, by: str = BY_PAGE) -> None:
        self._app, self._by = app, by
        self._hosts = frozenset(host.lower() for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = _Dressed(send)
        refusal = self.refusal(scope["method"], Headers(scope=scope))
        if refusal is not None:
            await _refuse(refusal, scope, receive, answer)
            return
        note_by(scope, self._by)
        await self._app(scope, _Measured(receive), answer)

    def refusal(self, method: str, headers: Headers) -> Refusal | None:
        """The HTTP status and the reason a request is turned away with, or None."""
        hosts = headers.getlist("host")
        if len(hosts) != 1 or bare_host(hosts[0]) not in self._hosts:
            return 421, "this daemon does not answer to that name; open it by the address benchd printed"
        if method in READING_METHODS:
            return None
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return 403, "another site asked for this"
        origin = headers.get("origin")
        if origin is not None and origin.partition("://")[2].lower() != hosts[0].lower():
            return 403, "another site asked for this"
        if headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return 415, "send JSON (Content-Type: application/json)"
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit() or int(length[:12]) > MOST_BODY_BYTES:
            return 413, f"a body is at most {MOST_BODY_BYTES} bytes"
        return None


def note_by(scope: Scope, by: str) -> None:
    """Record who asks, as the door saw it."""
    scope.setdefault("state", {})["by"] = by


def seen_by(scope: Scope, claimed: str) -> str:
    """Who a mark is by: what the door saw.  Only at the console's own socket may a command say who typed it."""
    by = str(scope.get("state", {}).get("by", BY_PAGE))
    return claimed if by == BY_CONSOLE and claimed.startswith(f"{BY_CONSOLE}:") else by


def bare_host(host: str) -> str:
    """A Host header's name without its port, lower case: "[::1]:8127" -> "::1"."""
    host = host.strip().lower()
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0]


async def told_as_json(request: Request, error: Exception) -> Response:
    """An application's own refusals (no such route, too long a body) in the shape of all the others."""
    status, why = (error.status_code, error.detail) if isinstance(error, HTTPException) else (500, "it failed")
    return JSONResponse({"ok": False, "why": why}, status_code=status)


class _Measured:
    """`receive`, counting the body; one that grew past the limit is refused by whoever reads it."""

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._bytes = 0

    async def __call__(self) -> Message:
        message = await self._receive()
        self._bytes += len(message.get("body", b""))
        if self._bytes > MOST_BODY_BYTES:
            raise HTTPException(413, f"a body is at most {MOST_BODY_BYTES} bytes")
        return message


class _Dressed:
    """`send`, adding the headers every answer carries."""

    def __init__(self, send: Send) -> None:
        self._send = send

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in ALWAYS.items():
                headers.setdefault(name, value)
            headers.setdefault("Cache-Control", "no-store")
        await self._send(message)


async def _refuse(refusal: Refusal, scope: Scope, receive: Receive, send: Send) -> None:
    status, why = refusal
    await JSONResponse({"ok": False, "why": why}, status_code=status)(scope, receive, send)
