"""Does the OpenAPI document say what is served, and does nothing made up from it bring the daemon to a 5xx?"""

from __future__ import annotations

import asyncio
import json
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hypothesis
import jsonschema
import pytest
from asgi_ask import ask
from daemon import wait_for
from paired_daemon import PairedDaemon
from phone_page import Board
from reports.cast_day import write_day

from benchd.core.model import VERBS
from benchd.page.api import Api
from benchd.page.openapi import JSON, OPERATIONS, REFUSALS, document
from benchd.page.openapi_models import EXAMPLES, MODELS
from benchd.page.orders_view import orders_routes
from benchd.page.pairing import PairingDesk
from benchd.page.plan_view import plan_routes
from benchd.page.shelf_view import shelf_routes
from benchd.page.site import Site
from benchd.plugins import load_settings
from benchd.reports.door import report_routes
from benchd.runtime.bulletin import Bulletin, Posted
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.http.tokens import Pairing
from benchd.runtime.journal.journal import Journal

ROOT = Path(__file__).parents[2]
ENDLESS = "/api/v0/stream"
DOCUMENT = document()
AS_JSON = {"Content-Type": JSON}
REPORTS = (
    "load/last", "pour/last", "day/today", "mold/M02", "lot/R-07", "leaks/barrel", "scrap/all", "orders/all",
    "cost/all", "shopping/now", "tomorrow/next",
)  # fmt: skip


pytest.importorskip("cryptography", reason="cryptography is not installed: pip install -e '.[test]'")


def served(folder: Path) -> set[tuple[str, str]]:
    """Every path and method of the whole site that is not a file of the page."""
    clock, board, health = BenchClock(), Bulletin(), Health()
    nothing: Any = None
    api = Api(clock, board, health, lambda mark: None, dict, lambda: 0.0)
    site = Site(api, clock, board, health, nothing, nothing, "boot", lambda: 0.0)
    desk = PairingDesk(Pairing(folder / "p", clock.now, clock.now), ("bench.lan",), 1, lambda: None, lambda: "")
    inner = site.app(
        more=[
            *desk.phone_routes(),
            *orders_routes(folder, nothing, nothing, clock.now),
            *plan_routes(nothing, clock.now),
            *report_routes(nothing, nothing, clock.now),
            *shelf_routes(nothing, nothing),
        ]
    )._app  # type: ignore[attr-defined]
    routes = [(route.path, method.lower()) for route in inner.routes for method in route.methods or {"GET"}]
    return {(p, m) for p, m in routes if p.startswith(("/api/", "/healthz", "/metrics")) and m != "head"}


def test_the_document_is_of_exactly_what_is_served(tmp_path: Path) -> None:
    assert {(each.path, each.method) for each in OPERATIONS} == served(tmp_path)


def judge(model: str) -> jsonschema.Draft202012Validator:
    """A judge of one model; its references are looked up in the document."""
    schema = {"$ref": f"#/components/schemas/{model}", "components": DOCUMENT["components"]}
    return jsonschema.Draft202012Validator(schema)


def model_of(content: dict[str, Any]) -> str:
    """The model a body's content refers to, "" for none."""
    return str(content.get(JSON, {}).get("schema", {}).get("$ref", "")).rpartition("/")[2]


def operations() -> list[tuple[str, str, dict[str, Any]]]:
    """(path, method, what the document says of it)."""
    return [(path, method, each) for path, methods in DOCUMENT["paths"].items() for method, each in methods.items()]


def test_it_is_an_openapi_document() -> None:
    """By another implementation of OpenAPI 3.1.0, examples and defaults included."""
    validator = pytest.importorskip("openapi_spec_validator", reason="openapi-spec-validator is not installed")
    validator.validate(DOCUMENT)
    ids = [each["operationId"] for _, _, each in operations()]
    assert len(set(ids)) == len(ids) == len(OPERATIONS)
    assert all(id.isidentifier() for id in ids)  # a generated client's function names


def test_every_model_is_used_and_every_answer_has_one() -> None:
    text = json.dumps(DOCUMENT)
    assert [name for name in MODELS if f'"#/components/schemas/{name}"' not in text] == []
    free = {"listen", "readDocument", "readMetrics"}
    assert {e["operationId"] for _, _, e in operations() if not model_of(e["responses"]["200"]["content"])} == free
    for path, _, each in operations():
        assert {int(status) for status in each["responses"]} >= set(REFUSALS), path
        assert model_of(each["responses"]["400"]["content"]) == "Answer"


@pytest.mark.parametrize("model", EXAMPLES)
def test_each_example_is_of_its_model(model: str) -> None:
    judge(model).validate(EXAMPLES[model])


def test_every_verb_of_a_mark_stands_in_it() -> None:
    assert tuple(MODELS["Mark"]["properties"]["verb"]["enum"]) == VERBS
    judge("Mark").validate({"verb": "mix", "lot": "R-07", "molds": ["M02"]})
    assert not judge("Mark").is_valid({"verb": "vent"})


def test_only_pairing_and_health_are_open() -> None:
    paths = document()["paths"]
    is_open = {p for p, methods in paths.items() if any(m.get("security") == [] for m in methods.values())}
    assert is_open == {"/api/v0/pair", "/healthz"}


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PairedDaemon]:
    """A daemon for paired phones on loopback whose board goes on talking, so that health is good."""
    made = PairedDaemon(tmp_path_factory.mktemp("bench"))
    with made.started(), Board(made):
        wait_for(lambda: made.get("/healthz")["ok"])
        yield made


