"""Does the service manager hear what it should, and is the watchdog fed by a living watch alone?

The protocol: sd_notify(3), sd_watchdog_enabled(3), https://www.freedesktop.org/software/systemd/man/sd_notify.html.
"""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon import Daemon, wait_for
from phone import until

from benchd.runtime.contracts import Health
from benchd.runtime.watch.systemd import Notifier, feed_watchdog, starved_by


class Manager:
    """The service manager's end of the socket."""

    def __init__(self, address: str | bytes) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.setblocking(False)
        self.heard: list[str] = []

    def hear(self) -> list[str]:
        """All lines so far."""
        while True:
            try:
                self.heard += self.socket.recv(4096).decode().split("\n")
            except BlockingIOError:
                return self.heard


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(str(tmp_path / "notify"))
    yield made
    made.socket.close()


def notifier(folder: Path, **more: str) -> Notifier:
    return Notifier({"NOTIFY_SOCKET": str(folder / "notify"), **more})


def test_each_word_is_one_datagram_of_lines(manager: Manager, tmp_path: Path) -> None:
    said = notifier(tmp_path)
    said.ready("watches North bench")
    said.status("board\nREADY=0\x1b[2J gone")
    said.feed()
    said.stopping()
    assert manager.hear() == [
        "READY=1", "STATUS=watches North bench", "STATUS=board READY=0 [2J gone", "WATCHDOG=1", "STOPPING=1",
        "STATUS=stopping",
    ]  # fmt: skip


def test_an_abstract_socket_is_reached() -> None:
    name = f"benchd-test-{os.getpid()}"
    manager = Manager(b"\0" + name.encode())
    Notifier({"NOTIFY_SOCKET": f"@{name}"}).feed()
    assert manager.hear() == ["WATCHDOG=1"]
    manager.socket.close()


def test_no_manager_a_full_one_and_a_dead_one_hold_up_nothing(manager: Manager, tmp_path: Path) -> None:
    Notifier({}).ready("x")
    Notifier({"NOTIFY_SOCKET": "tcp:9"}).ready("x")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).ready("x")
    said = notifier(tmp_path)
    for _ in range(2000):  # a full socket that were waited for would never let this end
        said.feed()
    assert 0 < manager.hear().count("WATCHDOG=1") < 2000


@pytest.mark.parametrize(
    ("environment", "expected_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "7"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "8"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdogs_time_is_ours_only_if_meant_for_us(environment: dict[str, str], expected_s: float | None) -> None:
    assert Notifier(environment, pid=7).watchdog_s == expected_s


def health(*, engine_s: float, journal_s: float, is_ok: bool = True, source_s: float | None = None) -> Health:
    """Parts that moved so many seconds before second 100."""
    moved = {"engine": 100.0 - engine_s, "journal": 100.0 - journal_s}
    moved |= {"source": 100.0 - source_s} if source_s is not None else {}
    return Health(moved=moved, journal_ok=is_ok)


@pytest.mark.parametrize(
    ("state", "expected"),
    [
        (health(engine_s=1, journal_s=1, source_s=1), []),
        (health(engine_s=1, journal_s=1), []),  # no board was ever there
        (health(engine_s=1, journal_s=1, source_s=600), []),  # the board is unplugged
        (health(engine_s=1, journal_s=600, is_ok=False), []),  # the disk is full, and that was told
        (health(engine_s=1, journal_s=6), ["journal"]),  # the saver hangs without a word
        (health(engine_s=6, journal_s=1, source_s=1), ["engine"]),
        (Health(), ["engine", "journal"]),
    ],
)
def test_what_keeps_food_from_the_watchdog(state: Health, expected: list[str]) -> None:
    assert starved_by(state, 100.0) == expected


def fed(manager: Manager) -> int:
    """How often so far."""
    return manager.hear().count("WATCHDOG=1")


async def test_a_living_watch_feeds_and_a_hung_one_starves_and_says_so(manager: Manager, tmp_path: Path) -> None:
    said = notifier(tmp_path, WATCHDOG_USEC="60000")
    told: list[str] = []
    now_s, state = [100.0], health(engine_s=0, journal_s=0)
    feeding = asyncio.create_task(feed_watchdog(said, state, lambda: now_s[0], told.append))
    await until(lambda: fed(manager) >= 3)
    now_s[0] = 106.0
    await until(lambda: bool(told))
    hungry = fed(manager)
    await asyncio.sleep(0.12)  # six meals' time
    assert fed(manager) == hungry
    assert told == ["engine and journal stand still: the watchdog is not fed"]
    state.moved.update(engine=106.0, journal=106.0)
    await until(lambda: fed(manager) > hungry)
    feeding.cancel()


async def test_a_blocked_loop_feeds_nothing(manager: Manager, tmp_path: Path) -> None:
    """Fault: something holds up the event loop.  The feeder lives on it, so the manager hears nothing."""
    said, state = notifier(tmp_path, WATCHDOG_USEC="60000"), health(engine_s=0, journal_s=0)
    feeding = asyncio.create_task(feed_watchdog(said, state, lambda: 100.0, lambda _: None))
    await until(lambda: fed(manager) > 0)
    before = fed(manager)
    time.sleep(0.3)  # noqa: ASYNC251  the very fault
    assert fed(manager) == before
    feeding.cancel()


async def test_without_a_watchdog_nothing_is_fed(manager: Manager, tmp_path: Path) -> None:
    await asyncio.wait_for(feed_watchdog(notifier(tmp_path), Health(), lambda: 0.0, lambda _: None), 1.0)
    assert manager.hear() == []


def test_a_running_daemon_without_its_board_is_ready_fed_and_says_when_it_stops(
    manager: Manager, tmp_path: Path
) -> None:
    daemon = Daemon(tmp_path / "bench")
    daemon.port.unplug()
    os.environ |= (given := {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "600000"})
    try:
        daemon.start()
        wait_for(lambda: manager.hear().count("WATCHDOG=1") >= 3, 5.0)
        assert "READY=1" in manager.heard[:1]
        assert any(word.startswith("STATUS=watches North bench: cup-1-temperature") for word in manager.heard)
        assert daemon.stop() == 0
        assert "STOPPING=1" in manager.hear()
    finally:
        for key in given:
            del os.environ[key]
        daemon.close()


def test_the_command_line_needs_no_manager() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from benchd.runtime.watch.systemd import Notifier; Notifier().ready('x')"],
        env={"PATH": os.environ["PATH"]}, capture_output=True, text=True, timeout=20, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
