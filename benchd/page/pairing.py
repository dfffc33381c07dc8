"""Serves the pairing page's routes and the console's: how a phone becomes a paired one, and is revoked.

The phone's routes are open to anyone on the page's port: the pairing page, the authority's certificate, and the
exchange of a code for a token.  The console's are served on the daemon's own socket only: a new code, the list,
revoking a phone.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Protocol

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from benchd.page.shell import static_files
from benchd.page.token_gate import PAIR_PATH, TokenGate, keep, peer, too_many
from benchd.runtime.http.https import HttpsDoor
from benchd.runtime.http.local_ca import Credentials, Keeper, LocalAuthority, OwnCertificate
from benchd.runtime.http.tokens import CODE_LASTS_S, Pairing, TooManyGuesses, WrongCode

MOST_BODY_BYTES = 1024
AUTHORITY_PATH = "/authority.crt"
EXCHANGE_PATH = "/api/v0/pair"
NOT_SET = "phones are not paired here: write pairing = true under [page] in bench.toml and restart `benchd run`"


class PairingDesk:
    """The pairing routes' side of `pairing`.

    `found` returns the credentials served, None while there are none, and `trouble` the reason.
    """

    def __init__(
        self,
        pairing: Pairing,
        names: Sequence[str],
        port: int,
        found: Callable[[], Credentials | None],
        trouble: Callable[[], str],
    ) -> None:
        self._pairing, self._found, self._trouble = pairing, found, trouble
        self._urls = tuple(f"https://{f'[{name}]' if ':' in name else name}:{port}" for name in names)

    def gate(self, app: ASGIApp) -> ASGIApp:
        """`app` behind the check of who asks."""
        shell = {f"/{name}" for name in static_files()}
        return TokenGate(app, self._pairing, {*shell, PAIR_PATH, AUTHORITY_PATH, EXCHANGE_PATH, "/healthz"})

    def phone_routes(self) -> list[Route]:
        """The routes open to anyone on the page's port."""
        page = static_files()["pair.html"]
        return [
            Route(PAIR_PATH, page.answer),
            Route(AUTHORITY_PATH, self.authority),
            Route(EXCHANGE_PATH, self.exchange, methods=["POST"]),
        ]

    async def authority(self, request: Request) -> Response:
        """The authority's certificate, for a phone to install."""
        found = self._found()
        if found is None or found.authority is None:
            return JSONResponse({"ok": False, "why": "this bench shows a certificate of its owner's"}, status_code=404)
        return FileResponse(found.authority, media_type="application/x-x509-ca-cert", filename="benchd-authority.crt")

    async def exchange(self, request: Request) -> Response:
        """{"code", "name"} -> a cookie; with "script": true a token in the answer instead."""
        body = await _object(request)
        code, name, is_script = (body.get(key, usual) for key, usual in (("code", ""), ("name", ""), ("script", False)))
        if not isinstance(code, str) or not isinstance(name, str) or not isinstance(is_script, bool):
            why = "send {code, name} as texts, and script as true or false"
            return JSONResponse({"ok": False, "field": "code", "why": why}, status_code=400)
        try:
            token = self._pairing.exchange(code, name, peer(request))
        except TooManyGuesses as error:
            return too_many(error)
        except WrongCode as error:
            return JSONResponse({"ok": False, "field": "code", "why": str(error)}, status_code=403)
        except OSError as error:
            return JSONResponse({"ok": False, "why": f"it cannot be stored: {error.strerror}"}, status_code=503)
        answer = JSONResponse({"ok": True, **({"token": token} if is_script else {})})
        if not is_script:
            keep(answer, token)
        return answer

    # ------------------------------------------------------------------------------------------------ the console's

    async def shown(self, request: Request) -> Response:
        """Where to open the page, the fingerprint to compare, what became of the code; a POST makes a new one."""
        found = self._found()
        if found is None:
            return JSONResponse({"ok": False, "why": self._trouble() or "the page is not up yet"}, status_code=409)
        told = {
            "ok": True, "urls": self._urls, "fingerprint": found.fingerprint, "authority": _text(found.authority),
            "ends_t": found.ends_t,
        }  # fmt: skip
        if request.method == "POST":
            told |= {"code": self._pairing.new_code(), "lasts_s": CODE_LASTS_S}
        told |= {"code_state": self._pairing.code_state(), "guesses": self._pairing.guesses}
        return JSONResponse(told)

    async def phones(self, request: Request) -> Response:
        """Who is paired."""
        return JSONResponse({"ok": True, "phones": self._pairing.listed()})

    async def revoke(self, request: Request) -> Response:
        """{"id"}: revoke a phone."""
        id = (await _object(request)).get("id")
        if not isinstance(id, str) or not self._pairing.revoke(id):
            return JSONResponse({"ok": False, "why": "no phone of that id; benchd pair --list"}, status_code=404)
        return JSONResponse({"ok": True})


class Address(Protocol):
    """Where the page listens and under which names; the user's certificate and key, if there are any."""

    @property
    def port(self) -> int: ...
    @property
    def names(self) -> tuple[str, ...]: ...
    @property
    def certificate(self) -> Path | None: ...
    @property
    def key(self) -> Path | None: ...


def pairing_at(folder: Path, address: Address, tell: Callable[[str], None]) -> tuple[HttpsDoor, PairingDesk]:
    """The page's door for other machines, and the desk that pairs phones; keys and tokens are in `folder`."""
    keeper: Keeper = LocalAuthority(folder, address.names, time.time)
    if address.certificate is not None and address.key is not None:
        keeper = OwnCertificate(address.certificate, address.key, address.names, time.time)
    door = HttpsDoor(keeper, tell)
    pairing = Pairing(folder / "phones.json", time.time, time.monotonic)
    return door, PairingDesk(pairing, address.names, address.port, lambda: door.found, lambda: door.trouble)


def console_routes(desk: PairingDesk | None) -> list[Route]:
    """The console's routes; without a desk they answer with what to write in bench.toml."""

    async def not_set(request: Request) -> Response:
        return JSONResponse({"ok": False, "why": NOT_SET}, status_code=409)

    return [
        Route("/api/v0/pairing", desk.shown if desk else not_set, methods=["GET", "POST"]),
        Route("/api/v0/phones", desk.phones if desk else not_set),
        Route("/api/v0/phones/revoke", desk.revoke if desk else not_set, methods=["POST"]),
    ]


async def _object(request: Request) -> dict[str, Any]:
    """The body as a JSON object; an empty one when it is none, or long."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BODY_BYTES:
            return {}
    try:
        parsed = json.loads(body)
    except (ValueError, RecursionError):
        return {}
    return parsed if isinstance(parsed, dict) else {}


def _text(path: Path | None) -> str | None:
    return None if path is None else path.read_text("ascii")
