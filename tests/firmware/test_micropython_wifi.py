"""Does the Wi-Fi board reach benchd through real brokers, and come back after every loss?

The board's own files run on MicroPython (unix port) with real sockets; only its pins, radio and, where a test would
otherwise wait, the speed of its clock are fakes.  Brokers: mosquitto and the embedded one; listener: benchd's source.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import select
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from firmware.board_runs import (
    BOARDS,
    FAKES,
    LIB,
    MICROPYTHON,
    SMALL_HEAP,
    STUBS,
    needs_micropython,
    needs_stubs,
    scene_file,
)
from firmware.board_runs import type_errors as type_errors_of
from mosquitto import Mosquitto, free_port, needs_mosquitto, running
from phone import Phone, until

from benchd.core.intake.board_counts import RUN, PressCounter, SeqCounter
from benchd.core.intake.wire import Decoded, decode
from benchd.core.model import Input, Line, Status
from benchd.runtime.clock import BenchClock
from benchd.runtime.mqtt.embedded_broker import EmbeddedBroker
from benchd.sources.mqtt_topics import Settings, make

sys.path.insert(0, str(LIB))
import uplink

FOLDER = BOARDS / "micropython_wifi"
ROOT = "benchd/board/b1"
CHIPS = {"rp2040": "machine", "esp32": "esp32"}
"""Chip -> the folder of fakes that stands in for its `machine`."""
pytestmark = needs_micropython


class Bench:
    """benchd's end: the source's inputs, decoded as the engine would."""

    def __init__(self) -> None:
        self.lines: list[Decoded] = []
        self.statuses: list[Status] = []

    def put(self, item: Input) -> None:
        if isinstance(item, Line):
            self.lines.append(decode(item.line, checked=False))
        elif isinstance(item, Status):
            self.statuses.append(item)

    @property
    def is_up(self) -> bool:
        return bool(self.statuses) and self.statuses[-1].up

    def presses(self) -> list[str]:
        counter = PressCounter()
        return [kind for line in self.lines for kind in counter.see(line.presses)]

    def lost(self) -> SeqCounter:
        counter = SeqCounter()
        for line in self.lines:
            counter.see(line.seq, line.up)
        return counter


@contextlib.asynccontextmanager
async def listening(port: int, **settings: Any) -> AsyncIterator[Bench]:
    bench = Bench()
    task = asyncio.create_task(
        make(Settings(port=port, topics=(f"{ROOT}/lines",), **settings), "wifi", BenchClock()).run(bench)
    )
    try:
        await until(lambda: bool(bench.statuses))
        yield bench
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@contextlib.contextmanager
def board(
    folder: Path,
    port: int,
    changes: list[Any],
    login: tuple[str, str] = ("", ""),
    rate: int = 1,
    chip: str = "rp2040",
    **more: Any,
) -> Iterator[subprocess.Popen[bytes]]:
    """The board, powered: its example configuration with this broker in it.  It ends with the block."""
    assert MICROPYTHON is not None
    own = folder / "board"
    own.mkdir(exist_ok=True)
    text = (FOLDER / "config_example.py").read_text()
    for example, here in (
        ('"192.168.1.20"', '"127.0.0.1"'), ("1883", str(port)), ('"board-b1"', repr(login[0])),
        ('"nor this one"', repr(login[1])),
    ):  # fmt: skip
        assert text.count(example) == 1
        text = text.replace(example, here)
    (own / "config.py").write_text(text)
    if chip == "esp32":
        shutil.copyfile(LIB / "esp32_pins.py", own / "machine_pins.py")
    path = ":".join(str(f) for f in (FAKES / "any", FAKES / CHIPS[chip], FAKES / "fast", own, LIB))
    scene = scene_file(own, 3_600_000, changes, **more)
    with (own / "console").open("wb") as console_file:
        process = subprocess.Popen(
            [MICROPYTHON, *SMALL_HEAP, str(FOLDER / "main.py")],
            env={"SCENE": str(scene), "MICROPYPATH": path, "RATE": str(rate)},
            stdout=console_file,
            stderr=subprocess.STDOUT,
        )
    try:
        yield process
    finally:
        process.kill()
        process.wait(5)
    assert b"Traceback" not in (own / "console").read_bytes(), (own / "console").read_text()


def console(folder: Path) -> str:
    return (folder / "board" / "console").read_text()


# ------------------------------------------------------------------------------------------------------- real brokers


@needs_mosquitto
@pytest.mark.parametrize("chip", ["rp2040", pytest.param("esp32", marks=pytest.mark.wide)])
async def test_readings_presses_and_faults_arrive(tmp_path: Path, chip: str) -> None:
    """Here, the cause of the start, 4 lines a second, a press at once, an open thermocouple, a silent sensor."""
    changes = [[1500, "pressed", True], [1600, "pressed", False], [2400, "frame", 0x01911901], [2000, "air", "nack"]]
    with running(tmp_path) as broker:
        async with listening(broker.port) as bench, Phone(broker.port, topic_filter=f"{ROOT}/#") as phone:
            with board(tmp_path, broker.port, changes, cause=3, chip=chip):
                await until(lambda: any(line.fault and "cup" in line.fault for line in bench.lines))
                await until(lambda: "short" in bench.presses())
    assert phone.on(f"{ROOT}/boot") == ["watchdog; full scale: b1-pot 689476 Pa"]
    assert [s.why for s in bench.statuses if "scale" in s.why] == ["board says: full scale: b1-pot 689476 Pa"]
    assert phone.on(f"{ROOT}/up")[0] == "here"
    assert {line.board for line in bench.lines} == {"b1-"}
    assert bench.lost().lost == 0
    assert bench.presses() == ["short"]
    assert {value for line in bench.lines for n, value, _, _ in line.records if n == "b1-cup"} == {23.0}
    faults = {fault for line in bench.lines if line.fault for fault in line.fault.split("; ")}
    assert faults == {"cup open", "room no answer", "rh no answer"}


@pytest.mark.wide
@needs_mosquitto
async def test_a_board_without_power_is_told_by_its_will_and_comes_back(tmp_path: Path) -> None:
    """kill -9 is what a pulled plug is: the broker says gone; powered again it is the same board, reset."""
    with running(tmp_path) as broker:
        async with listening(broker.port) as bench:
            with board(tmp_path, broker.port, []):
                await until(lambda: len(bench.lines) >= 8)
            await until(lambda: not bench.is_up)
            assert bench.statuses[-1].why == f"{ROOT} is gone"
            seen = len(bench.lines)
            with board(tmp_path, broker.port, []):
                await until(lambda: bench.is_up and len(bench.lines) >= seen + RUN + 2)  # lines enough to prove it
    assert bench.lost().resets == 1


@pytest.mark.wide
@needs_mosquitto
async def test_after_a_killed_broker_it_connects_again_and_no_press_is_lost(tmp_path: Path) -> None:
    """Broker gone for 2 s: the lines between are counted as lost, the press between comes with the running counts."""
    broker = Mosquitto(tmp_path).start()
    try:
        async with listening(broker.port) as bench:
            with board(tmp_path, broker.port, [[3200, "pressed", True], [3300, "pressed", False]]):
                await until(lambda: len(bench.lines) >= 9)  # 2 s  # 2 s
                broker.kill()
                await until(lambda: not bench.is_up)
                await asyncio.sleep(2.0)
                seen = len(bench.lines)
                broker.start()
                await until(lambda: len(bench.lines) >= seen + 8)
                assert bench.is_up
                async with Phone(broker.port, topic_filter=f"{ROOT}/up") as phone:
                    assert await phone.hears(f"{ROOT}/up") == ["here"]
    finally:
        broker.stop()
    assert bench.presses() == ["short"]
    assert (bench.lost().resets, bench.lost().repeats) == (0, 0)
    assert 6 <= bench.lost().lost <= 40


@pytest.mark.wide
@needs_mosquitto
async def test_a_frozen_broker_is_noticed_and_left(tmp_path: Path) -> None:
    """Fault 3 from the board's side: a broker that stands still is given up."""
    broker = Mosquitto(tmp_path).start()
    try:
        async with listening(broker.port) as bench:
            with board(tmp_path, broker.port, [], rate=5):
                await until(lambda: len(bench.lines) >= 8)
                broker.send(signal.SIGSTOP)
                await until(lambda: "# broker:" in console(tmp_path))
                broker.send(signal.SIGCONT)
                seen = len(bench.lines)
                await until(lambda: len(bench.lines) >= seen + 8)
    finally:
        broker.stop()


