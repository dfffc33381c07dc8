"""Would a home hub take our discovery message, and see what it must and nothing stale?  Against mosquitto.

What the hub takes is typed into hub_contract.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import lzma
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hub_contract import all_complaints, complaints, of_payload
from mosquitto import Mosquitto, free_port, needs_mosquitto, running
from outlet_tools import Bench, leak, run, word
from phone import Phone, until

from benchd.core.bench import Channel, Mold
from benchd.core.engine import Engine
from benchd.core.findings import DemoldReady, Kicked, RoomDamp
from benchd.core.format.record import read_recording
from benchd.core.model import Alert, Card, Quality, Reading, Subject
from benchd.outlets import hub_discovery
from benchd.outlets.hub_discovery import HubOutlet, Settings, make
from benchd.outlets.hub_discovery.payload import DEVICE_MOST_BYTES, SAID_TYPES
from benchd.outlets.hub_discovery.states import iso
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.bulletin import Posted
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker

BENCH = load_settings(Path(__file__).parents[2] / "config" / "bench.toml").bench
ROOT = "benchd/v0/quiet-harbour/north/hub"
CONFIG = "homeassistant/device/quiet-harbour-north/config"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running(tmp_path) as started:
        yield started


def bench() -> Bench:
    """The invented studio with two molds and a scale."""
    made = Bench()
    scale = Channel(id="scale", source="board", senml="b1-scale", role="scale")
    molds = tuple(mold for mold in BENCH.molds if mold.code in ("M02", "M05"))
    made.config = replace(BENCH, name="North bench {{ 7 * 7 }}", channels=(*BENCH.channels, scale), molds=molds)
    made.about |= {"probes": [{"id": "board", "up": True}]}
    return made


@contextlib.asynccontextmanager
async def outlet_running(bench: Bench, port: int, **more: Any) -> AsyncIterator[HubOutlet]:
    settings = Settings(port=port, **more).model_copy(update={"every_s": 0.2})  # sooner than a person may ask for
    async with run(make(settings, bench.tools)) as outlet:
        yield outlet


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
    assert complaints(good, CONFIG) == []
    assert complaints(good | {"colour": 1}, CONFIG) == ["root: colour"]
    assert complaints(good | {"~": "benchd"}, CONFIG) == ["root: ~"]
    assert complaints(good | {"device": good["device"] | {"colour": 1}}, CONFIG) == ["device: colour"]
    assert complaints(good | {"origin": {}}, CONFIG) == ["origin: no name"]
    assert complaints(good | {"device": {}}, CONFIG) == ["device: no identifiers"]
    assert complaints(good | {"availability_topic": "x"}, CONFIG) == ["two availabilities"]
    one = good["components"]["leak-barrel"]
    for spoiled in ({"object_id": "x"}, {"device_class": "safety"}, {"qos": None}, {"entity_category": "other"},
                    {"unique_id": "a b"}, {"value_template": "{{ value_json['Heron'] }}"}):  # fmt: skip
        assert len(complaints({**good, "components": {"leak": one | spoiled}}, CONFIG)) >= 1, spoiled
    for payload, why in (('{"leak":"yes"}', "neither on nor off: yes"), ("{}", "no leak"), ('{"leak":null}', "")):
        assert of_payload(one, payload) == why


def test_the_message_names_every_quantity_of_the_bench_once() -> None:
    parts = HubOutlet(Settings(), bench().tools).payload.components()
    kinds = {key: (c["platform"], c.get("device_class"), c.get("state_class")) for key, c in parts.items()}
    assert kinds["read-cup-1-temperature"] == ("sensor", "temperature", "measurement")
    assert kinds["read-barrel-pressure"] == ("sensor", "pressure", "measurement")
    assert kinds["read-room-humidity"] == ("sensor", "humidity", "measurement")
    assert kinds["read-scale"] == ("sensor", "weight", "measurement")
    assert kinds["left-barrel"] == ("sensor", "duration", None)
    assert kinds["hold-barrel"] == kinds["kick-cup-1"] == kinds["ready-m02"] == ("sensor", "timestamp", None)
    assert kinds["phase-barrel"] == kinds["phase-cup-1"] == ("sensor", "enum", None)
    assert kinds["leak-barrel"] == kinds["fault-barrel-pressure"] == ("binary_sensor", "problem", None)
    assert kinds["alarm-active"] == kinds["log"] == ("binary_sensor", "problem", None)
    assert kinds["reads-barrel"] == ("sensor", None, None)
    assert kinds["damp"] == ("binary_sensor", "moisture", None)
    assert kinds["event-kick-cup-1"] == kinds["event-ready"] == kinds["event-said"] == ("event", None, None)
    assert {key for key in kinds if key.startswith("do-")} == {
        "do-heard", "do-poured", "do-kicked", "do-repeat", "do-undo", "do-leaving", "do-prepared", "do-mix-cup-1",
        "do-shut-barrel", "do-out-m02", "do-out-m05",
    }  # fmt: skip


def test_names_units_and_places_are_the_benchs_own() -> None:
    made = bench()
    parts = HubOutlet(Settings(), made.tools).payload.components()
    assert parts["read-barrel-pressure"]["unit_of_measurement"] == "psi"
    assert parts["read-cup-1-temperature"]["unit_of_measurement"] == "°C"
    assert parts["read-cup-1-temperature"]["suggested_display_precision"] == 1
    names = {key: parts[key]["name"] for key in ("read-cup-1-temperature", "phase-barrel", "ready-m02", "do-out-m05")}
    assert names == {
        "read-cup-1-temperature": "Witness cup temperature", "phase-barrel": "Barrel phase",
        "ready-m02": "Keeper arms M02 ready at", "do-out-m05": "Heron legs M05 out",
    }  # fmt: skip
    made.config = replace(made.config, pressure_unit="bar", temperature_unit="F")
    parts = HubOutlet(Settings(), made.tools).payload.components()
    assert parts["read-barrel-pressure"]["unit_of_measurement"] == "bar"
    assert parts["read-room-temperature"]["unit_of_measurement"] == "°F"
    assert {key for key, c in parts.items() if c.get("entity_category") == "diagnostic"} == {
        "log", "trouble", *(f"fault-{c.id}" for c in made.config.channels),
    }  # fmt: skip


def test_the_page_is_the_configuration_address() -> None:
    made = bench()
    assert "configuration_url" not in HubOutlet(Settings(), made.tools).payload.device({})["device"]
    tools = replace(made.tools, page_url="https://bench.lan:8127")
    device = HubOutlet(Settings(), tools).payload.device({})
    assert device["device"]["configuration_url"] == "https://bench.lan:8127"
    assert complaints(device, CONFIG) == []


@pytest.mark.parametrize(("count", "shown"), [(8, "whole"), (60, "whole"), (109, "times"), (300, "none")])
def test_many_molds_fit_or_are_left_out_and_said(count: int, shown: str) -> None:
    """A message of more than 64 kB would not come back to us, and a broker may refuse it."""
    made = bench()
    molds = [replace(BENCH.molds[0], id=f"m{n:03}", code=f"M{n:03}", name=f"Heron {n}") for n in range(count)]
    made.config = replace(made.config, molds=tuple(molds))
    payload = HubOutlet(Settings(), made.tools).payload
    message, has = payload.message({})
    assert has == shown
    assert len(message.encode()) <= DEVICE_MOST_BYTES
    assert (has == "whole") == (len(json.dumps(payload.device({}), separators=(",", ":"))) <= DEVICE_MOST_BYTES)
    assert ("ready-m001" in message, "do-out-m001" in message) == (has != "none", has == "whole")
    assert complaints(json.loads(message), CONFIG) == []
    without, has_none = HubOutlet(Settings(molds=False), made.tools).payload.message({})
    assert has_none == "none"
    assert len(without.encode()) < 20_000


def test_a_retired_mold_is_not_shown() -> None:
    made = bench()
    old: Mold = replace(made.config.molds[0], retired=True)
    made.config = replace(made.config, molds=(old,))
    assert "ready-m02" not in HubOutlet(Settings(), made.tools).payload.components()


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
        await asyncio.wait_for(outlet.link.ready(), 30)
        async with Phone(broker.port) as hub:  # it comes later: all it needs is retained
            device = (await hub.hears(CONFIG))[0]
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
            assert (await hub.hears(f"{ROOT}/state/alarm"))[0] == {"text": "Leaking.", "active": "ON"}
            for part in device["components"].values():  # nothing is announced that is never published
                topic = part.get("state_topic", "")
                assert not topic.startswith(f"{ROOT}/state/") or await hub.hears(topic)
            made.about["probes"] = [{"id": "board", "up": False}]
            await until(lambda: hub.on(f"{ROOT}/probe/board/up")[-1] == "gone")
            assert all_complaints(hub.heard, CONFIG, ROOT) == []
    async with Phone(broker.port) as hub:
        assert await hub.hears(f"{ROOT}/up") == ["gone"]


@needs_mosquitto
async def test_at_a_start_nothing_is_a_problem_until_it_is_known(broker: Mosquitto) -> None:
    """null is the hub's "unknown": no false problem, no false all-well."""
    made = bench()
    async with Phone(broker.port) as hub, outlet_running(made, broker.port):
        for channel in made.config.channels:
            assert await hub.hears(f"{ROOT}/state/fault-{channel.id}") == [{"fault": None}]
        assert (await hub.hears(f"{ROOT}/state/pot-barrel"))[0]["leak"] is None
        assert (await hub.hears(f"{ROOT}/state/bench"))[0] == {
            "damp": None, "log": "OFF", "trouble": None, "watch": "nobody",
        }  # fmt: skip
        assert (await hub.hears(f"{ROOT}/read/barrel-pressure"))[0] == {"value": None}
        assert (await hub.hears(f"{ROOT}/read/left-barrel"))[0] == {"value": None}
        now = made.tools.clock.now()
        made.tell(Reading(now, "room-humidity", "room_humidity", "", 44.0, 44.0))
        await until(lambda: hub.on(f"{ROOT}/state/bench")[-1]["damp"] == "OFF")
        await until(lambda: hub.on(f"{ROOT}/state/fault-room-humidity")[-1] == {"fault": "OFF"})
        silent = Subject(bench="north", channel="scale")
        made.tell(Alert(t=now, alert="sensor-silent", active=True, heard=False, priority=2, subject=silent))
        await until(lambda: hub.on(f"{ROOT}/state/fault-scale")[-1] == {"fault": "ON"})
        assert all_complaints(hub.heard, CONFIG, ROOT) == []


