"""Does `benchd check` say whether a broker can carry records to a shop?  Tried at real brokers."""

from __future__ import annotations

import asyncio
from pathlib import Path

import nats_cluster
import pytest
from mosquitto import free_port, needs_mosquitto, running
from nats_cluster import needs_nats

from benchd.commands.check.workshop import NOT_KEPT, ONLY_311, tried
from benchd.outlets.workshop import Settings
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker
from benchd.runtime.mqtt.topics import Topics

TOPICS = Topics("quiet-harbour", "north")


@needs_mosquitto
def test_a_broker_of_mqtt_5_can(tmp_path: Path) -> None:
    with running(tmp_path) as broker:
        assert tried(Settings(port=broker.port), TOPICS) == ""


@pytest.mark.wide
@needs_mosquitto
def test_one_that_denies_the_topic_is_named(tmp_path: Path) -> None:
    """mosquitto 2.0.11 grants such a subscription, and delivers nothing."""
    (tmp_path / "acl").write_text("topic write benchd/#\n")
    with running(tmp_path, "acl_file {folder}/acl") as broker:
        assert tried(Settings(port=broker.port), TOPICS) == NOT_KEPT


@pytest.mark.wide
async def test_the_embedded_broker_is_said_to_keep_nothing(tmp_path: Path) -> None:
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        settings = Settings(port=broker.port, username=broker.username, password_file=broker.password_file)
        assert await asyncio.to_thread(tried, settings, TOPICS) != ""


@pytest.mark.wide
@needs_nats
def test_a_nats_server_is_said_to_need_its_own_way_in(tmp_path: Path) -> None:
    with nats_cluster.running(tmp_path, 1) as cluster:
        assert tried(Settings(port=cluster.nodes[0].mqtt), TOPICS) == ONLY_311
