"""Would a home hub take our discovery message, and see what it must and nothing stale?  Against mosquitto.

The tables below are the hub's published discovery form as of early 2026, typed in by hand: which keys it takes at root,
in `device` and `origin`, which a component may have, and which class goes with which unit.  Unknown keys at root or in
`device` make the hub refuse the whole message silently; in a component it drops them, which we take for a fault too.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from mosquitto import Mosquitto, free_port, needs_mosquitto, running
from outlet_tools import Bench, leak
from phone import Phone, until

from benchd.core.findings import DemoldReady, Kicked, RoomDamp
from benchd.core.model import Card, Quality, Reading, Subject
from benchd.outlets import hub_discovery
from benchd.outlets.hub_discovery import HubOutlet, Settings, make
from benchd.outlets.hub_discovery.payload import iso

ROOT = "benchd/v0/quiet-harbour/north/hub"
CONFIG = "homeassistant/device/quiet-harbour-north/config"

ROOT_KEYS = {"device", "origin", "components", "availability", "availability_mode", "availability_topic",
             "payload_available", "payload_not_available", "state_topic", "command_topic", "qos"}  # fmt: skip
DEVICE_KEYS = {"identifiers", "connections", "manufacturer", "model", "model_id", "name", "hw_version",
               "serial_number", "sw_version", "via_device", "suggested_area", "configuration_url"}  # fmt: skip
ORIGIN_KEYS = {"name", "sw_version", "support_url"}
COMMON = {"platform", "unique_id", "name", "qos", "availability", "availability_mode", "default_entity_id", "icon",
          "entity_category", "enabled_by_default", "json_attributes_topic", "json_attributes_template"}  # fmt: skip
OF_PLATFORM = {
    "sensor": {"state_topic", "value_template", "device_class", "unit_of_measurement", "state_class", "expire_after",
               "options", "suggested_display_precision"},
    "binary_sensor": {"state_topic", "value_template", "device_class", "payload_on", "payload_off", "expire_after"},
    "button": {"command_topic", "payload_press", "retain", "device_class"},
    "event": {"state_topic", "value_template", "event_types", "device_class"},
}  # fmt: skip
UNITS = {"temperature": {"°C", "°F", "K"}, "pressure": {"Pa", "hPa", "kPa", "bar", "psi"}, "humidity": {"%"},
         "duration": {"s", "min"}}  # fmt: skip
CLASSES = {"sensor": {*UNITS, "timestamp", "enum"}, "binary_sensor": {"problem", "moisture"}}


def complaints(message: dict[str, Any], topic: str = CONFIG) -> list[str]:
    """What the hub would refuse or drop in a device message."""
    found = [f"root: {key}" for key in message if key not in ROOT_KEYS]
    found += [f"device: {key}" for key in message.get("device", {}) if key not in DEVICE_KEYS]
    found += [f"origin: {key}" for key in message.get("origin", {}) if key not in ORIGIN_KEYS]
    found += [] if message.get("origin", {}).get("name") else ["origin: no name"]
    device = message.get("device", {})
    found += [] if device.get("identifiers") or device.get("connections") else ["device: no identifiers"]
    found += [] if re.fullmatch(r"[A-Za-z0-9_-]+", topic.split("/")[2]) else ["topic: object id"]
    for key, component in message.get("components", {}).items():
        found += [] if set(component) == {"platform"} else [f"{key}: {what}" for what in of_component(component)]
    ids = [c["unique_id"] for c in message.get("components", {}).values() if "unique_id" in c]
    return found + ([] if len(ids) == len(set(ids)) else ["the same unique_id twice"])


def of_component(component: dict[str, Any]) -> list[str]:
    platform = component.get("platform", "")
    found = [key for key in component if key not in COMMON | OF_PLATFORM.get(platform, set())]
    found += ["no unique_id"] if not re.fullmatch(r"[A-Za-z0-9_-]+", component.get("unique_id", "")) else []
    found += ["no qos"] if component.get("qos") not in (0, 1) else []
    found += ["two availabilities"] if {"availability", "availability_topic"} <= set(component) else []
    found += ["wildcard"] if re.search(r"[+#]", component.get("command_topic", "")) else []
    found += ["entity id"] if not component.get("default_entity_id", "").startswith(f"{platform}.") else []
    kind = component.get("device_class")
    found += [f"class {kind}"] if kind is not None and kind not in CLASSES.get(platform, set()) else []
    found += ["unit"] if kind in UNITS and component.get("unit_of_measurement") not in UNITS[kind] else []
    found += ["state_class"] if kind in ("timestamp", "enum", "duration") and "state_class" in component else []
    found += ["no options"] if kind == "enum" and not component.get("options") else []
    found += ["retained command"] if platform == "button" and component.get("retain") is not False else []
    found += ["typed text in a template"] if not re.fullmatch(
        r"(\{\{ value_json\.[a-z_]+ \}\})?", component.get("value_template", "")
    ) else []  # fmt: skip
    return found


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running(tmp_path) as started:
        yield started


def bench() -> Bench:
    made = Bench()
    made.about |= {
        "name": "North bench {{ 7 * 7 }}",
        "probes": [{"id": "board", "up": True}],
        "channels": {
            "cup-1-temperature": {"role": "cup_temperature", "of": "cup-1", "source": "board"},
            "barrel-pressure": {"role": "pot_pressure", "of": "barrel", "source": "board"},
            "room-humidity": {"role": "room_humidity", "of": "", "source": "board"},
            "room-temperature": {"role": "room_temperature", "of": "", "source": "board"},
            "scale": {"role": "scale", "of": "", "source": "board"},
        },
        "molds": ["M02", "M05"],
    }
    return made


@contextlib.asynccontextmanager
async def outlet_running(bench: Bench, port: int, **more: Any) -> AsyncIterator[HubOutlet]:
    outlet = make(Settings(port=port, every_s=1.0, **more), bench.tools)
    task = asyncio.create_task(outlet.run())
    try:
        yield outlet
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def tell_load(bench: Bench, now: float) -> None:
    pot = {"phase": "isolated", "reads": "pressurised", "hold_at": now + 300.0, "basis": "measured"}
    kick = {"at": now + 60.0, "early": now + 50.0, "late": now + 70.0, "basis": "curve", "found": False}
    bench.tell(
        Card(t=now, of="pot", id="barrel", body=pot),
        Card(t=now, of="pour", id="cup-1", body={"phase": "standing", "kick": kick}),
        Card(t=now, of="mold", id="m02", body={"phase": "curing", "green_at": None, "hard_at": [now, now + 9.0, now]}),
        leak(now, code="pot-leaking-slowly"),
    )


def test_the_checker_knows_what_the_hub_refuses() -> None:
    good = HubOutlet(Settings(), bench().tools).payload.device({})
    assert complaints(good) == []
    assert complaints(good | {"colour": 1}) == ["root: colour"]
    assert complaints(good | {"~": "benchd"}) == ["root: ~"]
    assert complaints(good | {"device": good["device"] | {"colour": 1}}) == ["device: colour"]
    assert complaints(good | {"origin": {}}) == ["origin: no name"]
    assert complaints(good | {"device": {}}) == ["device: no identifiers"]
    one = good["components"]["leak-barrel"]
    for spoiled in ({"object_id": "x"}, {"availability_topic": "x"}, {"device_class": "safety"}, {"qos": None},
                    {"unique_id": "a b"}, {"value_template": "{{ value_json['Heron'] }}"}):  # fmt: skip
        assert len(complaints({**good, "components": {"leak": one | spoiled}})) >= 1, spoiled


def test_the_message_names_every_quantity_of_the_bench_once() -> None:
    parts = HubOutlet(Settings(), bench().tools).payload.components()
    kinds = {key: (c["platform"], c.get("device_class"), c.get("state_class")) for key, c in parts.items()}
    assert kinds["read-cup-1-temperature"] == ("sensor", "temperature", "measurement")
    assert kinds["read-barrel-pressure"] == ("sensor", "pressure", "measurement")
    assert kinds["read-room-humidity"] == ("sensor", "humidity", "measurement")
    assert kinds["left-barrel"] == ("sensor", "duration", None)
    assert kinds["hold-barrel"] == kinds["kick-cup-1"] == kinds["ready-m02"] == ("sensor", "timestamp", None)
    assert kinds["phase-barrel"] == kinds["phase-cup-1"] == ("sensor", "enum", None)
    assert kinds["leak-barrel"] == kinds["fault-barrel-pressure"] == ("binary_sensor", "problem", None)
    assert kinds["reads-barrel"] == ("sensor", None, None)
    assert kinds["damp"] == ("binary_sensor", "moisture", None)
    assert kinds["event-kick-cup-1"] == kinds["event-ready"] == ("event", None, None)
    assert {key for key in kinds if key.startswith("do-")} == {"do-heard", "do-poured", "do-kicked", "do-repeat"}
    assert "read-scale" not in kinds


def test_what_expires_is_no_state_and_what_stands_never_expires() -> None:
    """expire_after is 3 to 5 periods, and only on what is not retained."""
    parts = HubOutlet(Settings(every_s=10.0), bench().tools).payload.components()
    for key, part in parts.items():
        expires = part.get("expire_after")
        assert (expires is not None) == part.get("state_topic", "").startswith(f"{ROOT}/read/"), key
        assert expires is None or 30 <= expires <= 50


@needs_mosquitto
async def test_the_hub_finds_the_device_its_state_and_its_availability(broker: Mosquitto) -> None:
    made = bench()
    now = made.tools.clock.now()
    tell_load(made, now)
    async with outlet_running(made, broker.port) as outlet:
        await asyncio.wait_for(outlet.link.ready(), 5)
        async with Phone(broker.port) as hub:  # it comes later: all it needs is retained
            device = (await hub.hears(CONFIG))[0]
            assert complaints(device) == []
            assert device["device"]["name"] == "North bench {{ 7 * 7 }}"
            assert len(json.dumps(device)) > 4096  # larger than any message of benchd's own tree
            assert (await hub.hears(f"{ROOT}/up")) == ["here"]
            assert (await hub.hears(f"{ROOT}/probe/board/up")) == ["here"]
            pot = (await hub.hears(f"{ROOT}/state/pot-barrel"))[0]
            assert pot == {"phase": "isolated", "reads": "pressurised", "leak": "ON", "ready_at": iso(now + 300.0)}
            cup = (await hub.hears(f"{ROOT}/state/cup-cup-1"))[0]
            assert cup == {"phase": "standing", "kick_at": iso(now + 60.0)}
            assert (await hub.hears(f"{ROOT}/state/mold-m02"))[0] == {"ready_at": iso(now + 9.0)}
            assert (await hub.hears(f"{ROOT}/state/mold-m05"))[0] == {"ready_at": None}
            assert (await hub.hears(f"{ROOT}/state/alarm"))[0] == {"text": "Leaking."}
            for part in device["components"].values():  # nothing is announced that is never published
                topic = part.get("state_topic", "")
                assert not topic.startswith(f"{ROOT}/state/") or await hub.hears(topic)
            made.about["probes"] = [{"id": "board", "up": False}]
            await until(lambda: hub.on(f"{ROOT}/probe/board/up")[-1] == "gone")
    async with Phone(broker.port) as hub:
        assert await hub.hears(f"{ROOT}/up") == ["gone"]


@needs_mosquitto
async def test_readings_and_events_are_never_retained(broker: Mosquitto) -> None:
    made = bench()
    now = made.tools.clock.now()
    tell_load(made, now)
    async with Phone(broker.port) as hub, outlet_running(made, broker.port) as outlet:
        await asyncio.wait_for(outlet.link.ready(), 5)
        cup = Subject(bench="north", cup="cup-1", mold="m02")
        made.tell(
            Reading(now, "cup-1-temperature", "cup_temperature", "cup-1", 61.237, 61.237),
            Reading(now, "barrel-pressure", "pot_pressure", "barrel", None, None, Quality.FAULT, "open"),
            Kicked(t=now, subject=cup, at=now, early=now - 4, late=now + 4, temp_c=70.0, basis="curve"),
            DemoldReady(t=now, subject=cup, mold="m02", stage="hard", limit="thin"),
            RoomDamp(t=now, subject=cup, rh_pct=56.0, dew_point_c=14.0, pot_dew_point_c=None, pot_rh_pct=None,
                     basis="measured", active=True, level="warn"),
        )  # fmt: skip
        assert (await hub.hears(f"{ROOT}/read/cup-1-temperature"))[0] == {"value": 61.24}
        assert (await hub.hears(f"{ROOT}/read/left-barrel"))[0]["value"] == pytest.approx(299, abs=3)
        kick = (await hub.hears(f"{ROOT}/event/kick-cup-1"))[0]
        assert kick == {"event_type": "kick", "at": iso(now), "basis": "curve"}
        assert (await hub.hears(f"{ROOT}/event/ready"))[0]["event_type"] == "hard"
        await until(lambda: hub.on(f"{ROOT}/state/bench")[-1:] == [{"damp": "ON"}])
        await until(lambda: hub.on(f"{ROOT}/state/fault-barrel-pressure")[-1:] == [{"fault": "ON"}])
        assert hub.on(f"{ROOT}/read/barrel-pressure") == []
        async with Phone(broker.port) as later:
            await later.hears(f"{ROOT}/state/bench")
            kept = [topic for topic, _, retained in later.heard if retained]
    assert [t for t in kept if "/read/" in t or "/event/" in t] == []


@pytest.mark.wide
@needs_mosquitto
async def test_a_storm_of_fifty_births_is_answered_at_most_twice(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 11, with the wait of 1 to 10 s shortened to 0.2 to 0.4 s."""
    assert hub_discovery.BIRTH_WAIT_S == (1.0, 10.0)
    monkeypatch.setattr(hub_discovery, "BIRTH_WAIT_S", (0.2, 0.4))
    made = bench()
    async with Phone(broker.port) as hub, outlet_running(made, broker.port) as outlet:
        await asyncio.wait_for(outlet.link.ready(), 5)
        assert len(await hub.hears(CONFIG)) == 1
        hub.send("homeassistant/status", "offline", qos=0)
        await asyncio.sleep(0.6)
        assert outlet.resends == 0
        for _ in range(50):
            hub.send("homeassistant/status", "online", qos=0)
            await asyncio.sleep(0.005)
        await until(lambda: outlet.resends >= 1)
        await asyncio.sleep(1.0)
        assert outlet.resends <= 2
        assert len(hub.on(CONFIG)) == 1 + outlet.resends
        assert len(hub.on(f"{ROOT}/state/pot-barrel")) == 1 + outlet.resends
        assert hub.on(f"{ROOT}/up") == ["here"] * (1 + outlet.resends)


