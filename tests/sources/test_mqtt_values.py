"""Do payloads as other firmwares publish them become readings in the core's units, and all else a fault with a reason?

Shapes, from the public documentation of:
  one JSON object a device, actions and availability: the bridge of github.com/Koenkk/zigbee2mqtt, its guide "MQTT
    Topics and Messages" ({"temperature": 27.34, "humidity": 44.72}, {"action": "single"}) and "Availability"
    ({"state": "online"});
  a report of all sensors, nested, its units beside: github.com/tasmota/docs, docs/Matter.md
    ({"Time":"2023-05-28T20:04:27","SCD40":{"CarbonDioxide":618,...,"Temperature":23.8,...},"TempUnit":"C"}), null for a
    sensor that does not answer, "Online" and "Offline" as its will;
  a received radio packet: github.com/merbanan/rtl_433, JSON output ({"time":..,"model":..,"id":..,"temperature_C":..});
  a topic a number and a status topic: github.com/esphome/esphome-docs, MQTT Client Component ("online", "offline").
Unit factors: NIST SP 811, appendix B.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mosquitto import free_port, needs_mosquitto, running
from phone import Phone, until

from benchd.core.intake.wire import LIMIT_BYTES, decode
from benchd.core.model import Input, Line, Mark, Status
from benchd.runtime.clock import BenchClock
from benchd.runtime.mqtt.client import Message
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker
from benchd.sources import mqtt_values
from benchd.sources.mqtt_values import MqttValues, Settings, make
from benchd.sources.mqtt_values.payload import Misfit, at, number

REPORT = (
    '{"Time":"2023-05-28T20:04:27","SCD40":{"CarbonDioxide":618,"eCO2":623,"Temperature":23.8,"Humidity":61.1,'
    '"DewPoint":15.8},"TempUnit":"C"}'
)
PACKET = (
    '{"time":"2023-12-29 21:17:57","model":"WH31E","id":118,"channel":1,"battery_ok":1,"temperature_C":19.100,'
    '"humidity":64,"mic":"CRC"}'
)


class Inbox:
    def __init__(self) -> None:
        self.items: list[Input] = []

    def put(self, item: Input) -> None:
        self.items.append(item)

    @property
    def told(self) -> list[str]:
        return [i.line for i in self.items if isinstance(i, Line)]

    @property
    def values(self) -> dict[str, tuple[float | None, str | None]]:
        """Name -> (value, SenML unit), the last of each."""
        records = [r for line in self.told for r in decode(line, checked=False).records]
        return {name: (value, unit) for name, value, _, unit in records}

    @property
    def faults(self) -> list[str]:
        return [fault for line in self.told if (fault := decode(line, checked=False).fault)]

    @property
    def marks(self) -> list[tuple[str, str | None, str]]:
        return [(i.verb, i.pot, i.by) for i in self.items if isinstance(i, Mark)]

    @property
    def is_up(self) -> bool | None:
        return next((i.up for i in reversed(self.items) if isinstance(i, Status)), None)


def value(**keys: Any) -> dict[str, Any]:
    return {"name": "x", "topic": "a/b", "unit": "C"} | keys


def heard(payload: str | bytes, retained: bool = False, topic: str = "a/b", **keys: Any) -> Inbox:
    """The lines of one message for one value, without a broker."""
    source, inbox = make(Settings.model_validate({"value": [value(**keys)]}), "house", BenchClock()), Inbox()
    source._inbox = inbox
    source._hear(Message(topic, payload.encode() if isinstance(payload, str) else payload, retained))
    return inbox


READS = [
    ('{"battery":97,"humidity":44.72,"temperature":27.34}', {"key": "temperature"}, 27.34, "Cel"),
    ('{"battery":97,"humidity":44.72,"temperature":27.34}', {"key": "humidity", "unit": "%"}, 44.72, "%RH"),
    (REPORT, {"key": "SCD40.Temperature", "unit_key": "TempUnit"}, 23.8, "Cel"),
    (PACKET, {"key": "temperature_C"}, 19.1, "Cel"),
    ("21.4", {}, 21.4, "Cel"),
    (" 21.4\n", {}, 21.4, "Cel"),
    ("98.6", {"unit": "F"}, 37.0, "Cel"),
    ("294.15", {"unit": "K"}, 21.0, "Cel"),
    ("42", {"unit": "psi"}, 42 * 6894.757, "Pa"),
    ("1013.25", {"unit": "hPa"}, 101325.0, "Pa"),
    ("2.9", {"unit": "bar"}, 290000.0, "Pa"),
    ("1.5", {"unit": "kg"}, 1500.0, "g"),
    ("2500", {"unit": "mV"}, 2.5, "V"),
    ("12", {"unit": "mA"}, 0.012, "A"),
    ("8412", {"unit": "counts"}, 8412.0, None),
    ('{"sensors":[{"c":1.5},{"c":2.5}]}', {"key": "sensors.1.c"}, 2.5, "Cel"),
    ('{"ds18.b20":{"c":"7.5"}}', {"key": "ds18.b20"}, None, None),
    ('{"a.b":7.5}', {"key": "a.b"}, 7.5, "Cel"),
    ('{"c":"7.5"}', {"key": "c"}, 7.5, "Cel"),
]


@pytest.mark.parametrize(("payload", "keys", "expected", "unit"), READS)
def test_a_number_is_found_and_converted_once(
    payload: str, keys: dict[str, Any], expected: float | None, unit: str | None
) -> None:
    found = heard(payload, **keys).values
    assert list(found) == ([] if expected is None else ["x"])
    if expected is not None:
        assert found["x"][0] == pytest.approx(expected, rel=1e-7)
        assert found["x"][1] == unit


FAULTS = [
    ("unavailable", {}, '"unavailable" is no number'),
    ("21.4 C", {}, '"21.4 C" is no number'),
    ("21,4", {}, '"21,4" is no number'),
    ("nan", {}, '"nan" is no number'),
    ("", {"key": "c"}, None),
    ('{"Si7021":{"Temperature":null}}', {"key": "Si7021.Temperature"}, "null is no number"),
    ('{"c":true}', {"key": "c"}, "true is no number"),
    ('{"c":{"d":1}}', {"key": "c"}, "a table of d is no number"),
    ('{"c":[1]}', {"key": "c"}, "a list of 1 is no number"),
    ('{"c":1e999}', {"key": "c"}, "Infinity is no finite number"),
    ('{"temp":1}', {"key": "temperature"}, "no key temperature, only temp"),
    ('{"DHT":{"Temp":1}}', {"key": "DHT.Temperature"}, "no key Temperature in DHT, only Temp"),
    ('{"c":[1]}', {"key": "c.1"}, "no item 1 in c, which is a list of 1"),
    ('{"c":5}', {"key": "c.d"}, "no key d in c: 5 has none"),
    ("garbled", {"key": "c"}, "not JSON, so there is no c in it: garbled"),
    (REPORT.replace('"C"}', '"F"}'), {"key": "SCD40.Temperature", "unit_key": "TempUnit"}, "comes in F, not in C"),
    (b"\xff\xfe", {}, "a message that is not text"),
    ("9" * 20_000, {}, "a message of 20000 bytes, at most 16384 are read"),
    ("[" * 10_000, {"key": "c"}, "not JSON"),
    ('{"a;b":1}', {"key": "c"}, "no key c, only a,b"),
]


@pytest.mark.parametrize(("payload", "keys", "why"), FAULTS)
def test_what_is_no_number_is_a_fault_with_its_reason(
    payload: str | bytes, keys: dict[str, Any], why: str | None
) -> None:
    inbox = heard(payload, **keys)
    assert inbox.values == {}
    assert [f"x {why}" in fault for fault in inbox.faults] == ([] if why is None else [True])


def test_what_the_broker_kept_is_ignored_unless_asked_for() -> None:
    assert heard("21.4", retained=True).told == []
    source, inbox = make(Settings.model_validate({"value": [value(retained=True)]}), "house", BenchClock()), Inbox()
    source._inbox = inbox
    source._hear(Message("a/b", b"21.4", True))
    assert inbox.values == {"x": (21.4, "Cel")}


@given(st.binary(max_size=300) | st.text(max_size=200).map(str.encode))
@settings(max_examples=10, deadline=None)
def test_no_payload_breaks_it_and_every_line_is_one_the_core_reads(payload: bytes) -> None:
    for line in heard(payload).told + heard(payload, key="a.0.b").told:
        decode(line, checked=False)


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
        max_leaves=12,
    )
)
@settings(max_examples=30, deadline=None)
def test_any_json_is_a_finite_number_or_a_misfit(body: Any) -> None:
    with contextlib.suppress(Misfit):
        assert abs(number(at(json.dumps({"k": body}), "k"))) < float("inf")


def test_many_values_of_one_message_fit_into_lines_of_a_board() -> None:
    """A line has at most 512 bytes (DEVELOPERS.md, a board's line); some of these values are missing."""
    many = [value(name=f"a-long-name-of-a-channel-{n}", key=f"k{n}") for n in range(24)]
    source, inbox = make(Settings.model_validate({"value": many}), "house", BenchClock()), Inbox()
    source._inbox = inbox
    source._hear(Message("a/b", json.dumps({f"k{n}": n + 0.123456789 for n in range(20)}).encode(), False))
    assert len(inbox.values) == 20
    assert len(inbox.faults) == 4
    assert all(len(line.encode()) <= LIMIT_BYTES for line in inbox.told)


WRONG = [
    ({"value": [value(unit="furlong")]}, '"furlong" is no unit of temperature'),
    ({"value": [value(topic="a/+")]}, "one whole topic"),
    ({"value": [value(), value(topic="c")]}, 'the name "x" stands twice'),
    ({"value": [value(stale_after="30")]}, "has no unit"),
    ({}, "neither a"),
    ({"button": [{"topic": "a", "payload": "on", "verb": "vent"}]}, "must be one of mix"),
    ({"value": [value(colour="red")]}, "Extra inputs"),
]


@pytest.mark.parametrize(("written", "why"), WRONG)
def test_wrong_settings_are_refused_with_a_remedy(written: dict[str, Any], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Settings.model_validate(written)


# -------------------------------------------------------------------------------------------------- at real brokers

DEVICE = {
    "value": [
        value(name="room", topic="radio/air", key="temperature",
              availability={"topic": "radio/air/availability", "key": "state"}),
        value(name="tank", topic="tele/tank/SENSOR", key="DS18B20.Temperature",
              availability={"topic": "tele/tank/LWT", "here": "Online", "gone": "Offline"}),
    ],
    "button": [
        {"topic": "radio/knob", "key": "action", "payload": "single", "verb": "heard"},
        {"topic": "radio/knob", "key": "action", "payload": "double", "verb": "shut", "pot": "barrel"},
        {"topic": "plain/knob", "payload": "PRESS", "verb": "repeat"},
    ],
}  # fmt: skip


@contextlib.asynccontextmanager
async def hearing(port: int, **login: Any) -> AsyncIterator[tuple[MqttValues, Inbox]]:
    source, inbox = make(Settings.model_validate(DEVICE | {"port": port} | login), "house", BenchClock()), Inbox()
    task = asyncio.create_task(source.run(inbox))
    try:
        await until(lambda: inbox.is_up is not None)
        yield source, inbox
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@needs_mosquitto
async def test_through_mosquitto_values_presses_and_presence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_values, "FAULT_EVERY_S", 0.03)
    with running(tmp_path) as broker:
        async with Phone(broker.port) as device:
            device.send("radio/air", '{"temperature": 99.0}', retain=True)
            device.send("radio/knob", '{"action": "single"}', retain=True)
            device.send("tele/tank/LWT", "Offline", retain=True)
            await device.hears("tele/tank/LWT")
            async with hearing(broker.port) as (source, inbox):
                await until(lambda: inbox.faults.count("tank says it is gone") >= 3)
                assert (source.retained, inbox.values, inbox.marks) == (1, {}, [])
                assert "retained" in source.why
                device.send("tele/tank/LWT", "Online", retain=True)
                device.send("tele/tank/SENSOR", '{"DS18B20":{"Id":"01","Temperature":31.5},"TempUnit":"C"}')
                device.send("radio/air", '{"battery":97,"temperature":21.5}')
                for action in ("single", "", "double", "hold"):
                    device.send("radio/knob", json.dumps({"action": action}))
                device.send("plain/knob", "PRESS")
                await until(lambda: len(inbox.marks) == 3)
                assert inbox.values == {"room": (21.5, "Cel"), "tank": (31.5, "Cel")}
                assert inbox.marks == [
                    ("heard", None, "button"), ("shut", "barrel", "button"), ("repeat", None, "button"),
                ]  # fmt: skip
                faults = len(inbox.faults)
                device.send("radio/air/availability", '{"state":"offline"}')
                await until(lambda: inbox.faults[faults:].count("room says it is gone") >= 2)
                assert not any("tank" in fault for fault in inbox.faults[faults:])
                broker.stop()
                await until(lambda: inbox.is_up is False)


async def test_at_the_embedded_broker() -> None:
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        login = {"username": broker.username, "password_file": broker.password_file}
        password = broker.password_file.read_text("utf-8")
        async with (
            Phone(broker.port, broker.username, password, topic_filter="nothing/here") as device,
            hearing(broker.port, **login) as (_, inbox),
        ):
            device.send("radio/air", '{"temperature": 21.5}')
            await until(lambda: inbox.values == {"room": (21.5, "Cel")})
            device.send("radio/air", '{"temperature": "off"}')
            await until(lambda: inbox.faults == ['room "off" is no number'])
