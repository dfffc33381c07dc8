"""Does a client that a public generator makes from the OpenAPI document, and from nothing else, work the daemon?"""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType

import pytest
from daemon import wait_for
from paired_daemon import PairedDaemon
from phone_page import Board

from benchd.page.openapi import OPERATIONS, document

pytest.importorskip("cryptography", reason="cryptography is not installed: pip install -e '.[test]'")
pytestmark = [
    pytest.mark.wide,
    pytest.mark.filterwarnings("ignore"),  # what is generated is not ours
    pytest.mark.skipif(find_spec("openapi_python_client") is None,  # runs as a process of its own
                       reason="openapi-python-client is not installed: pip install -e '.[test]'"),
]  # fmt: skip


@pytest.fixture
def client(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The generated package, imported."""
    (tmp_path / "openapi.json").write_text(json.dumps(document()))
    words = [
        "generate",
        "--path",
        "openapi.json",
        "--output-path",
        "bench_client",
        "--meta",
        "none",
        "--fail-on-warning",
    ]
    beside = {"PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}  # it formats with ruff
    done = subprocess.run(
        [sys.executable, "-m", "openapi_python_client", *words, "--fail-on-warning"],
        cwd=tmp_path, env=os.environ | beside, capture_output=True, text=True, timeout=110, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    monkeypatch.syspath_prepend(str(tmp_path))
    return importlib.import_module("bench_client")


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[PairedDaemon]:
    made = PairedDaemon(tmp_path / "bench")
    with made.started(), Board(made):
        wait_for(lambda: made.get("/healthz")["ok"])
        yield made


def test_it_reads_the_bench_and_marks(client: ModuleType, daemon: PairedDaemon) -> None:
    """Typed models in and out; a function for each operation under its id."""
    made = {path.stem for path in (Path(str(client.__file__)).parent / "api" / "default").glob("[a-z]*.py")}
    assert made == {"".join(f"_{c.lower()}" if c.isupper() else c for c in each.id) for each in OPERATIONS}
    calls = {name: importlib.import_module(f"bench_client.api.default.{name}") for name in made}
    models = importlib.import_module("bench_client.models")
    address = f"https://127.0.0.1:{daemon.page_port}"
    with client.AuthenticatedClient(
        base_url=address, token=daemon.token(), verify_ssl=str(daemon.authority)
    ) as paired:  # fmt: skip
        state = calls["read_state"].sync(client=paired)
        assert {reading.role for reading in state.readings} >= {"cup_temperature", "pot_pressure"}
        note = models.Mark.from_dict({"verb": "note", "text": "new gasket"})
        answer = calls["mark"].sync(client=paired, body=note)
        assert (type(answer).__name__, answer.ok) == ("Answer", True)
        too_early = models.Mark.from_dict({"verb": "demolded", "mold": "M02"})
        refused = calls["mark"].sync_detailed(client=paired, body=too_early)
        assert (refused.status_code, refused.parsed.ok) == (409, False)
        wish = models.PlanWish.from_dict({"molds": ["M01"], "dry": True})
        plan = calls["plan"].sync(client=paired, body=wish)
        assert [load.molds[0].code for load in plan.sheet.loads] == ["M01"]
        book = calls["read_book"].sync(client=paired)
        assert (book.v, book.pours) == (0, [])
        assert calls["read_health"].sync(client=paired).ok is True