@needs_mosquitto
async def test_what_the_bench_no_longer_has_is_removed(broker: Mosquitto) -> None:
    """A component with only its platform means: remove it; its state is emptied."""
    made = bench()
    async with Phone(broker.port) as hub:
        async with outlet_running(made, broker.port) as outlet:
            await asyncio.wait_for(outlet.link.ready(), 5)
            assert "ready-m05" in (await hub.hears(CONFIG))[0]["components"]
        made.about["molds"] = ["M02"]
        async with outlet_running(made, broker.port):
            await until(lambda: hub.on(CONFIG)[-1]["components"].get("ready-m05") == {"platform": "sensor"})
            assert complaints(hub.on(CONFIG)[-1]) == []
            await until(lambda: hub.on(f"{ROOT}/state/mold-m05")[-1] == "")
            assert "unique_id" in hub.on(CONFIG)[-1]["components"]["ready-m02"]
        async with outlet_running(made, broker.port) as outlet:
            await asyncio.wait_for(outlet.link.ready(), 5)
            await until(lambda: "ready-m05" not in hub.on(CONFIG)[-1]["components"])
        async with outlet_running(made, broker.port, remove=True) as outlet:
            await until(lambda: hub.on(CONFIG)[-1] == "")


@needs_mosquitto
@pytest.mark.parametrize("garbage", ["[]", "garbled", '{"components": [1]}', '{"components": {"x": {"unique_id": 1}}}'])
async def test_a_garbled_former_message_does_no_harm(broker: Mosquitto, garbage: str) -> None:
    async with Phone(broker.port) as hub:
        hub.send(CONFIG, garbage, retain=True)
        await hub.hears(CONFIG)
        async with outlet_running(bench(), broker.port) as outlet:
            assert complaints((await hub.hears(CONFIG, most=2))[1]) == []
            assert outlet.link.counts.handler_errors == 0


