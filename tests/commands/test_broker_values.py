"""Can a maker find topic and key of a sensor at the broker, and does `check` say whether its form is right?

Payload shapes as in tests/sources/test_mqtt_values.py, with its sources.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mosquitto import free_port, needs_mosquitto, running
from phone import Phone

from benchd.cli import main
from benchd.commands._numbers import numbers
from benchd.commands.check import values
from benchd.plugins import load_settings
from benchd.sources.mqtt_values import Settings
from benchd.sources.mqtt_values.payload import Misfit, at, number

REPORT = '{"Time":"2026-01-05T20:04:27","SCD40":{"CarbonDioxide":618,"Temperature":23.8},"TempUnit":"C"}'


@needs_mosquitto
async def test_lines_show_every_number_at_a_broker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with running(tmp_path) as broker:
        async with Phone(broker.port) as device:
            device.send("tele/shelf/SENSOR", REPORT, retain=True)
            device.send("shelf/sensor/tank/state", "87.25", retain=True)
            device.send("radio/air/availability", '{"state":"online"}', retain=True)
            await device.hears("radio/air/availability")
            code = await asyncio.to_thread(main, ["lines", "--broker", f"127.0.0.1:{broker.port}", "--for", "0.6"])
    shown = capsys.readouterr().out
    assert code == 0
    assert "tele/shelf/SENSOR SCD40.Temperature 23.8" in shown
    assert "shelf/sensor/tank/state 87.25" in shown
    assert "availability" not in shown


@pytest.mark.wide
@needs_mosquitto
async def test_init_makes_a_bench_of_what_is_published(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home = tmp_path / "home"
    with running(tmp_path) as broker:
        async with Phone(broker.port) as device:
            device.send("tele/shelf/SENSOR", REPORT, retain=True)
            device.send("radio/air", '{"battery": 97, "humidity": 44.7, "temperature": 21.3, "pressure": 1003}', True)
            await device.hears("radio/air")
            arguments = ["init", str(home), "--values", f"127.0.0.1:{broker.port}", "--listen", "0.6", "--yes"]
            code = await asyncio.to_thread(main, [*arguments, "--broker", "none", "--shop", "Quiet Harbour"])
    assert code == 0, capsys.readouterr().err
    bench = load_settings(home / "bench.toml")
    assert {c.role for c in bench.bench.channels} == {"room_temperature", "room_humidity", "barometer"}
    source = bench.sources["board"]
    assert isinstance(source, Settings)
    assert {(v.topic, v.key, v.unit) for v in source.value} >= {
        ("radio/air", "humidity", "%"), ("radio/air", "pressure", "mbar"),
    }  # fmt: skip


async def test_lines_without_that_broker_say_so(capsys: pytest.CaptureFixture[str]) -> None:
    code = await asyncio.to_thread(main, ["lines", "--broker", f"127.0.0.1:{free_port()}", "--for", "0.3"])
    assert code == 1
    assert "refused" in capsys.readouterr().err.lower()


@given(st.dictionaries(st.text("ab.", min_size=1, max_size=3), st.floats(allow_nan=False) | st.text(max_size=5)))
@settings(max_examples=20, deadline=None)
def test_what_lines_show_is_what_a_value_reads(body: dict[str, Any]) -> None:
    text = json.dumps(body)
    for key, value in numbers(text.encode()):
        try:
            found = number(at(text, key))
        except Misfit:
            continue  # a text that only Python calls a number, such as "1_0"
        assert found == value


@needs_mosquitto
async def test_check_says_whether_a_value_has_its_form(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(values, "LISTEN_S", 0.3)
    written: list[dict[str, Any]] = [
        {"name": "room", "topic": "tele/shelf/SENSOR", "key": "SCD40.Temperature", "unit": "C"},
        {"name": "rh", "topic": "tele/shelf/SENSOR", "key": "SCD40.Humidity", "unit": "%"},
        {"name": "tank", "topic": "tank", "unit": "psi"},
    ]
    with running(tmp_path) as broker:
        async with Phone(broker.port) as device:
            device.send("tele/shelf/SENSOR", REPORT, retain=True)
            await device.hears("tele/shelf/SENSOR")
            found = await values.heard(Settings.model_validate({"port": broker.port, "value": written}))
    assert found == {
        "room": ("", "23.8 Cel"),
        "rh": ("no key Humidity in SCD40, only CarbonDioxide, Temperature; look at its key and unit", ""),
    }
