"""Serves the running daemon's JSON interface, behind `benchd mark` and the page.

Marks only: nothing here ever vents or pressurises.  Bodies are limited to 4 KB.
"""

from __future__ import annotations

import asyncio
import json
import uuid
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from benchd.core.casting.people.hands import name_of
from benchd.core.format.mark_form import mark_from_outside
from benchd.core.format.printed import to_json_object
from benchd.core.model import Mark, MarkAnswer
from benchd.errors import DecodeError
from benchd.page.doors import seen_by
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.health import stalled

MOST_BODY_BYTES = 4096
ANSWER_WITHIN_S = 5.0


class Api:
    """The routes, over the parts of the daemon they may read."""

    def __init__(
        self,
        clock: BenchClock,
        bulletin: Bulletin,
        health: Health,
        submit: Callable[[Mark], None],
        about: Callable[[], dict[str, Any]],
        monotonic: Callable[[], float],
    ) -> None:
        self._clock, self._bulletin, self._health = clock, bulletin, health
        self._submit, self._about, self._monotonic = submit, about, monotonic

    def app(self) -> Starlette:
        """The routes as an application of their own."""
        return Starlette(routes=self.routes())

    def routes(self) -> list[Route]:
        """The routes for marks, state and health."""
        return [
            Route("/api/v0/marks", self.mark, methods=["POST"]),
            Route("/api/v0/state", self.state),
            Route("/api/v0/me", self.me),
            Route("/healthz", self.healthz),
        ]

    async def mark(self, request: Request) -> Response:
        """Take a mark: {"verb": ..} -> {"id", "ok", "why"}, and "unsaved", "unsaved_why" while no commit holds it."""
        try:
            mark = self._read(await read_body(request))
            mark = replace(mark, by=seen_by(request.scope, mark.by))
        except DecodeError as error:
            return JSONResponse({"ok": False, "why": error.detail}, status_code=400)
        told = await self._answered(mark)
        if told is None:
            return JSONResponse({"id": mark.id, "ok": False, "why": "no answer within 5 s"}, status_code=503)
        answer, warning = told
        body = {"id": answer.id, "ok": answer.ok, "why": answer.why} | warning
        return JSONResponse(body, status_code=200 if answer.ok else 409)

    def _read(self, body: bytes) -> Mark:
        try:
            parsed = json.loads(body, parse_constant=_refuse_constant)
        except (ValueError, RecursionError) as error:
            raise DecodeError("json", "the body is not JSON") from error
        if not isinstance(parsed, dict):
            raise DecodeError("json", "the body is not a JSON object")
        mark = mark_from_outside(self._clock.now(), parsed)
        return replace(mark, id=mark.id or uuid.uuid4().hex)

    async def _answered(self, mark: Mark) -> tuple[MarkAnswer, dict[str, Any]] | None:
        listener = self._bulletin.subscribe()
        try:
            self._submit(mark)
            async with asyncio.timeout(ANSWER_WITHIN_S):
                async for posted in listener:
                    if isinstance(posted.effect, MarkAnswer) and posted.effect.id == mark.id:
                        return posted.effect, posted.warning
        except TimeoutError:
            return None
        finally:
            self._bulletin.unsubscribe(listener)
        return None

    async def state(self, request: Request) -> Response:
        """The bench as it is now: readings, cards, alerts, what was said."""
        return JSONResponse(self.present())

    def present(self) -> dict[str, Any]:
        """What `state` answers."""
        board = self._bulletin
        return {
            "v": 0,
            "now": round(self._clock.now(), 1),
            "rate": self._clock.rate,
            "about": self._about(),
            "readings": [to_json_object(r) for r in board.readings.values()],
            "cards": [to_json_object(c) for c in board.cards.values()],
            "alerts": [to_json_object(a) for a in board.alerts.values() if a.active or not a.heard],
            "said": [to_json_object(u) for u in board.said],
            "health": asdict(self._health),
        }

    async def me(self, request: Request) -> Response:
        """By what a mark from here is recorded, and the name in it: a paired phone's own, "" without pairing."""
        by = seen_by(request.scope, "")
        return JSONResponse({"v": 0, "by": by, "name": name_of(by)})

    async def healthz(self, request: Request) -> Response:
        """200 only if a source, the engine and the journal moved within 5 s."""
        stale = stalled(self._health, self._monotonic())
        return JSONResponse({"ok": not stale, "stale": stale}, status_code=503 if stale else 200)


async def read_body(request: Request) -> bytes:
    """The request's body.  Raises DecodeError when it is longer than MOST_BODY_BYTES."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BODY_BYTES:
            raise DecodeError("length", f"a body is at most {MOST_BODY_BYTES} bytes")
    return body


def _refuse_constant(word: str) -> float:
    raise ValueError(word)
