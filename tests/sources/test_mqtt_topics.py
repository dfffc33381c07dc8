"""Do a Wi-Fi board's messages become inputs, through two real brokers, and is every loss told?

The board's side is paho's MQTT 3.1.1 client, an implementation of its own; topics and wills follow MQTT 3.1.1 and 5.0.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import functools
import signal
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import psutil
import pytest
from mosquitto import Mosquitto, free_port, needs_mosquitto, running
from paho.mqtt.enums import CallbackAPIVersion
from phone import until
from pydantic import ValidationError
from stream_server import serving

from benchd.core.intake.wire import decode, encode
from benchd.core.model import Input, Line, RawLine, Status
from benchd.errors import SourceError
from benchd.plugins import breaches
from benchd.runtime.clock import BenchClock
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker
from benchd.runtime.mqtt.source import GREETING_S
from benchd.sources import mqtt_topics
from benchd.sources.mqtt_topics import MqttTopics, Settings, make

ROOT = "benchd/board/b1"
LINES = f"{ROOT}/lines"


class Inbox:
    """Keeps what it is given."""

    def __init__(self) -> None:
        self.items: list[Input] = []

    def put(self, item: Input) -> None:
        self.items.append(item)

    @property
    def lines(self) -> list[Line]:
        return [i for i in self.items if isinstance(i, Line)]

    @property
    def statuses(self) -> list[Status]:
        return [i for i in self.items if isinstance(i, Status)]

    @property
    def is_up(self) -> bool | None:
        return self.statuses[-1].up if self.statuses else None


class Board:
    """A Wi-Fi board's MQTT 3.1.1 client: retained here, and gone as its will."""

    def __init__(self, port: int, username: str = "", password: str = "", root: str = ROOT) -> None:
        self.root = root
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        if username:
            self._client.username_pw_set(username, password)
        self._client.will_set(f"{root}/up", "gone", 1, retain=True)
        self._client.connect("127.0.0.1", port, keepalive=10)
        self._client.loop_start()
        self.say("here", "up", retain=True, qos=1)

    def say(self, payload: str | bytes, level: str = "lines", retain: bool = False, qos: int = 0) -> None:
        info = self._client.publish(f"{self.root}/{level}", payload, qos, retain)
        info.wait_for_publish(5)

    def vanish(self) -> None:
        """As when its plug is pulled: no DISCONNECT, so the broker says its will."""
        sock: Any = self._client.socket()
        assert sock is not None
        self._client.reconnect_delay_set(60, 60)
        sock.shutdown(2)
        self._client.loop_stop()

    def leave(self) -> None:
        """Politely: the broker drops the will."""
        self._client.disconnect()
        self._client.loop_stop()


def array(seq: int, up: float | None = None, cup_c: float = 23.25) -> bytes:
    return encode([("cup", cup_c, None, "Cel")], board="b1-", seq=seq, up=up, checked=False)


def source_at(port: int, bench_clock: BenchClock | None = None, **settings: Any) -> MqttTopics:
    return make(Settings(port=port, **{"topics": (LINES,)} | settings), "wifi", bench_clock or BenchClock())


@contextlib.asynccontextmanager
async def hearing(source: MqttTopics, wait: bool = True) -> AsyncIterator[Inbox]:
    """The source at work, its inbox filled; `wait` until it says whether it is up."""
    inbox = Inbox()
    task = asyncio.create_task(source.run(inbox))
    try:
        if wait:
            await until(lambda: inbox.is_up is not None)
        yield inbox
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@contextlib.contextmanager
def board_at(port: int, *login: str, root: str = ROOT) -> Any:
    username, password = login or ("", "")
    board = Board(port, username, password, root)
    try:
        yield board
    finally:
        board.leave()


# -------------------------------------------------------------------------------------------------- against mosquitto


