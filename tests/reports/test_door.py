"""Reports over HTTP: the page's own policy, 404 with a reason, JSON beside it, behind the doorkeeper."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from pathlib import Path

from asgi_ask import Answer, ask
from starlette.applications import Starlette

from benchd.core.bench import Bench
from benchd.page.doors import Doorkeeper
from benchd.reports.door import report_routes
from benchd.runtime.journal.journal import Journal

EVENING_T = 1_767_571_200.0 + 20 * 3600.0


async def got(path: Path, bench: Bench, *routes: str) -> list[Answer]:
    async with Journal(path, read_only=True) as journal:
        app = Doorkeeper(Starlette(routes=report_routes(journal, lambda: bench, lambda: EVENING_T)))
        return [await ask(app, "GET", route) for route in routes]


async def test_a_report_is_a_page_and_numbers(day_journal: Path, studio: Bench) -> None:
    page, plain = await got(day_journal, studio, "/report/day/today", "/api/v0/report/day/today")
    assert page.status == plain.status == 200
    assert "9 casts: 7 good, 1 second, 1 scrap." in page.body.decode()
    assert json.loads(plain.body)["resin_g"] == {"mixed": 862, "parts": 672, "gates": 107, "cup": 83}


async def test_its_policy_admits_its_own_style_and_nothing_else(day_journal: Path, studio: Bench) -> None:
    (page,) = await got(day_journal, studio, "/report/load/last")
    style = re.search(r"<style>(.*?)</style>", page.body.decode(), re.DOTALL)
    assert style is not None
    allowed = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    policy = page.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert f"style-src 'sha256-{allowed}'" in policy
    assert "style=" not in page.body.decode()
    assert "<script" not in page.body.decode()


async def test_what_is_not_there_is_404_with_what_is(day_journal: Path, studio: Bench) -> None:
    page, plain, kind = await got(
        day_journal, studio, "/report/mold/<b>", "/api/v0/report/mold/M99", "/api/v0/report/moon/x"
    )
    assert page.status == plain.status == kind.status == 404
    assert "<b>" not in page.body.decode().split("<body>")[1]
    assert "known: M01" in json.loads(plain.body)["why"]
    assert "known: cost, day, leaks, load" in json.loads(kind.body)["why"]


async def test_its_drawing_is_a_file_of_its_own_that_runs_nothing(day_journal: Path, studio: Bench) -> None:
    """As wide or as narrow as asked; a report without a drawing, or none such, is 404 in words."""
    path = "/report/load/last/drawing.svg"
    wide, narrow, bare, missing = await got(
        day_journal,
        studio,
        path,
        f"{path}?width=narrow",
        "/report/shopping/now/drawing.svg",
        "/report/moon/x/drawing.svg",
    )
    assert wide.status == narrow.status == 200
    assert wide.headers["content-type"].startswith("image/svg+xml")
    assert 'viewBox="-16 -16 792 ' in wide.body.decode()
    assert 'viewBox="-16 -16 388 ' in narrow.body.decode()
    assert "prefers-color-scheme:dark" in wide.body.decode()
    assert wide.headers["content-security-policy"].startswith("default-src 'none'; style-src 'unsafe-inline'")
    assert "<script" not in wide.body.decode()
    assert (bare.status, bare.body.decode()) == (404, "the report has no drawing")
    assert missing.status == 404
    assert "known: cost, day, leaks, load" in missing.body.decode()