STATUSES = {"mark": 409, "editShelf": 409, "pair": 403}
"""What the examples meet here that are not taken: a mold nobody poured, a shelf of another digest, another code."""


def test_every_operation_answers_its_own_example_as_its_model_says(daemon: PairedDaemon) -> None:
    """A client made from the document and nothing else; all but the stream, which has no end."""
    bearer = {"Authorization": f"Bearer {daemon.token()}"}
    for path, method, each in operations():
        if path == ENDLESS:
            continue
        url, body = asked_as_the_document_says(path, each)
        status, headers, answer = daemon.ask(method.upper(), url, bearer | ({} if body is None else AS_JSON), body)
        assert status == STATUSES.get(each["operationId"], 200), (url, answer)
        content = each["responses"][str(status)]["content"]
        assert headers["content-type"].partition(";")[0] in content
        if model := model_of(content):
            judge(model).validate(json.loads(answer))


def asked_as_the_document_says(path: str, each: dict[str, Any]) -> tuple[str, Any]:
    """(address, body) of an operation, its parameters and its body filled with the document's examples."""
    given = {p["name"]: str(p["example"]) for p in each.get("parameters", ()) if p["in"] == "path"}
    query = {p["name"]: p["example"] for p in each.get("parameters", ()) if p["in"] == "query"}
    address = path.format(**given) + (f"?{urllib.parse.urlencode(query)}" if query else "")
    return address, each.get("requestBody", {}).get("content", {}).get(JSON, {}).get("example")


@pytest.mark.wide
async def test_the_invented_days_answers_are_of_their_models(tmp_path: Path) -> None:
    """Pours, loads, outcomes, alarms, reports of every kind, a run sheet: what a quiet daemon's answers lack."""
    found = await asyncio.to_thread(write_day, tmp_path / "journal.db")
    bench = load_settings(ROOT / "config" / "bench.toml").bench
    board, clock = Bulletin(), BenchClock(anchor_s=1_767_624_000.0, monotonic=lambda: 0.0)
    board.post([Posted(effect, number) for number, effect in enumerate(found)])
    async with Journal(tmp_path / "journal.db") as journal:
        api = Api(clock, board, Health(), lambda mark: None, lambda: {"boot": "b1"}, lambda: 0.0)
        site = Site(api, clock, board, Health(), lambda: bench, journal, "b1", lambda: 0.0)
        app = site.app(more=report_routes(journal, lambda: bench, clock.now))
        asked = {"/api/v0/state": "State", "/api/v0/book?since=0": "Book"}
        asked |= {f"/api/v0/report/{kind}": "Report" for kind in REPORTS}
        for path, model in asked.items():
            answer = await ask(app, "GET", path)
            assert answer.status == 200, (path, answer.body)
            judge(model).validate(json.loads(answer.body))
        told = [json.loads((await ask(app, "GET", path)).body) for path in asked]
    assert min(len(told[0][key]) for key in ("readings", "cards", "said")) > 0
    assert [len(told[1][key]) for key in ("pours", "loads")] == [3, 3]


@pytest.mark.parametrize("examples", [1, pytest.param(100, marks=[pytest.mark.soak, pytest.mark.timeout(600)])])
@pytest.mark.filterwarnings("ignore")  # the generator's own libraries deprecate among themselves
def test_nothing_made_up_from_it_brings_the_daemon_to_a_5xx(daemon: PairedDaemon, examples: int) -> None:
    """schemathesis: values the schemas allow and values they don't, of each operation but the endless stream."""
    schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed: pip install -e '.[test]'")
    made = document()
    del made["paths"][ENDLESS]
    schema = schemathesis.openapi.from_dict(made)
    schema.config.update(base_url=f"https://127.0.0.1:{daemon.page_port}")
    bearer = {"Authorization": f"Bearer {daemon.token()}"}
    modes = [schemathesis.GenerationMode.POSITIVE, schemathesis.GenerationMode.NEGATIVE]
    settings = hypothesis.settings(
        max_examples=examples, deadline=None, database=None, derandomize=True,
        suppress_health_check=list(hypothesis.HealthCheck),
    )  # fmt: skip
    counts: dict[str, int] = {}
    failures: list[str] = []
    statuses: set[int] = set()
    for found in schema.get_all_operations():
        operation = found.ok()
        for mode in modes:

            @settings
            @hypothesis.given(case=operation.as_strategy(generation_mode=mode))
            def ask(case: Any) -> None:
                answer = case.call(timeout=8, headers=bearer, verify=str(daemon.authority))
                statuses.add(answer.status_code)
                counts[case.path] = counts.get(case.path, 0) + 1
                if answer.status_code >= 500:
                    failures.append(f"{case.method} {case.path}: {answer.status_code} {answer.text[:200]}")

            try:
                ask()
            except hypothesis.errors.Unsatisfiable:
                assert mode is schemathesis.GenerationMode.NEGATIVE  # nothing to get wrong: no parameter, no body
    assert failures == []
    assert set(counts) == set(made["paths"])
    assert min(counts["/api/v0/marks"], counts["/api/v0/pair"]) >= examples
    assert statuses >= {200, 400, 403, 404, 409}  # it came past the gate, and was understood
    assert "Traceback" not in daemon.stderr