@needs_mosquitto
async def test_messages_become_lines_with_topic_and_time(tmp_path: Path) -> None:
    """Each array is one Line, in order, as published, with its topic and the bench's time; it decodes unchecked."""
    clock = BenchClock(anchor_s=1767607331.0)
    with running(tmp_path) as broker, board_at(broker.port) as board:
        async with hearing(source_at(broker.port, clock)) as inbox:
            for seq in range(50):
                board.say(array(seq))
            await until(lambda: len(inbox.lines) == 50)
    assert [decode(line.line, checked=False).seq for line in inbox.lines] == list(range(50))
    assert {(line.source, line.topic) for line in inbox.lines} == {("wifi", LINES)}
    assert all(1767607331.0 <= line.t < 1767607361.0 for line in inbox.lines)
    assert inbox.statuses[0].up


@needs_mosquitto
async def test_what_the_broker_kept_is_stale(tmp_path: Path) -> None:
    """A reading retained from before is ignored and counted; a fresh one is taken."""
    with running(tmp_path) as broker, board_at(broker.port) as board:
        board.say(array(7, cup_c=99.0), retain=True, qos=1)
        source = source_at(broker.port)
        async with hearing(source) as inbox:
            await until(lambda: source.retained == 1)
            board.say(array(8))
            await until(lambda: bool(inbox.lines))
    assert [decode(line.line, checked=False).seq for line in inbox.lines] == [8]


@needs_mosquitto
async def test_long_and_foreign_payloads(tmp_path: Path) -> None:
    """513 bytes are refused and counted, 512 taken; bytes that are no UTF-8 are kept as they are; nothing stops."""
    with running(tmp_path) as broker, board_at(broker.port) as board:
        source = source_at(broker.port)
        async with hearing(source) as inbox:
            for payload in (b"x" * 513, b"y" * 512, b"\xff\xfe", b"", array(1)):
                board.say(payload)
            await until(lambda: bool(inbox.lines) and inbox.lines[-1].line == array(1).decode())
    raw = [item for item in inbox.items if isinstance(item, RawLine)]
    assert source.too_long == 1
    assert [len(line.line) for line in inbox.lines] == [512, len(array(1))]
    assert [base64.b64decode(item.raw_b64) for item in raw] == [b"\xff\xfe"]


@needs_mosquitto
async def test_a_board_that_vanishes_is_told_by_its_will_and_again_when_back(tmp_path: Path) -> None:
    """Plug pulled: down within 2 s, with the board's name; powered again: up."""
    with running(tmp_path) as broker:
        board = Board(broker.port)
        async with hearing(source_at(broker.port)) as inbox:
            assert inbox.is_up
            board.vanish()
            await until(lambda: inbox.is_up is False, 2)
            assert inbox.statuses[-1].why == f"{ROOT} is gone"
            with board_at(broker.port):
                await until(lambda: inbox.is_up is True, 2)


@needs_mosquitto
async def test_a_board_gone_before_we_came_is_never_told_up(tmp_path: Path) -> None:
    """The retained "gone" comes with the subscription: the first word is down; its first reading puts that right."""
    with running(tmp_path) as broker, board_at(broker.port) as board:
        board.say("gone", "up", retain=True, qos=1)
        async with hearing(source_at(broker.port)) as inbox:
            await asyncio.sleep(GREETING_S + 0.2)
            assert [status.up for status in inbox.statuses] == [False]
            board.say(array(1))
            await until(lambda: inbox.is_up is True)
            assert inbox.items.index(inbox.statuses[-1]) < inbox.items.index(inbox.lines[0])


@needs_mosquitto
async def test_two_boards_on_one_source_go_down_with_either(tmp_path: Path) -> None:
    """The other's readings go on coming but do not make up for the one that is gone."""
    with running(tmp_path) as broker, board_at(broker.port) as first:
        second = Board(broker.port, root="benchd/board/b2")
        async with hearing(source_at(broker.port, topics=("benchd/board/+/lines",))) as inbox:
            first.say(array(1))
            second.say(array(1))
            await until(lambda: len(inbox.lines) == 2)
            second.vanish()
            await until(lambda: inbox.is_up is False)
            first.say(array(2))
            await until(lambda: len(inbox.lines) == 3)
            assert inbox.statuses[-1] == Status(inbox.statuses[-1].t, "wifi", False, "benchd/board/b2 is gone")