@pytest.mark.wide
@needs_mosquitto
async def test_a_lost_network_is_joined_again(tmp_path: Path) -> None:
    """The radio loses the network for two seconds: a first try to join fails, the next, ten seconds on, succeeds."""
    with running(tmp_path) as broker:
        async with listening(broker.port) as bench:
            with board(tmp_path, broker.port, [[5000, "wifi", False], [7000, "wifi", True]], rate=4):
                await until(lambda: bool(bench.lines) and (bench.lines[-1].up or 0.0) > 17.5)
    linked = [status.up for status in bench.statuses if "says" not in status.why]
    assert linked[:3] == [True, False, True]
    assert bench.lost().lost >= 8


async def test_through_the_embedded_broker_with_a_password(tmp_path: Path) -> None:
    """The board on its 3.1.1 port, benchd on its MQTT 5 port: lines arrive, and the will."""
    async with EmbeddedBroker(free_port(), free_port()) as broker:
        login = broker.username, broker.password_file.read_text()
        async with listening(broker.port, username=login[0], password_file=broker.password_file) as bench:
            with board(tmp_path, broker.port_v311, [], login):
                await until(lambda: len(bench.lines) >= 12)
                assert bench.is_up
            await until(lambda: not bench.is_up)
    assert bench.lost().lost == 0