@needs_mosquitto
async def test_readings_and_events_are_never_retained(broker: Mosquitto) -> None:
    """42 psi x 6.894757 = 289.58 kPa (NIST SP 811); what is at fault, or too old, is null."""
    made = bench()
    now = made.tools.clock.now()
    tell_load(made, now)
    async with Phone(broker.port) as hub, outlet_running(made, broker.port) as outlet:
        await asyncio.wait_for(outlet.link.ready(), 30)
        cup = Subject(bench="north", cup="cup-1", mold="m02")
        made.tell(
            Reading(now, "cup-1-temperature", "cup_temperature", "cup-1", 61.2371, 61.2371),
            Reading(now, "barrel-pressure", "pot_pressure", "barrel", 289.58, 289.58),
            Reading(now - 60.0, "room-temperature", "room_temperature", "", 21.0, 21.0),
            Reading(now, "room-humidity", "room_humidity", "", None, None, Quality.FAULT, "open"),
            Kicked(t=now, subject=cup, at=now, early=now - 4, late=now + 4, temp_c=70.0, basis="curve"),
            DemoldReady(t=now, subject=cup, mold="m02", stage="hard", limit="thin"),
            RoomDamp(t=now, subject=cup, rh_pct=56.0, dew_point_c=14.0, pot_dew_point_c=None, pot_rh_pct=None,
                     basis="measured", active=True, level="warn"),
            replace(word(now), code="lid-now"),
            replace(word(now, "Load one is away."), code="unheard-of"),
        )  # fmt: skip
        assert (await hub.hears(f"{ROOT}/read/cup-1-temperature"))[0] == {"value": 61.24}
        assert (await hub.hears(f"{ROOT}/read/barrel-pressure"))[0] == {"value": pytest.approx(42.0, abs=0.001)}
        assert (await hub.hears(f"{ROOT}/read/room-temperature"))[0] == {"value": None}
        assert (await hub.hears(f"{ROOT}/read/room-humidity"))[0] == {"value": None}
        assert 200 < (await hub.hears(f"{ROOT}/read/left-barrel"))[0]["value"] <= 300
        kick = (await hub.hears(f"{ROOT}/event/kick-cup-1"))[0]
        assert kick == {"event_type": "kick", "at": iso(now), "basis": "curve"}
        assert (await hub.hears(f"{ROOT}/event/ready"))[0]["event_type"] == "hard"
        assert "lid-now" in SAID_TYPES
        assert await hub.hears(f"{ROOT}/event/said", most=2) == [
            {"event_type": "lid-now", "words": "Lid now.", "priority": 3, "about": "cup-1"},
            {"event_type": "other", "words": "Load one is away.", "priority": 3, "about": "cup-1"},
        ]
        await until(lambda: hub.on(f"{ROOT}/state/bench")[-1:][0]["damp"] == "ON")
        await until(lambda: hub.on(f"{ROOT}/state/fault-room-humidity")[-1:] == [{"fault": "ON"}])
        async with Phone(broker.port) as later:
            await later.hears(f"{ROOT}/state/bench")
            kept = [topic for topic, _, retained in later.heard if retained]
        assert all_complaints(hub.heard, CONFIG, ROOT) == []
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
        await asyncio.wait_for(outlet.link.ready(), 30)
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
            await asyncio.wait_for(outlet.link.ready(), 30)
            assert "ready-m05" in (await hub.hears(CONFIG))[0]["components"]
        made.config = replace(made.config, molds=made.config.molds[:1])
        async with outlet_running(made, broker.port):
            await until(lambda: hub.on(CONFIG)[-1]["components"].get("ready-m05") == {"platform": "sensor"})
            assert complaints(hub.on(CONFIG)[-1], CONFIG) == []
            await until(lambda: hub.on(f"{ROOT}/state/mold-m05")[-1] == "")
            assert "unique_id" in hub.on(CONFIG)[-1]["components"]["ready-m02"]
        async with outlet_running(made, broker.port) as outlet:
            await asyncio.wait_for(outlet.link.ready(), 30)
            await until(lambda: "ready-m05" not in hub.on(CONFIG)[-1]["components"])
        async with outlet_running(made, broker.port, remove=True) as outlet:
            await until(lambda: hub.on(CONFIG)[-1] == "")