@needs_mosquitto
async def test_a_whole_tree_may_be_heard(tmp_path: Path) -> None:
    """Under "#" the board's own `up` and `boot` are no readings."""
    with running(tmp_path) as broker, board_at(broker.port) as board:
        async with hearing(source_at(broker.port, topics=("benchd/board/#",))) as inbox:
            board.say("watchdog", "boot")
            board.say("gone", "up")
            board.say("here", "up")
            board.say(array(1))
            await until(lambda: bool(inbox.lines))
    assert [line.topic for line in inbox.lines] == [LINES]
    assert [status.up for status in inbox.statuses] == [True, False, True]


@needs_mosquitto
async def test_a_killed_broker_is_told_and_found_again(tmp_path: Path) -> None:
    """Faults 1, 2: kill -9 is told at once; within 5 s of its start readings come again, with nothing done here."""
    broker = Mosquitto(tmp_path).start()
    try:
        async with hearing(source_at(broker.port)) as inbox:
            broker.kill()
            await until(lambda: inbox.is_up is False, 2)
            assert str(broker.port) in inbox.statuses[-1].why
            broker.start()
            await until(lambda: inbox.is_up is True, 5)
            with board_at(broker.port) as board:
                board.say(array(1))
                await until(lambda: bool(inbox.lines))
    finally:
        broker.stop()


@pytest.mark.wide
@needs_mosquitto
async def test_a_frozen_broker_is_noticed(tmp_path: Path) -> None:
    """Fault 3: a broker that stands still is told within 2.5 times the keepalive."""
    broker = Mosquitto(tmp_path).start()
    try:
        async with hearing(source_at(broker.port, keepalive_s=1)) as inbox:
            broker.send(signal.SIGSTOP)
            await until(lambda: inbox.is_up is False, 2.5)
    finally:
        broker.stop()


async def test_an_absent_broker_is_told_once() -> None:
    """Nobody listens: down with the address, not once a try."""
    port = free_port()
    async with hearing(source_at(port)) as inbox:
        await asyncio.sleep(1.2)
    assert [status.up for status in inbox.statuses] == [False]
    assert f"127.0.0.1:{port}" in inbox.statuses[0].why


@needs_mosquitto
async def test_a_wrong_password_is_told(tmp_path: Path) -> None:
    """The broker's refusal is the reason given."""
    secret = tmp_path / "secret"
    secret.touch(mode=0o600)
    secret.write_text("wrong")
    with running(tmp_path, anonymous=False) as broker:
        source = source_at(broker.port, username="wifi", password_file=secret)
        async with hearing(source) as inbox:
            assert inbox.is_up is False
            assert "Not authorized" in inbox.statuses[-1].why


async def test_a_password_file_that_others_may_read_ends_the_run(tmp_path: Path) -> None:
    """It is told, and raised as SourceError."""
    secret = tmp_path / "secret"
    secret.write_text("open")
    secret.chmod(0o644)
    inbox = Inbox()
    with pytest.raises(SourceError, match="chmod 600"):
        await source_at(free_port(), username="wifi", password_file=secret).run(inbox)
    assert [status.up for status in inbox.statuses] == [False]


async def refusing_broker(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, topics: bytes = b"") -> None:
    """Takes a client and refuses subscriptions that end so with 0x87, not authorized (MQTT 5.0, 3.2 and 3.9)."""
    with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
        while True:
            kind, length = await reader.readexactly(2)
            body = await reader.readexactly(length)
            if kind == 0x10:
                writer.write(b"\x20\x03\x00\x00\x00")
            elif kind == 0x82:
                code = b"\x87" if body[:-1].endswith(topics) else b"\x01"  # the last byte are its options
                writer.write(b"\x90\x04" + body[:2] + b"\x00" + code)