@needs_mosquitto
async def test_buttons_are_marks_and_a_retained_one_is_refused(broker: Mosquitto) -> None:
    made = bench()
    async with Phone(broker.port) as hub:
        hub.send(f"{ROOT}/do/poured", "{}", retain=True)
        async with outlet_running(made, broker.port) as outlet:
            await asyncio.wait_for(outlet.link.ready(), 5)
            for verb in ("heard", "end", "mix"):
                hub.send(f"{ROOT}/do/{verb}", "{}")
            await until(lambda: bool(made.marks))
            await asyncio.sleep(0.2)
            assert [(m.verb, m.by) for m in made.marks] == [("heard", "hub")]
            assert "poured not taken: retained" in made.tools.health.last_error
            assert outlet.link.counts.handler_errors == 0


@needs_mosquitto
async def test_a_long_alarm_text_stays_a_state_the_hub_can_hold(broker: Mosquitto) -> None:
    made = bench()
    alert = leak(1.0)
    long = type(alert)(**{f: getattr(alert, f) for f in alert.__dataclass_fields__} | {"text": "x" * 400})
    made.tell(long)
    async with Phone(broker.port) as hub, outlet_running(made, broker.port):
        assert len((await hub.hears(f"{ROOT}/state/alarm"))[0]["text"]) == 255
        assert len((await hub.hears(f"{ROOT}/state/alarms"))[0]["alarms"][0]["text"]) == 400


async def test_without_a_broker_it_waits() -> None:
    made = bench()
    async with outlet_running(made, free_port()):
        await asyncio.sleep(0.3)
    assert "refused" in made.tools.health.last_error.lower()