@needs_mosquitto
async def test_settings_read_again_change_the_device(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hub_discovery, "LOOK_EVERY_S", 0.05)
    made = bench()
    async with Phone(broker.port) as hub, outlet_running(made, broker.port):
        await hub.hears(f"{ROOT}/state/mold-m05")
        made.config = replace(made.config, molds=(made.config.molds[0], replace(BENCH.molds[0], id="m01", code="M01")))
        await until(lambda: "ready-m01" in hub.on(CONFIG)[-1]["components"])
        assert hub.on(CONFIG)[-1]["components"]["ready-m05"] == {"platform": "sensor"}
        await until(lambda: hub.on(f"{ROOT}/state/mold-m05")[-1] == "")
        assert complaints(hub.on(CONFIG)[-1], CONFIG) == []


@needs_mosquitto
@pytest.mark.parametrize("garbage", ["[]", "garbled", '{"components": [1]}', '{"components": {"x": {"unique_id": 1}}}'])
async def test_a_garbled_former_message_does_no_harm(broker: Mosquitto, garbage: str) -> None:
    async with Phone(broker.port) as hub:
        hub.send(CONFIG, garbage, retain=True)
        await hub.hears(CONFIG)
        async with outlet_running(bench(), broker.port) as outlet:
            assert complaints((await hub.hears(CONFIG, most=2))[1], CONFIG) == []
            assert outlet.link.counts.handler_errors == 0


