"""The shelf over HTTP: read and written behind the doorkeeper, refused with its field, taken up by the bench."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from asgi_ask import Answer, ask
from starlette.applications import Starlette

from benchd.page.doors import Doorkeeper
from benchd.page.shelf_view import PATH, shelf_routes
from benchd.plugins import load_settings
from benchd.settings.shelf_form import ShelfForm

ROOT = Path(__file__).parents[2]
JSON = {"content-type": "application/json"}


class Bench:
    """The routes over a shelf of its own; what the bench was asked to read again."""

    def __init__(self, folder: Path) -> None:
        shutil.copytree(ROOT / "config", folder / "config")
        self.shelf = folder / "config" / "shelf.toml"
        form = ShelfForm(self.shelf, lambda new: load_settings(folder / "config" / "bench.toml", new))
        self.desk: ShelfForm | None = form
        self.rereads, self.why = 0, ""
        routes = shelf_routes(lambda: self.desk, lambda: self.reread)
        self.app = Doorkeeper(Starlette(routes=routes))

    def reread(self) -> str:
        self.rereads += 1
        return self.why

    async def get(self) -> dict[str, Any]:
        return dict(json.loads((await ask(self.app, "GET", PATH)).body))

    async def put(self, body: object, headers: dict[str, str] | None = None) -> Answer:
        text = body if isinstance(body, bytes) else json.dumps(body).encode()
        return await ask(self.app, "PUT", PATH, {**JSON, **(headers or {})}, text)

    async def retire(self, **more: object) -> Answer:
        return await self.put(
            {"digest": (await self.get())["digest"], "do": "retire", "kind": "mold", "code": "M01", **more}
        )


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    return Bench(tmp_path)


async def test_it_is_read_changed_and_taken_up(bench: Bench) -> None:
    before = await bench.get()
    assert before["ok"]
    assert len(before["molds"]) == 8
    answer = await bench.retire()
    told = json.loads(answer.body)
    assert (answer.status, told["ok"], told["why"], bench.rereads) == (200, True, "", 1)
    after = await bench.get()
    assert after["digest"] == told["digest"] != before["digest"]
    assert after["molds"][0]["retired"] == "true"


async def test_a_bench_that_does_not_take_it_up_says_so(bench: Bench) -> None:
    bench.why = "/somewhere/bench.toml:3: broken"
    told = json.loads((await bench.retire()).body)
    assert (told["ok"], told["why"]) == (True, "the bench goes on with the old one")


async def test_a_changed_file_is_409_and_a_wrong_value_400_at_its_field(bench: Bench) -> None:
    old = (await bench.get())["digest"]
    bench.shelf.write_text(bench.shelf.read_text("utf-8") + "# by hand\n", "utf-8")
    late = await bench.put({"digest": old, "do": "retire", "kind": "mold", "code": "M01"})
    assert late.status == 409
    wrong = await bench.put({
        "digest": (await bench.get())["digest"], "do": "change", "kind": "mold", "code": "M01",
        "keys": {"thin_mm": "99", "life": "0"},
    })  # fmt: skip
    told = json.loads(wrong.body)
    assert (wrong.status, told["ok"]) == (400, False)
    assert {each["field"] for each in told["errors"]} == {"life"}
    assert bench.rereads == 0
    assert str(bench.shelf.parent) not in (late.body + wrong.body).decode()


@pytest.mark.parametrize(
    ("body", "field"),
    [
        (b"no json", "body"), ([], "body"), ({"x": 1}, "x"), ({}, "digest"), ({"digest": 3}, "digest"),
        ({"digest": "a"}, "code"), ({"digest": "a", "code": "M01"}, "do"),
        ({"digest": "a", "code": "M01", "do": "burn"}, "do"),
        ({"digest": "a", "code": "M01", "do": "add", "kind": "pot"}, "kind"),
        ({"digest": "a", "code": "M01", "do": "add", "kind": "mold", "keys": []}, "keys"),
        ({"digest": "a", "code": "M01", "do": "add", "kind": "mold", "keys": {"life": 3}}, "life"),
        ({"digest": "a", "code": "M01", "do": "add", "kind": "mold", "keys": {"note": "a\nb"}}, "note"),
        ({"digest": "a", "code": "M01", "do": "add", "kind": "mold", "keys": {"code": "M02"}}, "code"),
        (b"[" * 4000, "body"), (b'{"digest": "' + b"a" * 5000 + b'"}', "body"),
    ],
)  # fmt: skip
async def test_what_is_no_edit_is_400_with_its_field(bench: Bench, body: object, field: str) -> None:
    before = bench.shelf.read_bytes()
    answer = await bench.put(body)
    assert (answer.status, json.loads(answer.body)["field"]) == (400, field)
    assert bench.shelf.read_bytes() == before


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://evil.example"}, 403), ({"sec-fetch-site": "cross-site"}, 403),
        ({"host": "evil.example"}, 421), ({"content-type": "text/plain"}, 415),
    ],
)  # fmt: skip
async def test_no_other_site_writes_into_it(bench: Bench, headers: dict[str, str], status: int) -> None:
    before = bench.shelf.read_bytes()
    body = {"digest": (await bench.get())["digest"], "do": "retire", "kind": "mold", "code": "M01"}
    assert (await bench.put(body, headers)).status == status
    assert bench.shelf.read_bytes() == before


async def test_a_bench_without_a_file_says_so(bench: Bench) -> None:
    bench.desk = None
    found = await ask(bench.app, "GET", PATH)
    written = await bench.put({"digest": "a", "do": "retire", "kind": "mold", "code": "M01"})
    assert (found.status, written.status) == (404, 404)
    assert "not a file" in json.loads(found.body)["why"]
