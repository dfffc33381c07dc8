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
from benchd.core.format.schemas import Schema
from benchd.page.metrics import PATH as METRICS_PATH
from benchd.page.openapi_models import EXAMPLES, MODELS, NUMBER, TEXT, ref

DOCUMENT_PATH = "/api/v0/openapi.json"
HEALTH_PATH = "/healthz"
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


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation: its id, its answers by status, what the query may hold; `body` and `model` name models.

    `query` and `path_keys` give each name its schema or text, and an example.
    """

    path: str
    id: str
    summary: str
    model: str = ""
    answers: Mapping[int, str] = field(default_factory=lambda: {200: "as it is now"})
    method: str = "get"
    query: Mapping[str, tuple[Schema, str, Any]] = field(default_factory=dict)
    path_keys: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    body: str = ""
    media: str = JSON
    is_open: bool = False


SPAN = {"since": (NUMBER, "unix s", 1767600000), "until": (NUMBER, "unix s", 1767690000)}
OPERATIONS: tuple[Operation, ...] = (
    Operation(
        "/api/v0/marks", "mark", "Say what was done: mix, poured, heard, demolded ...", "Answer",
        method="post", body="Mark",
        answers={
            200: "taken; unsaved = true while the log does not hold it", 409: "refused; why says what for",
            503: "no answer within 5 s",
        },
    ),
    Operation("/api/v0/state", "readState", "The bench as it is now: readings, cards, alerts, what was said", "State"),
    Operation("/api/v0/me", "readMe", "By what a mark from here is recorded, and the name in it", "Me"),
    Operation(
        "/api/v0/stream", "listen", "What happens, as it happens: server-sent events with ids",
        media="text/event-stream",
        query={"after": (TEXT, "the last id seen; or send Last-Event-ID", "")},
        answers={200: "events until either side ends it", 503: "too many listen already"},
    ),
    Operation(
        "/api/v0/history", "readHistory", "A channel's readings, thinned", "History",
        query={
            "channel": (TEXT, "its id", "barrel-pressure"), **SPAN,
            "points": (NUMBER, "about how many at most", 400),
        },
        answers={200: "points from memory, minutes from the journal", 404: "no such channel"},
    ),
    Operation(
        "/api/v0/book", "readBook", "Pours, loads, molds and lots", "Book", query=SPAN,
        answers={200: "the casting book", 503: "the log cannot be read"},
    ),
    Operation(
        "/api/v0/plan", "readPlan", "The day's run sheet, as it is kept", "Plan",
        answers={200: "the sheet, or null"},
    ),
    Operation(
        "/api/v0/plan", "plan", "Plan these molds and keep the sheet (dry: only plan); or sheet = null puts it away",
        "Plan", method="put", body="PlanWish",
        answers={200: "the sheet", 409: "it cannot be planned; why says what to do", 503: "it cannot be stored"},
    ),
    Operation(
        "/api/v0/orders", "readOrders", "What was ordered, how far it is, what it wants now", "Orders",
        answers={200: "as it is now", 503: "they cannot be read"},
    ),
    Operation(
        "/api/v0/orders", "changeOrder", "Add, change, trim, end or drop one order", "Orders", method="put",
        body="OrderChange",
        answers={200: "as they are now", 409: "refused; why says what to do", 503: "they cannot be stored"},
    ),
    Operation(
        "/api/v0/report/{kind}/{id}", "readReport",
        "A report: load, pour, part, day, mold, lot, leaks, scrap, orders, trim, cost, shopping, tomorrow", "Report",
        path_keys={"kind": ("which", "day"), "id": ("an id, a code, a date, last or today", "today")},
        answers={200: "the report", 404: "no such report; why names what there is", 503: "the log cannot be read"},
    ),
    Operation(
        "/api/v0/shelf", "readShelf", "shelf.toml: its molds and lots as texts, its digest, and what each key may hold",
        "Shelf",
        answers={200: "as it is now", 404: "the shelf is no file", 503: "it cannot be read"},
    ),
    Operation(
        "/api/v0/shelf", "editShelf", "Add, change or retire one mold or lot of the file with this digest",
        "ShelfSaved", method="put", body="ShelfEdit",
        answers={200: "written", 404: "the shelf is no file", 409: "changed since it was read", 503: "not written"},
    ),
    Operation(DOCUMENT_PATH, "readDocument", "This document", answers={200: "OpenAPI 3.1"}),
    Operation(
        METRICS_PATH, "readMetrics", "Readings, alarms and health in the open exposition format", media="text/plain",
    ),
    Operation(
        "/api/v0/pair", "pair", "Exchange the console's code for a cookie, or with script = true for a bearer token",
        "Paired", method="post", body="PairRequest", answers={200: "paired", 503: "it cannot be stored"}, is_open=True,
    ),
    Operation(
        HEALTH_PATH, "readHealth", "Whether source, engine and journal moved within 5 s", "Alive", is_open=True,
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
        "components": {"securitySchemes": schemes, "schemas": dict(MODELS)},
        "security": [{"cookie": []}, {"bearer": []}],
    }


def _described(each: Operation) -> dict[str, Any]:
    answers = {str(status): {"description": text, "content": _content(each, status)} for status, text in _all(each)}
    described: dict[str, Any] = {"operationId": each.id, "summary": each.summary, "responses": answers}
    parameters = [
        {"name": name, "in": "path", "required": True, "schema": TEXT, "description": text, "example": example}
        for name, (text, example) in each.path_keys.items()
    ] + [
        {"name": name, "in": "query", "required": name == "channel", "schema": schema, "description": text,
         "example": example}
        for name, (schema, text, example) in each.query.items()
    ]  # fmt: skip
    if parameters:
        described["parameters"] = parameters
    if each.body:
        described["requestBody"] = {"required": True, "content": {JSON: _media(each.body)}}
    if each.is_open:
        described["security"] = []
    return described


def _all(each: Operation) -> list[tuple[int, str]]:
    """The operation's own answers and the refusals any request may meet."""
    return sorted({**REFUSALS, **each.answers}.items())


def _content(each: Operation, status: int) -> dict[str, Any]:
    if status == 200 and not each.model:
        return {each.media: {"schema": {"type": "object"} if each.media == JSON else TEXT}}
    if status != 200 and (each.path, status) != (HEALTH_PATH, 503):
        return {JSON: {"schema": ref("Answer")}}
    return {each.media: _media(each.model)}


def _media(model: str) -> dict[str, Any]:
    return {"schema": ref(model), "example": EXAMPLES[model]}


async def openapi(request: Request) -> JSONResponse:
    """The document, as a route."""
    return JSONResponse(document())
