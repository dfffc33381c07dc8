"""Does `check` say what a broker would not carry, and what to change?  Against mosquitto, set wrong in each way."""

from __future__ import annotations

from pathlib import Path

import pytest
from mosquitto import free_port, needs_mosquitto, running

from benchd.commands.check.probe import probes_of, tried
from benchd.outlets.hub_discovery import Settings as HubSettings
from benchd.outlets.mqtt import Settings as MqttSettings
from benchd.plugins import load_settings
from benchd.runtime.mqtt.address import BrokerAddress
from benchd.sources.mqtt_topics import Settings as BoardSettings

LOADED = load_settings(Path(__file__).parents[2] / "config" / "bench.toml")
DEVICE = "homeassistant/device/quiet-harbour-north/config"
ROOT = "benchd/v0/quiet-harbour/north"
ACL = f"topic readwrite {ROOT}/#\n"


def at(broker_port: int, settings: BrokerAddress) -> BrokerAddress:
    return settings.model_copy(update={"port": broker_port})


def test_what_is_tried_is_what_is_published() -> None:
    probes = probes_of(LOADED, HubSettings())
    assert [probe.topic for probe in probes] == [f"{ROOT}/hub/check", DEVICE]
    assert "ready-m08" in probes[1].payload
    assert [probe.topic for probe in probes_of(LOADED, MqttSettings())] == [f"{ROOT}/check"]
    assert 4000 < len(probes_of(LOADED, MqttSettings())[0].payload) <= 4096
    assert probes_of(LOADED, HubSettings(remove=True)) == []
    assert probes_of(LOADED, BoardSettings(topics=("a/lines",))) == []


CASES = [
    ("", HubSettings(), ""),
    ("", MqttSettings(), ""),
    ("message_size_limit 8192", HubSettings(), "22"),
    ("message_size_limit 8192", MqttSettings(), ""),
    ("message_size_limit 2000", MqttSettings(), f"{ROOT}/check: "),
    ("max_packet_size 8192", HubSettings(), "message_size_limit, max_packet_size"),
    ("acl_file {folder}/acl", HubSettings(), f"{DEVICE}: refused (0x87); let this user write and read it"),
    ("acl_file {folder}/acl", MqttSettings(), ""),
]


@needs_mosquitto
@pytest.mark.parametrize(("extra", "settings", "why"), CASES)
async def test_the_first_thing_wrong_is_said_with_its_remedy(
    tmp_path: Path, extra: str, settings: BrokerAddress, why: str
) -> None:
    """0x87: not authorized (MQTT 5.0, section 3.4.2.1)."""
    (tmp_path / "acl").write_text(ACL)
    with running(tmp_path, extra) as broker:
        found = await tried(at(broker.port, settings), probes_of(LOADED, settings))
    assert why in found
    assert bool(found) == bool(why)
    if "size" in extra and why:
        assert "let the broker take messages of" in found


async def test_no_broker_is_said() -> None:
    found = await tried(MqttSettings(port=free_port()), probes_of(LOADED, MqttSettings()))
    assert "refused" in found
