"""The floors beside benchd's figures, of the same run: Python's imports, SQLite's commit, a broker's round trip.

A figure of a shared machine says little alone; its ratio to the plainest program that does the same says what benchd
adds.
"""

from __future__ import annotations

import contextlib
import os
import resource
import socket
import sqlite3
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

LIBRARIES = (
    "numpy", "asyncio", "sqlite3", "aiosqlite", "json", "pydantic", "starlette.applications", "uvicorn", "serial",
    "paho.mqtt.client",
)  # fmt: skip
TICKS_A_S = os.sysconf("SC_CLK_TCK")


def cpu_s(pid: int) -> float:
    """What a process has used of a processor [s], by the kernel's count."""
    fields = Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_A_S


def rss_mb(pid: int, peak: bool = False) -> float:
    """A process's resident memory [MB]; with `peak` the most it ever had."""
    name = "VmHWM:" if peak else "VmRSS:"
    lines = Path(f"/proc/{pid}/status").read_text("utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(name)) / 1024.0


def imports_cpu_s() -> float:
    """What a new Python uses to load the libraries that benchd runs on, none of its own modules [s]."""
    least = float("inf")
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-c", f"import {', '.join(LIBRARIES)}"], check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        least = min(least, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return least


def commits_ms(folder: Path, count: int = 100) -> list[float]:
    """How long a bare SQLite takes to commit one row as the journal does: WAL, synchronous=FULL."""
    with contextlib.closing(sqlite3.connect(folder / "floor.db", isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
        db.execute("CREATE TABLE rows (body TEXT)")
        took = []
        for _ in range(count):
            since_s = time.perf_counter()
            db.execute("BEGIN IMMEDIATE")
            db.execute("INSERT INTO rows VALUES (?)", ("x" * 200,))
            db.execute("COMMIT")
            took.append(1e3 * (time.perf_counter() - since_s))
            time.sleep(0.01)
    return took


def round_trips_ms(port: int, count: int = 240, pause_s: float = 0.05) -> list[float]:
    """From a bare paho client's publish to a bare subscriber, QoS 0, at the pace of the test it stands beside."""
    heard: list[float] = []
    is_subscribed = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_subscribe = lambda *_: is_subscribed.set()
    client.on_connect = lambda c, *_: c.subscribe("floor", 0)
    client.on_message = lambda c, d, m: heard.append(1e3 * (time.monotonic() - float(m.payload)))
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert is_subscribed.wait(5)
    for _ in range(count):
        client.publish("floor", str(time.monotonic()), 0)
        time.sleep(pause_s)
    time.sleep(0.5)
    client.disconnect()
    client.loop_stop()
    assert len(heard) == count
    return heard


def p99(values: list[float]) -> float:
    return sorted(values)[min(len(values) - 1, int(0.99 * len(values)))]


def p50_p99(values: list[float]) -> str:
    return f"p50 {statistics.median(values):.1f}, p99 {p99(values):.1f}"


class ReadySocket:
    """A service manager's socket, which is told of the ready daemon: nothing is polled, so nothing is disturbed."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "notify"
        self.path.unlink(missing_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self.path))

    def wait(self, within_s: float = 120.0) -> None:
        self._socket.settimeout(within_s)
        while b"READY=1" not in self._socket.recv(4096):
            pass

    def __enter__(self) -> ReadySocket:
        return self

    def __exit__(self, *_: Any) -> None:
        self._socket.close()
