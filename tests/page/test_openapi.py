"""Does the OpenAPI document say what is served, and does nothing made up from it bring the daemon to a 5xx?"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hypothesis
import jsonschema
import pytest
from daemon import wait_for
from paired_daemon import PairedDaemon
from phone_page import Board

from benchd.core.model import VERBS
from benchd.page.api import Api
from benchd.page.openapi import OPERATIONS, REFUSALS, document
from benchd.page.pairing import PairingDesk
from benchd.page.plan_view import plan_routes
from benchd.page.shelf_view import shelf_routes
from benchd.page.site import Site
from benchd.reports.door import report_routes
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.http.tokens import Pairing

ENDLESS = "/api/v0/stream"


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
            *plan_routes(nothing, clock.now),
            *report_routes(nothing, nothing, clock.now),
            *shelf_routes(nothing, nothing),
        ]
    )._app  # type: ignore[attr-defined]
    routes = [(route.path, method.lower()) for route in inner.routes for method in route.methods or {"GET"}]
    return {(p, m) for p, m in routes if p.startswith(("/api/", "/healthz")) and m != "head"}


def test_the_document_is_of_exactly_what_is_served(tmp_path: Path) -> None:
    assert {(each.path, each.method) for each in OPERATIONS} == served(tmp_path)


def test_its_schemas_are_schemas_and_its_references_lead_somewhere() -> None:
    """JSON Schema draft 2020-12, which OpenAPI 3.1 takes over."""
    made = document()
    assert made["openapi"] == "3.1.0"
    for path, methods in made["paths"].items():
        for each in methods.values():
            schemas = [p["schema"] for p in each.get("parameters", ())]
            schemas += [c["schema"] for c in each.get("requestBody", {}).get("content", {}).values()]
            answers = [c["schema"] for a in each["responses"].values() for c in a["content"].values()]
            for schema in schemas + answers:
                jsonschema.Draft202012Validator.check_schema(schema)
                assert schema.get("$ref", "#/components/schemas/Answer") == "#/components/schemas/Answer"
            assert {int(status) for status in each["responses"]} >= set(REFUSALS), path


def test_every_verb_of_a_mark_stands_in_it() -> None:
    body = document()["paths"]["/api/v0/marks"]["post"]["requestBody"]["content"]["application/json"]["schema"]
    assert tuple(body["properties"]["verb"]["enum"]) == VERBS
    jsonschema.validate({"verb": "mix", "lot": "R-07", "molds": ["M02"]}, body)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"verb": "vent"}, body)


def test_only_pairing_and_health_are_open() -> None:
    paths = document()["paths"]
    is_open = {p for p, methods in paths.items() if any(m.get("security") == [] for m in methods.values())}
    assert is_open == {"/api/v0/pair", "/healthz"}


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PairedDaemon]:
    """A daemon for paired phones on loopback whose board goes on talking, so that health is good."""
    made = PairedDaemon(tmp_path_factory.mktemp("bench"))
    try:
        made.start()
        with Board(made):
            wait_for(lambda: made.get("/healthz")["ok"])
            yield made
    finally:
        made.close()


@pytest.mark.parametrize("examples", [3, pytest.param(100, marks=[pytest.mark.soak, pytest.mark.timeout(600)])])
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