@pytest.mark.wide
@needs_mosquitto
async def test_a_wrong_password_is_said_on_its_console_and_not_hammered(tmp_path: Path) -> None:
    """Refused: told on the USB console; in 20 s of its time it asks once, for the next pause is 30 s."""
    (tmp_path / "passwords").write_text("")
    with (
        running(tmp_path, "password_file {folder}/passwords", anonymous=False) as broker,
        board(tmp_path, broker.port, [], ("board-b1", "wrong"), rate=10),
    ):
        await until(lambda: "# broker:" in console(tmp_path), 5)
        await asyncio.sleep(2.0)
        asked = (tmp_path / "mosquitto.log").read_text().count("New connection from 127.0.0.1")
    assert str(errno.EACCES) in console(tmp_path)
    assert asked <= 2  # one is this test's own look whether the broker listens


# -------------------------------------------------------------------------------- the uplink, step by step, in CPython


class Peer:
    """The other end of an Uplink: a listener that answers only what a test says."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.uplink = uplink.Uplink("127.0.0.1", self.listener.getsockname()[1], ROOT, "b1", "", "", "power on", 0)
        self.now_ms = 0
        self.link: socket.socket | None = None

    def steps(self, for_ms: int) -> bool:
        """Let the board's time go on."""
        is_here = False
        for _ in range(for_ms // 5):
            is_here = self.uplink.step(self.now_ms)
            self.now_ms += 5
            if self.link is None and select.select([self.listener], [], [], 0)[0]:
                self.link = self.listener.accept()[0]
        return is_here

    def greet(self) -> bytes:
        """Connected: the CONNECT packet that came, answered by CONNACK (MQTT 3.1.1, 3.2), PUBACKs for boot and up."""
        self.steps(50)
        assert self.link is not None
        came = self.link.recv(4096)
        self.link.sendall(b"\x20\x02\x00\x00")
        self.steps(50)
        self.link.sendall(b"\x40\x02\x00\x01\x40\x02\x00\x02")
        assert self.steps(50)
        return came

    def close(self) -> None:
        self.uplink.leave(self.now_ms)
        self.listener.close()
        if self.link is not None:
            self.link.close()


@pytest.fixture
def peer() -> Iterator[Peer]:
    found = Peer()
    yield found
    found.close()


def test_its_connect_packet_is_the_standards(peer: Peer) -> None:
    """MQTT 3.1.1, 3.1, byte by byte: clean session, will retained at QoS 1, keepalive 10 s."""
    will = f"{ROOT}/up".encode()
    rest = b"\x00\x02b1" + bytes((0, len(will))) + will + b"\x00\x04gone"
    assert peer.greet() == bytes((0x10, 10 + len(rest))) + b"\x00\x04MQTT\x04\x2e\x00\x0a" + rest


def test_without_a_connack_it_gives_up_after_five_seconds(peer: Peer) -> None:
    """Fault 5: TCP accepted, nothing said."""
    peer.steps(4_900)
    assert peer.link is not None
    assert peer.uplink.trouble == ""
    peer.steps(400)
    assert str(errno.ETIMEDOUT) in peer.uplink.trouble


def test_pauses_double_up_to_thirty_seconds() -> None:
    """Nobody listens: tries after 1, 2, 4, 8, 16, 30, 30 s, counted by its own clock."""
    up = uplink.Uplink("127.0.0.1", free_port(), ROOT, "b1", "", "", "power on", 0)
    tries: list[int] = []
    before = 0
    for now_ms in range(0, 100_000, 100):
        up.step(now_ms)
        if up._retry_ms != before:
            before = up._retry_ms
            tries.append(before - now_ms)
    assert tries[:7] == [1000, 2000, 4000, 8000, 16_000, 30_000, 30_000]


def test_a_reader_that_does_not_read_costs_bounded_memory(peer: Peer) -> None:
    """The broker stops reading: lines are refused and counted, memory stays, and the silence ends the connection."""
    peer.greet()
    said = [peer.uplink.say("[" + "1," * 200 + "1]") for _ in range(100)]
    assert said.count(False) == peer.uplink.dropped > 0
    assert len(peer.uplink._out) <= uplink.QUEUE_MOST_BYTES
    assert not peer.steps(10_000)


@pytest.mark.parametrize("answer", [b"\x30\x80\x80\x80\x80\x80", b"\xff\x00", b"\xd0", b"\x00\x00"])
def test_garbage_from_the_broker_ends_the_connection_only(peer: Peer, answer: bytes) -> None:
    """What is no answer, or half of one, costs the connection; the board goes on and connects again."""
    peer.greet()
    assert peer.link is not None
    peer.link.sendall(answer)
    peer.steps(10_000)
    peer.link.close()
    peer.link = None
    peer.steps(40_000)
    assert peer.link is not None


# ----------------------------------------------------------------------------------------------------------- its files


@pytest.mark.wide
@needs_stubs("micropython")
def test_it_calls_what_the_board_has(tmp_path: Path) -> None:
    """pyright with the published stubs of an RP2040 board with Wi-Fi finds nothing wrong."""
    files = {path.name: path for path in LIB.glob("*.py") if path.name != "esp32_pins.py"}
    files |= {"main.py": FOLDER / "main.py", "config.py": FOLDER / "config_example.py"}
    stubs = str(STUBS / "micropython")
    assert type_errors_of(tmp_path, files, {"typeshedPath": stubs, "stubPath": stubs}) == ""


def test_secrets_are_never_committed() -> None:
    """config.py is kept out by a rule beside it; only the example is there."""
    assert "config.py" in (FOLDER / ".gitignore").read_text().split()
    listed = subprocess.run(["git", "ls-files", str(FOLDER)], cwd=BOARDS, capture_output=True, text=True, check=True)
    assert "config.py" not in {Path(name).name for name in listed.stdout.split()}
