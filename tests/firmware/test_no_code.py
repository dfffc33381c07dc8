"""Does the bench of the board without code read what that board is told to publish, from a broker to the core?"""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import json
from pathlib import Path
from typing import Any

import pytest
from firmware.board_runs import BOARDS
from mosquitto import needs_mosquitto, running
from phone import Phone, until

from benchd.core.engine import Engine
from benchd.core.findings import SensorSilent
from benchd.core.model import Input, Line, Quality, Reading
from benchd.plugins import load_settings, make_of, watcher_plan
from benchd.runtime.clock import BenchClock

EXAMPLE = BOARDS / "no_code" / "bench.toml"
PAYLOADS: list[dict[str, Any]] = json.loads((BOARDS / "no_code" / "payloads.json").read_text("utf-8"))
T = 1_767_607_200.0
needs_values = pytest.mark.skipif(
    importlib.util.find_spec("benchd.sources.mqtt_values") is None, reason="this benchd has no source mqtt_values"
)
pytestmark = needs_values


class Inbox:
    """benchd's end of the source."""

    def __init__(self) -> None:
        self.items: list[Input] = []

    def put(self, item: Input) -> None:
        self.items.append(item)

    @property
    def lines(self) -> list[Line]:
        return [item for item in self.items if isinstance(item, Line)]


def core() -> Engine:
    made = Engine(watcher_plan)
    made.step(load_settings(EXAMPLE).context(T))
    return made


@needs_mosquitto
async def test_each_payload_becomes_its_channels_reading(tmp_path: Path) -> None:
    """103.5 psi x 6.894757 = 713.607 kPa, 42.1 psi = 290.269 kPa (NIST SP 811, appendix B.8)."""
    written: Any = load_settings(EXAMPLE).sources["board"]
    inbox = Inbox()
    with running(tmp_path) as broker:
        made = make_of("sources", "mqtt_values")
        source = made(written.model_copy(update={"port": broker.port}), "board", BenchClock(anchor_s=T + 1))
        task = asyncio.create_task(source.run(inbox))
        async with Phone(broker.port) as device:
            await until(lambda: bool(inbox.items))
            for each in PAYLOADS:
                said = each["payload"]
                device.send(each["topic"], said if isinstance(said, str) else json.dumps(said))
            await until(lambda: len(inbox.lines) >= 4)
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    engine = core()
    effects = [effect for item in sorted(inbox.items, key=lambda i: i.t) for effect in engine.step(item)]
    read = {e.channel: e.value for e in effects if isinstance(e, Reading) and e.quality is Quality.GOOD}
    assert read == {
        "room-temperature": pytest.approx(21.5), "room-humidity": pytest.approx(44.2),
        "tank-pressure": pytest.approx(713.607, abs=1e-3), "cup-1-temperature": pytest.approx(23.25),
        "barrel-pressure": pytest.approx(290.269, abs=1e-3),
    }  # fmt: skip


def test_every_channel_outlives_its_payloads_pace() -> None:
    """Each topic of the bench is one the board publishes to, and silent only after more than twice its pace."""
    paces = {each["topic"]: each["every_s"] for each in PAYLOADS}
    written: Any = load_settings(EXAMPLE).sources["board"]
    assert {value.topic for value in written.value} | {value.availability.topic for value in written.value} == set(
        paces
    )
    assert all(value.stale_after > 2 * paces[value.topic] for value in written.value)


def test_a_pot_that_is_no_longer_published_is_silent_in_five_seconds() -> None:
    engine = core()
    engine.step(Line(T + 1.0, "board", '[{"n":"pot","u":"Pa","v":290269.0}]', "workshop/bench/pot"))
    silent = {e.subject.channel for e in engine.advance(T + 12.0) if isinstance(e, SensorSilent)}
    assert "barrel-pressure" in silent
