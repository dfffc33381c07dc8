"""Builds the OpenAPI document of the HTTP interface from one table of operations.

`tests/page/test_openapi.py` compares the table with the routes served.  Format: OpenAPI Specification 3.1.0.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse

from benchd import __version__
from benchd.core.format.schemas import Schema, mark_schema

DOCUMENT_PATH = "/api/v0/openapi.json"
JSON = "application/json"
REFUSALS = {
    400: "not understood",
    401: "not paired (beyond this machine only)",
    403: "another site asked",
    413: "the body is too long",
    415: "the body is not JSON",
    421: "not a name of this daemon",
    429: "too many wrong guesses",
}
NUMBER: Schema = {"type": "number"}
TEXT: Schema = {"type": "string"}
ANSWER: Schema = {
    "type": "object",
    "required": ["ok"],
    "properties": {
        "ok": {"type": "boolean"},
        "why": TEXT,
        "field": TEXT,
        "id": TEXT,
        "errors": {"type": "array"},
        "unsaved": {"const": True, "description": "not in the log yet: a kill may take it away"},
        "unsaved_why": TEXT,
    },
}
PAIR: Schema = {
    "type": "object",
    "required": ["code"],
    "properties": {"code": TEXT, "name": TEXT, "script": {"type": "boolean"}},
}
PLAN: Schema = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "molds": {"type": "array", "items": TEXT, "maxItems": 40},
        "lot": TEXT,
        "temp_c": NUMBER,
        "loads": {"type": "integer", "minimum": 1},
        "pours": {"type": "object", "additionalProperties": NUMBER},
        "dry": {"type": "boolean"},
        "sheet": {"type": "null"},
    },
}


SHELF: Schema = {
    "type": "object",
    "additionalProperties": False,
    "required": ["digest", "do", "kind", "code"],
    "properties": {
        "digest": TEXT,
        "do": {"enum": ["add", "change", "retire", "restore"]},
        "kind": {"enum": ["mold", "lot"]},
        "code": TEXT,
        "keys": {"type": "object", "additionalProperties": {"type": "string", "maxLength": 400}, "maxProperties": 60},
    },
}


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation: its answers by status, what the query may hold, what the body is."""

    path: str
    summary: str
    answers: Mapping[int, str] = field(default_factory=lambda: {200: "as it is now"})
    method: str = "get"
    query: Mapping[str, tuple[Schema, str]] = field(default_factory=dict)
    path_keys: Mapping[str, str] = field(default_factory=dict)
    body: Schema | None = None
    media: str = JSON
    is_open: bool = False


SPAN = {"since": (NUMBER, "unix s"), "until": (NUMBER, "unix s")}
OPERATIONS: tuple[Operation, ...] = (
    Operation(
        "/api/v0/marks", "Say what was done: mix, poured, heard, demolded ...", method="post", body=mark_schema(),
        answers={
            200: "taken; unsaved = true while the log does not hold it", 409: "refused; why says what for",
            503: "no answer within 5 s",
        },
    ),
    Operation("/api/v0/state", "The bench as it is now: readings, cards, alerts, what was said"),
    Operation(
        "/api/v0/stream", "What happens, as it happens: server-sent events with ids", media="text/event-stream",
        query={"after": (TEXT, "the last id seen; or send Last-Event-ID")},
        answers={200: "events until either side ends it", 503: "too many listen already"},
    ),
    Operation(
        "/api/v0/history", "A channel's readings, thinned",
        query={"channel": (TEXT, "its id"), **SPAN, "points": (NUMBER, "about how many at most")},
        answers={200: "points from memory, minutes from the journal", 404: "no such channel"},
    ),
    Operation(
        "/api/v0/book", "Pours, loads, molds and lots", query=SPAN,
        answers={200: "the casting book", 503: "the log cannot be read"},
    ),
    Operation("/api/v0/plan", "The day's run sheet, as it is kept", answers={200: "the sheet, or null"}),
    Operation(
        "/api/v0/plan", "Plan these molds and keep the sheet (dry: only plan); or sheet = null puts it away",
        method="put", body=PLAN,
        answers={200: "the sheet", 409: "it cannot be planned; why says what to do", 503: "it cannot be stored"},
    ),
    Operation(
        "/api/v0/report/{kind}/{id}", "A report: load, pour, part, day, mold, lot, leaks, scrap, shopping, tomorrow",
        path_keys={"kind": "which", "id": "an id, a code, a date, last or today"},
        answers={200: "the report", 404: "no such report; why names what there is", 503: "the log cannot be read"},
    ),
    Operation(
        "/api/v0/shelf", "shelf.toml: its molds and lots as texts, its digest, and what each key may hold",
        answers={200: "as it is now", 404: "the shelf is no file", 503: "it cannot be read"},
    ),
    Operation(
        "/api/v0/shelf", "Add, change or retire one mold or lot of the file with this digest", method="put", body=SHELF,
        answers={200: "written", 404: "the shelf is no file", 409: "changed since it was read", 503: "not written"},
    ),
    Operation(DOCUMENT_PATH, "This document", answers={200: "OpenAPI 3.1"}),
    Operation(
        "/api/v0/pair", "Exchange the console's code for a cookie, or with script = true for a bearer token",
        method="post", body=PAIR, answers={200: "paired", 503: "it cannot be stored"}, is_open=True,
    ),
    Operation(
        "/healthz", "Whether source, engine and journal moved within 5 s", is_open=True,
        answers={200: "they did", 503: "stale names those that did not"},
    ),
)  # fmt: skip


def document(operations: Sequence[Operation] = OPERATIONS) -> dict[str, Any]:
    """The OpenAPI document of these operations."""
    paths: dict[str, dict[str, Any]] = {}
    for each in operations:
        paths.setdefault(each.path, {})[each.method] = _described(each)
    schemes = {
        "cookie": {"type": "apiKey", "in": "cookie", "name": "__Host-benchd"},
        "bearer": {"type": "http", "scheme": "bearer"},
    }
    about = "Reads the bench and takes marks; nothing here vents or pressurises.  Without pairing no token is needed."
    return {
        "openapi": "3.1.0",
        "info": {"title": "benchd", "version": __version__, "description": about},
        "paths": paths,
        "components": {"securitySchemes": schemes, "schemas": {"Answer": ANSWER}},
        "security": [{"cookie": []}, {"bearer": []}],
    }


def _described(each: Operation) -> dict[str, Any]:
    answers = {str(status): {"description": text, "content": _content(each, status)} for status, text in _all(each)}
    described: dict[str, Any] = {"summary": each.summary, "responses": answers}
    parameters = [
        {"name": name, "in": "path", "required": True, "schema": TEXT, "description": text}
        for name, text in each.path_keys.items()
    ] + [
        {"name": name, "in": "query", "required": name == "channel", "schema": schema, "description": text}
        for name, (schema, text) in each.query.items()
    ]
    if parameters:
        described["parameters"] = parameters
    if each.body is not None:
        described["requestBody"] = {"required": True, "content": {JSON: {"schema": each.body}}}
    if each.is_open:
        described["security"] = []
    return described


def _all(each: Operation) -> list[tuple[int, str]]:
    """The operation's own answers and the refusals any request may meet."""
    return sorted({**REFUSALS, **each.answers}.items())


def _content(each: Operation, status: int) -> dict[str, Any]:
    if status != 200:
        return {JSON: {"schema": {"$ref": "#/components/schemas/Answer"}}}
    return {each.media: {"schema": {"type": "object"} if each.media == JSON else TEXT}}


async def openapi(request: Request) -> JSONResponse:
    """The document, as a route."""
    return JSONResponse(document())
