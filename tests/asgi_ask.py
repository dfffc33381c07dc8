"""How do tests ask an ASGI application without a socket?  One request in, status, headers and body out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from starlette.types import ASGIApp, Message


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes


async def ask(
    app: ASGIApp,
    method: str,
    path: str,
    headers: Mapping[str, str] | None = None,
    body: bytes = b"",
    chunk: int = 2**16,
) -> Answer:
    """What the application answers; the body goes in pieces of `chunk` bytes."""
    route, _, query = path.partition("?")
    sent = {"host": "127.0.0.1:8127"} | {k.lower(): v for k, v in (headers or {}).items()}
    scope: dict[str, Any] = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": route, "raw_path": route.encode(), "query_string": query.encode(), "root_path": "",
        "headers": [(k.encode(), v.encode()) for k, v in sent.items() if v is not None],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8127),
    }  # fmt: skip
    pieces = [body[i : i + chunk] for i in range(0, len(body), chunk)] or [b""]
    heard: list[Message] = []

    async def receive() -> Message:
        if not pieces:
            return {"type": "http.disconnect"}
        piece = pieces.pop(0)
        return {"type": "http.request", "body": piece, "more_body": bool(pieces)}

    async def send(message: Message) -> None:
        heard.append(message)

    await app(scope, receive, send)
    start = heard[0]
    headers_out = {k.decode().lower(): v.decode() for k, v in start["headers"]}
    return Answer(start["status"], headers_out, b"".join(m.get("body", b"") for m in heard[1:]))
