"""Runs the optional embedded broker, for a bench with none installed: on loopback, with a password.

Its known properties: it dies with its parent, so it never publishes our last will; it loses retained messages when it
restarts, so all state is published again on every connect; any PUBLISH property closes its MQTT 3.1.1 connections, so
the two versions have a port each and benchd sends none; it never reports that there are no subscribers; at QoS 1 a new
subscriber gets the first 100 retained messages of a filter and no more (at QoS 0 all).  Its segments hold all that it
stores: they are kept small, 8 MB in all.
"""

from __future__ import annotations

import asyncio
import importlib.util
import secrets
import shutil
import tempfile
from pathlib import Path
from typing import Any

from benchd.errors import Complaint, OutletError, PluginError

SEGMENT_BYTES = 1_048_576
SEGMENTS = 4
PAYLOAD_MOST_BYTES = 69_632  # a home hub's device message has up to 65 kB
OUTGOING_MOST = 1000  # retained messages that a new subscriber gets at once
CONNECTIONS_MOST = 64

_HEAD = """id = 0

[router]
id = 0
max_connections = {connections}
max_outgoing_packet_count = {outgoing}
max_segment_size = {segment}
max_segment_count = {segments}
"""

_LISTENER = """
[{version}.1]
name = "{version}"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[{version}.1.connections]
connection_timeout_ms = 5000
max_payload_size = {payload}
max_inflight_count = 100
dynamic_filters = true

[{version}.1.connections.auth]
{username} = "{password}"
"""


def listener_config(port: int, port_v311: int, username: str, password: str) -> str:
    """The broker's TOML: MQTT 5 and MQTT 3.1.1 on a loopback port each, both behind the same name and password."""
    text = _HEAD.format(connections=CONNECTIONS_MOST, segment=SEGMENT_BYTES, segments=SEGMENTS, outgoing=OUTGOING_MOST)
    for version, number in (("v5", port), ("v4", port_v311)):
        text += _LISTENER.format(
            version=version, port=number, payload=PAYLOAD_MOST_BYTES, username=username, password=password
        )
    return text


class EmbeddedBroker:
    """A broker process of our own; making one does no I/O.

    `port` speaks MQTT 5, `port_v311` MQTT 3.1.1; clients need `username` and the content of `password_file` (0600,
    exists between `start` and `stop`).
    """

    def __init__(self, port: int = 1884, port_v311: int = 1883, username: str = "bench") -> None:
        if not username.isascii() or not username.isalnum():
            raise ValueError("username: letters and digits only")
        self.port = port
        self.port_v311 = port_v311
        self.username = username
        self._folder: Path | None = None
        self._broker: Any = None

    @property
    def password_file(self) -> Path:
        """The path of the file with the clients' password."""
        if self._folder is None:
            raise OutletError("the embedded broker has not been started")
        return self._folder / "password"

    @property
    def is_running(self) -> bool:
        """Whether the broker's process runs."""
        return self._broker is not None and bool(self._broker.is_running)

    async def start(self) -> None:
        """Start it and wait until both ports answer.

        Raises PluginError when the extra is not installed, OutletError when a port is taken or it does not come up.
        """
        if importlib.util.find_spec("iotcore") is None:
            raise PluginError(
                Complaint("bench.toml", "mqtt", "the embedded broker is not installed",
                          "Install it with: pip install 'benchd[broker]', or set [mqtt] host to a broker you have.")
            )  # fmt: skip
        try:
            await asyncio.to_thread(self._start)
        except (OSError, RuntimeError, ValueError) as error:
            await self.stop()
            raise OutletError(f"embedded broker: {error}") from error

    def _start(self) -> None:
        from iotcore import Broker

        self._folder = Path(tempfile.mkdtemp(prefix="benchd-broker-"))  # 0700
        password = secrets.token_urlsafe(24)
        self._write("password", password)
        config = self._write("broker.toml", listener_config(self.port, self.port_v311, self.username, password))
        self._broker = Broker(config_path=str(config))
        self._broker.start(timeout=8.0)

    def _write(self, name: str, text: str) -> Path:
        path = self.password_file.with_name(name)
        path.touch(mode=0o600)
        path.write_text(text, "utf-8")
        return path

    async def stop(self) -> None:
        """End the process, free the ports and remove its files; may be called twice."""
        broker, folder = self._broker, self._folder
        self._broker = self._folder = None
        if broker is not None:
            await asyncio.to_thread(broker.stop)
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)

    async def __aenter__(self) -> EmbeddedBroker:
        await self.start()
        return self

    async def __aexit__(self, *problem: object) -> None:
        await self.stop()
