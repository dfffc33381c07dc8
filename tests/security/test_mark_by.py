"""Does a mark's `by` say which door it came through, whatever it claims, and can none pass as switch or console?"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from asgi_ask import ask
from daemon import wait_for
from mosquitto import needs_mosquitto, running
from paired_daemon import JSON, PairedDaemon
from phone import Phone, until

from benchd.core.format.mark_form import mark_from_body
from benchd.core.model import Mark
from benchd.page.api import Api
from benchd.page.doors import Doorkeeper
from benchd.runtime.bulletin import Bulletin
from benchd.runtime.clock import BenchClock
from benchd.runtime.contracts import Health
from benchd.runtime.mqtt.marks import MarkIntake

CLAIMS = ["switch", "cli", "cli:anna", "cli:check", "switch ", "inferred", "page:another phone", "mia"]
ROOT = "benchd/v0/quiet-harbour/north"


@pytest.mark.parametrize("claim", CLAIMS)
@pytest.mark.parametrize("way", ["mqtt", "hub"])
def test_a_mark_from_the_broker_is_the_brokers_whatever_it_claims(claim: str, way: str) -> None:
    intake = MarkIntake(lambda: 1000.0, "north", "b1")
    taken = intake.take("heard", json.dumps({"by": claim}).encode(), by=way)
    assert isinstance(taken, Mark)
    assert taken.by == way


@pytest.mark.parametrize("claim", CLAIMS)
@pytest.mark.parametrize("door", ["page", "cli"])
async def test_a_mark_by_http_is_its_doors(claim: str, door: str) -> None:
    """At the console's own socket a command may say who typed it, as cli:<name>; it is the console all the same."""
    marks: list[Mark] = []
    api = Api(BenchClock(), Bulletin(), Health(), marks.append, dict, lambda: 0.0)
    app = Doorkeeper(api.app(), by=door)
    asked = ask(app, "POST", "/api/v0/marks", JSON, json.dumps({"verb": "heard", "by": claim}).encode())
    task = asyncio.create_task(asked)
    await until(lambda: bool(marks))
    task.cancel()
    is_named = door == "cli" and claim.startswith("cli:")
    assert marks[0].by == (claim if is_named else door)


def test_a_recording_keeps_who_it_was() -> None:
    """What was recorded by an older version replays as it was."""
    assert mark_from_body(1.0, {"verb": "mix", "by": "switch"}).by == "switch"


@pytest.fixture
def paired(tmp_path: Path) -> Iterator[PairedDaemon]:
    (tmp_path / "broker").mkdir()
    with running(tmp_path / "broker") as broker:
        made = PairedDaemon(tmp_path / "bench", mqtt_port=broker.port)
        with made.started():
            made.code()
            yield made


@needs_mosquitto
async def test_no_stranger_speaks_as_the_switch_or_the_console_of_a_running_bench(paired: PairedDaemon) -> None:
    """The journal says which door each came through; a refused "switch" from the phone is not spoken."""
    bearer = {"Authorization": f"Bearer {paired.token('studio phone')}"}

    def mark(id: str, by: str) -> None:
        body = {"verb": "demolded", "mold": "nowhere", "id": id, "by": by}
        assert paired.ask("POST", "/api/v0/marks", JSON | bearer, body)[0] == 409

    for claim in ("switch", "cli:check"):
        mark(f"page-{claim}", claim)
    assert not paired.mark("demolded", mold="nowhere", id="socket", by="switch")["ok"]
    async with Phone(paired.mqtt_port or 0) as phone:
        for claim in ("switch", "cli:check"):
            body = {"mold": "nowhere", "id": f"mqtt-{claim}", "by": claim}
            phone.send(f"{ROOT}/do/demolded", json.dumps(body))
        await phone.hears(f"{ROOT}/did/demolded")

    def seen() -> dict[str, str]:
        rows = paired.rows("SELECT body FROM inputs WHERE kind = 'mark'")
        bodies = [json.loads(body)["mark"] for (body,) in rows]
        return {body["id"]: body["by"] for body in bodies}

    found = wait_for(lambda: len(seen()) == 5 and seen())
    assert found == {
        "page-switch": "page:studio phone", "page-cli:check": "page:studio phone", "socket": "cli",
        "mqtt-switch": "mqtt", "mqtt-cli:check": "mqtt",
    }  # fmt: skip
    assert not [u for u in paired.get("/api/v0/state")["said"] if "Not taken" in u["say"]]