async def test_a_refused_boot_word_is_named_with_the_remedy_and_the_readings_count(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """The board's boot word is for people: without it the bench is watched all the same, and not called down."""
    refusing = functools.partial(refusing_broker, topics=b"/boot")
    async with serving(refusing) as (port, _), hearing(source_at(port)) as inbox:
        await asyncio.sleep(GREETING_S + 0.3)
    assert [status.up for status in inbox.statuses[:1]] == [True]
    remedy = "/boot (0x87), not authorized; add it for benchd's user to the broker's access list (acl_file)"
    assert [line.getMessage().endswith(remedy) for line in caplog.records if "refuses" in line.getMessage()] == [True]


async def test_a_refused_subscription_is_not_told_as_up() -> None:
    """The broker lets us in but not hear the topics: down, with the topic, and never up."""
    async with serving(refusing_broker) as (port, _), hearing(source_at(port)) as inbox:
        await asyncio.sleep(GREETING_S + 0.3)
    assert [status.up for status in inbox.statuses[:2]] == [False, False]
    assert LINES in inbox.statuses[0].why
    assert "0x87" in inbox.statuses[0].why


@needs_mosquitto
async def test_messages_are_handed_on_with_their_arrival(tmp_path: Path) -> None:
    """The board's own time is the core's to read: here each is put as it came, and in order."""
    with running(tmp_path) as broker, board_at(broker.port) as board:
        clock = BenchClock(rate=100.0)
        async with hearing(source_at(broker.port, clock, clock="up")) as inbox:
            begun_t = clock.now()
            for seq, up in enumerate((10.0, 10.25, 10.5, 0.0, 0.25)):
                board.say(array(seq, up))
            await until(lambda: len(inbox.lines) == 5)
            ended_t = clock.now()
    times = [line.t for line in inbox.lines]
    assert times == sorted(times)
    assert begun_t <= times[0]
    assert times[-1] <= ended_t


# ---------------------------------------------------------------------------------------- against the embedded broker


async def test_a_3_1_1_board_through_the_embedded_broker() -> None:
    """The board on the 3.1.1 port, benchd on the MQTT 5 port: readings, here and gone, and the will, all arrive."""
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        login = broker.username, broker.password_file.read_text()
        source = source_at(broker.port, username=login[0], password_file=broker.password_file)
        async with hearing(source) as inbox:
            board = await asyncio.to_thread(Board, broker.port_v311, *login)
            for seq in range(20):
                board.say(array(seq))
            await until(lambda: len(inbox.lines) == 20)
            board.say("gone", "up", retain=True, qos=1)
            await until(lambda: inbox.is_up is False)
            board.say("here", "up", retain=True, qos=1)
            await until(lambda: inbox.is_up is True)
            board.vanish()
            await until(lambda: inbox.is_up is False, 3)
    assert [decode(line.line, checked=False).seq for line in inbox.lines] == list(range(20))


async def test_the_embedded_broker_killed_and_started_again(tmp_path: Path) -> None:
    """Told, found again, and a board that connects afresh is heard."""
    ports = free_port(), free_port()
    secret = tmp_path / "secret"
    secret.touch(mode=0o600)
    async with EmbeddedBroker(*ports) as first:
        secret.write_text(first.password_file.read_text())
        async with hearing(source_at(ports[0], username="bench", password_file=secret)) as inbox:
            assert inbox.is_up
            psutil.Process(first._broker._process.pid).kill()
            await until(lambda: inbox.is_up is False, 3)
            await first.stop()
            async with EmbeddedBroker(*ports) as second:
                secret.write_text(second.password_file.read_text())
                await until(lambda: inbox.is_up is True, 8)
                board = await asyncio.to_thread(Board, ports[1], "bench", secret.read_text())
                board.say(array(1))
                await until(lambda: bool(inbox.lines))
                board.leave()


# ----------------------------------------------------------------------------------------------------------- settings


def test_it_keeps_the_plug_in_contract() -> None:
    """Settings, kind and make are as sources must have them; no checksum is missed, so nothing is complained of."""
    assert list(breaches("sources", "mqtt_topics", mqtt_topics)) == []
    assert not hasattr(Settings(topics=("a/lines",)), "crc")


@pytest.mark.parametrize(
    ("topics", "says"),
    [
        ((), "at least 1"),
        (("",), "write a topic"),
        (("benchd/#/lines",), "whole levels"),
        (("benchd/b+/lines",), "whole levels"),
        (("$SYS/broker",), "write a topic"),
        (("a/+/lines", "a/b/lines"), "twice"),
        (("a/b", "a/b"), "twice"),
    ],
)
def test_bad_filters_are_explained(topics: tuple[str, ...], says: str) -> None:
    """MQTT 5.0, 4.7.1: what is no filter, or would bring messages twice, is refused in words."""
    with pytest.raises(ValidationError, match=says):
        Settings(topics=topics)
