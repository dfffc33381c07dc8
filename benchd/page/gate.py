"""Lets only paired phones in: every route but the few needed to pair asks for a token.

The token comes in a cookie (`__Host-`, Secure, HttpOnly, SameSite=Strict: no script reads it, no other site sends it)
or, for scripts, in a bearer header; never in a URL.  A phone revoked while it listens is cut off at the next beat.

Sources: RFC 6265bis section 4.1.3.2 (`__Host-`), RFC 6750 (bearer), RFC 6585 section 4 (429), RFC 9110 section 15.5.2.
"""

from __future__ import annotations

from collections.abc import Collection

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from benchd.page.doors import BY_PAGE, note_by
from benchd.runtime.http.callers import note_known
from benchd.runtime.http.tokens import Pairing, TooManyGuesses

COOKIE = "__Host-benchd"
KEPT_S = 400 * 86400  # RFC 6265bis: the longest a browser keeps a cookie
PAIR_PATH = "/pair"


class Gate:
    """An ASGI application that passes only paired callers to `app`; anyone may ask for `open_paths`."""

    def __init__(self, app: ASGIApp, pairing: Pairing, open_paths: Collection[str]) -> None:
        self._app, self._pairing = app, pairing
        self._open = frozenset(open_paths)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"] in self._open:
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        try:
            phone = self._pairing.who(token, peer(request)) if (token := token_of(request)) else None
        except TooManyGuesses as error:
            await too_many(error)(scope, receive, send)
            return
        if phone is None:
            await _stranger(request)(scope, receive, send)
            return
        note_known(scope)
        note_by(scope, f"{BY_PAGE}:{phone.name}")
        await self._app(scope, receive, _WhilePaired(send, self._pairing, phone.id))


class _WhilePaired:
    """`send`, for as long as the phone is paired; afterwards it behaves as if the phone had left."""

    def __init__(self, send: Send, pairing: Pairing, id: str) -> None:
        self._send, self._pairing, self._id = send, pairing, id

    async def __call__(self, message: Message) -> None:
        if not self._pairing.is_paired(self._id):
            raise ConnectionResetError("this phone is no longer paired")
        await self._send(message)


def token_of(request: Request) -> str:
    """The token a request carries; empty when none."""
    scheme, _, bearer = request.headers.get("authorization", "").partition(" ")
    return bearer.strip() if scheme.lower() == "bearer" else request.cookies.get(COOKIE, "")


def peer(request: Request) -> str:
    """The address a request came from."""
    return request.client.host if request.client is not None else ""


def keep(answer: Response, token: str) -> None:
    """Set the browser's token; "" deletes the one it has."""
    answer.set_cookie(
        COOKIE, token, max_age=KEPT_S if token else 0, path="/", secure=True, httponly=True, samesite="strict"
    )  # fmt: skip


def too_many(error: TooManyGuesses) -> Response:
    """The refusal of an address that guesses."""
    headers = {"Retry-After": str(max(1, round(error.wait_s)))}
    return JSONResponse({"ok": False, "why": str(error)}, status_code=429, headers=headers)


def _stranger(request: Request) -> Response:
    if request.url.path == "/" and request.method == "GET":
        return RedirectResponse(PAIR_PATH, status_code=303)
    answer = JSONResponse(
        {"ok": False, "why": f"this phone is not paired: open {PAIR_PATH}"}, status_code=401,
        headers={"WWW-Authenticate": 'Bearer realm="benchd"'},
    )  # fmt: skip
    if COOKIE in request.cookies:
        keep(answer, "")
    return answer