@needs_mosquitto
async def test_buttons_are_marks_and_a_retained_one_is_refused(broker: Mosquitto) -> None:
    made = bench()
    async with Phone(broker.port) as hub:
        hub.send(f"{ROOT}/do/poured", "{}", retain=True)
        async with outlet_running(made, broker.port) as outlet:
            await asyncio.wait_for(outlet.link.ready(), 30)
            device = (await hub.hears(CONFIG))[0]
            for verb in ("heard", "end", "note"):
                hub.send(f"{ROOT}/do/{verb}", "{}")
            for key in ("do-out-m05", "do-shut-barrel", "do-mix-cup-1", "do-undo"):
                hub.send(device["components"][key]["command_topic"], device["components"][key]["payload_press"])
            await until(lambda: len(made.marks) == 5)
            await asyncio.sleep(0.2)
            assert [(m.verb, m.mold or m.pot or m.cup, m.by) for m in made.marks] == [
                ("heard", None, "hub"), ("demolded", "M05", "hub"), ("shut", "barrel", "hub"), ("mix", "cup-1", "hub"),
                ("undo", None, "hub"),
            ]  # fmt: skip
            assert "poured not taken: retained" in made.tools.health.last_error
            assert outlet.link.counts.handler_errors == 0


@pytest.mark.wide
@needs_mosquitto
async def test_a_broker_that_cannot_carry_the_device_message_gets_all_the_rest(tmp_path: Path) -> None:
    """mosquitto ends an MQTT 5 session at a message above its message_size_limit; then for ever, once a second."""
    made = bench()
    with running(tmp_path, "message_size_limit 8192") as broker:
        async with Phone(broker.port) as hub, outlet_running(made, broker.port) as outlet:
            health = made.tools.health
            await until(lambda: outlet.link.is_connected and "the device message of" in health.last_error, 60.0)
            connects = outlet.link.counts.connects
            assert (await hub.hears(f"{ROOT}/state/alarm", 10.0))[0]["text"] == "none"
            await hub.hears(f"{ROOT}/read/barrel-pressure")
            await asyncio.sleep(1.0)
            assert (outlet.link.counts.connects, hub.on(CONFIG)) == (connects, [])


