"""Is everything turned away that should be, on every route, and nothing else?"""

from __future__ import annotations

import json

import pytest
from asgi_ask import ask
from starlette.applications import Starlette
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from benchd.page.doors import MOST_BODY_BYTES, Doorkeeper, bare_host, told_as_json

JSON = {"content-type": "application/json"}


async def length(request: Request) -> Response:
    return JSONResponse({"bytes": len(await request.body())})


async def hello(request: Request) -> Response:
    return JSONResponse({"hello": "bench"}, headers={"Cache-Control": "no-cache"})


ROUTES = [Route("/take", length, methods=["POST"]), Route("/hello", hello)]
APP = Doorkeeper(
    Starlette(routes=ROUTES, exception_handlers={HTTPException: told_as_json}), ("localhost", "127.0.0.1", "::1")
)


@pytest.mark.parametrize("host", ["127.0.0.1:8127", "localhost", "LOCALHOST:1", "[::1]:8127", "127.0.0.1"])
async def test_its_own_names_are_let_in(host: str) -> None:
    assert (await ask(APP, "GET", "/hello", {"host": host})).status == 200


@pytest.mark.parametrize(
    "host", ["bench.example", "127.0.0.1.evil.example", "localhost.evil.example:8127", "", "0.0.0.0:8127", "[::2]"]
)
@pytest.mark.parametrize("path", ["/hello", "/nowhere"])
async def test_a_foreign_name_is_refused_on_every_route(host: str, path: str) -> None:
    """DNS rebinding: the browser then sends the attacker's own host name (RFC 9110 section 15.5.20: 421)."""
    assert (await ask(APP, "GET", path, {"host": host})).status == 421


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),  # no browser: curl, the command line
        ({"origin": "http://127.0.0.1:8127", "sec-fetch-site": "same-origin"}, 200),
        ({"sec-fetch-site": "none"}, 200),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "http://127.0.0.1:9999"}, 403),
        ({"origin": "null"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"content-type": "text/plain"}, 415),
        ({"content-type": "application/x-www-form-urlencoded"}, 415),
    ],
)
async def test_a_change_must_come_from_the_page_itself(headers: dict[str, str], status: int) -> None:
    """Fetch Metadata (W3C); a form of another site can send only three media types, none of them JSON (Fetch)."""
    assert (await ask(APP, "POST", "/take", JSON | headers, b"{}")).status == status


async def test_reading_from_another_site_carries_no_permission() -> None:
    answer = await ask(APP, "GET", "/hello", {"origin": "http://evil.example"})
    assert "access-control-allow-origin" not in answer.headers
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"


@pytest.mark.parametrize("declared", [True, False])
async def test_a_body_past_the_limit_is_refused_declared_or_not(declared: bool) -> None:
    headers = JSON | ({"content-length": str(MOST_BODY_BYTES + 1)} if declared else {})
    answer = await ask(APP, "POST", "/take", headers, b"x" * (MOST_BODY_BYTES + 1), chunk=1000)
    assert answer.status == 413
    assert "64" in json.loads(answer.body)["why"] or "65536" in json.loads(answer.body)["why"]


async def test_a_body_at_the_limit_is_taken() -> None:
    answer = await ask(APP, "POST", "/take", JSON, b"x" * MOST_BODY_BYTES, chunk=1000)
    assert json.loads(answer.body) == {"bytes": MOST_BODY_BYTES}


@pytest.mark.parametrize(
    "declared", ["-1", "9" * 400, "ten", "\N{ARABIC-INDIC DIGIT THREE}".encode().decode("latin-1")]
)
async def test_a_nonsense_length_is_refused(declared: str) -> None:
    keeper_answer = APP.refusal("POST", _headers(JSON | {"host": "localhost", "content-length": declared}))
    assert keeper_answer is not None
    assert keeper_answer[0] == 413


def _headers(plain: dict[str, str]) -> Headers:
    return Headers(plain)


@pytest.mark.parametrize("host", ["127.0.0.1:8127", "evil.example"])
async def test_every_answer_carries_the_policy(host: str) -> None:
    answer = await ask(APP, "GET", "/nowhere", {"host": host})
    assert answer.headers["content-security-policy"].startswith("default-src 'self'; frame-ancestors 'none'")
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["x-content-type-options"] == "nosniff"


async def test_a_route_may_say_itself_how_long_it_is_kept() -> None:
    assert (await ask(APP, "GET", "/hello")).headers["cache-control"] == "no-cache"


def test_two_hosts_are_refused() -> None:
    raw = [(b"host", b"localhost"), (b"host", b"localhost")]
    refused = APP.refusal("GET", Headers(raw=raw))
    assert refused is not None
    assert refused[0] == 421


def test_a_name_without_its_port() -> None:
    assert [bare_host(h) for h in ("A.b:1", "[::1]:8127", "[::1]", "x")] == ["a.b", "::1", "::1", "x"]