@pytest.mark.wide
def test_every_state_of_a_load_is_one_the_hub_reads() -> None:
    """The demo's first load: after each change of a card or alert all bodies are judged by the hub's form."""
    made = bench()
    made.config = BENCH
    outlet = HubOutlet(Settings(), made.tools)
    by_topic: dict[str, list[dict[str, Any]]] = {}
    for component in outlet.payload.components().values():
        by_topic.setdefault(component.get("state_topic", ""), []).append(component)
    text = lzma.decompress((Path(__file__).parents[1] / "recordings" / "load-1.jsonl.xz").read_bytes()).decode()
    engine, judged = Engine(watcher_plan), 0
    for item in read_recording(text.splitlines(keepends=True)):
        effects = engine.step(item)
        made.tools.bulletin.post([Posted(effect) for effect in effects])
        if not any(isinstance(effect, Card | Alert) for effect in effects):
            continue
        bodies = {outlet.at("state", k): b for k, b in outlet.states.retained(None, with_molds=True).items()}
        bodies |= {outlet.at("read", k): b for k, b in outlet.states.numbers().items()}
        for topic, body in bodies.items():
            judged += 1
            assert [why for c in by_topic.get(topic, ()) if (why := of_payload(c, json.dumps(body)))] == [], topic
    assert judged > 1000


@needs_mosquitto
async def test_a_long_alarm_text_stays_a_state_the_hub_can_hold(broker: Mosquitto) -> None:
    made = bench()
    alert = leak(1.0)
    long = type(alert)(**{f: getattr(alert, f) for f in alert.__dataclass_fields__} | {"text": "x" * 400})
    made.tell(long)
    async with Phone(broker.port) as hub, outlet_running(made, broker.port):
        assert len((await hub.hears(f"{ROOT}/state/alarm"))[0]["text"]) == 255
        assert len((await hub.hears(f"{ROOT}/state/alarms"))[0]["alarms"][0]["text"]) == 255


async def test_the_embedded_broker_carries_it() -> None:
    """To a hub that subscribes at QoS 0 all that is retained; at QoS 1 that broker gives the first 100 messages."""
    made = bench()
    made.config = replace(
        made.config, molds=tuple(replace(BENCH.molds[0], id=f"m{n}", code=f"M{n}") for n in range(60))
    )
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        login = {"username": broker.username, "password_file": broker.password_file}
        password = broker.password_file.read_text("utf-8")
        async with outlet_running(made, broker.port, **login) as outlet:
            await asyncio.wait_for(outlet.link.ready(), 10)
            async with Phone(broker.port, broker.username, password, CONFIG) as hub:
                device = (await hub.hears(CONFIG))[0]
                assert complaints(device, CONFIG) == []
                assert len(json.dumps(device)) > 40_000
                assert outlet.link.counts.connects == 1


async def test_without_a_broker_it_waits() -> None:
    made = bench()
    async with outlet_running(made, free_port()):
        await asyncio.sleep(0.3)
    assert "refused" in made.tools.health.last_error.lower()
