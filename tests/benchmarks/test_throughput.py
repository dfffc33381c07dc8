"""How much slower than a bare script is the daemon, and how long does a word take?  Measured, not asserted as timings.

Ratios are taken in the same run against tests/benchmarks/bare_script.py.  The figures are printed (`pytest -s`) and
kept as the benchmark's extra info; what is asserted is only that nothing was lost while measuring.
"""

from __future__ import annotations

import json
import os
import signal
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import psutil
import pytest
from daemon import ROOT, Daemon, Port, running, wait_for
from mosquitto import Mosquitto, needs_mosquitto
from paho.mqtt.enums import CallbackAPIVersion

from benchd.core.intake.wire import encode
from benchd.rehearsal import load_scenario
from benchd.rehearsal.pty_board import PtyBoard

LINES = 24_000
PACED_S = 2.0
SHARES = (0.2, 0.4, 0.6, 0.8)
BARE = ROOT / "tests" / "benchmarks" / "bare_script.py"


def line(seq: int) -> bytes:
    values = {
        "cup": (22.0 + (seq % 7) * 0.1, "Cel"),
        "pot": (100.0 * (seq % 5), "Pa"),
        "room": (21.5, "Cel"),
        "rh": (45.0, "%RH"),
    }
    return encode([(n, v, None, u) for n, (v, u) in values.items()], board="b1-", seq=seq)


def feed(port: Port, lines: list[bytes]) -> float:
    """Write all lines as fast as they are taken; the seconds it took."""
    started_s = time.monotonic()
    for at in range(0, len(lines), 20):
        port.write(b"".join(lines[at : at + 20]))
    return time.monotonic() - started_s


def bare_rate(folder: Path, broker: Mosquitto, lines: list[bytes]) -> float:
    """Lines a second the bare script sustains."""
    port = Port(folder / "bare")
    command = [
        sys.executable,
        str(BARE),
        str(folder / "bare"),
        f"127.0.0.1:{broker.port}",
        "bare",
        str(folder / "bare.db"),
    ]
    process = subprocess.Popen(command, stdout=subprocess.PIPE)
    time.sleep(1.5)
    took_s = feed(port, lines)
    time.sleep(1.0)
    process.send_signal(signal.SIGTERM)
    out, _ = process.communicate(timeout=20)
    port.unplug()
    counts = json.loads(out)
    assert counts
    return len(lines) / took_s


def daemon_rate(folder: Path, broker: Mosquitto, rates: list[float]) -> float:
    """The highest of these rates [lines/s] that `benchd run` sustains for two seconds with every line saved."""
    best = 0.0
    with running(folder, mqtt_port=broker.port, is_forked=False) as daemon:
        daemon.port.write(line(0))
        wait_for(lambda: daemon.get("/api/v0/state")["readings"], 10)
        seq = 1
        for rate in rates:
            lines = [line(seq + at) for at in range(int(rate * PACED_S))]
            seq += len(lines)
            paced(daemon.port, lines, rate)
            wait_for(lambda: saved(daemon) + dropped(daemon) >= seq - 1, 30)  # noqa: B023 - called at once
            if dropped(daemon):
                break
            best = rate
    return best


def paced(port: Port, lines: list[bytes], rate: float) -> None:
    """Write lines at a rate, in pieces of ten milliseconds."""
    step = max(1, int(rate / 100))
    started_s = time.monotonic()
    for at in range(0, len(lines), step):
        time.sleep(max(0.0, started_s + at / rate - time.monotonic()))
        port.write(b"".join(lines[at : at + step]))


def saved(daemon: Daemon) -> int:
    return int(daemon.rows("SELECT coalesce(sum(count), 0) FROM bundles")[0][0])


def dropped(daemon: Daemon) -> int:
    return int(daemon.get("/api/v0/state")["health"]["dropped"].get("mailbox", 0))


@needs_mosquitto
@pytest.mark.timeout(180)
def test_lines_a_second_against_the_bare_script(tmp_path: Path, record_property: Any, capsys: Any) -> None:
    lines = [line(seq) for seq in range(LINES)]
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker").start()
    try:
        bare = bare_rate(tmp_path, broker, lines)
        ours = daemon_rate(tmp_path / "daemon", broker, [bare * share for share in SHARES])
    finally:
        broker.stop()
    told(capsys, f"sustained lines/s: benchd {ours:.0f}, bare script {bare:.0f}, ratio {ours / bare:.2f}")
    record_property("ratio", ours / bare)
    assert ours > 0


def told(capsys: Any, text: str) -> None:
    with capsys.disabled():
        print(f"\n  measured: {text}")
    out = os.environ.get("BENCHD_MEASURED")
    if out:
        with open(out, "a", encoding="utf-8") as file:
            file.write(text + "\n")


class Subscriber:
    """Notes when each value of one channel arrives."""

    def __init__(self, port: int, topic: str) -> None:
        self.seen: dict[float, float] = {}
        self._ready = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.on_connect = lambda c, *_: c.subscribe(topic, 0)
        self.client.on_subscribe = lambda *_: self._ready.set()
        self.client.on_message = self._heard
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._ready.wait(5)

    def _heard(self, _c: Any, _d: Any, message: paho.MQTTMessage) -> None:
        self.seen.setdefault(json.loads(message.payload)["value"], time.monotonic())

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@needs_mosquitto
@pytest.mark.timeout(120)
def test_last_byte_to_subscriber_at_twenty_lines_a_second(tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker").start()
    try:
        with running(tmp_path / "daemon", mqtt_port=broker.port, is_forked=False) as daemon:
            subscriber = Subscriber(broker.port, "benchd/v0/quiet-harbour/north/read/cup-1-temperature")
            sent: dict[float, float] = {}
            commits = []
            for seq in range(240):
                value = round(20.0 + seq * 0.01, 2)
                data = encode([("cup", value, None, "Cel")], board="b1-", seq=seq)
                sent[value] = time.monotonic()
                daemon.port.write(data)
                time.sleep(0.05)
                if seq % 40 == 0:
                    commits.append(daemon.get("/api/v0/state")["health"]["commit_ms"])
            time.sleep(0.5)
            subscriber.close()
    finally:
        broker.stop()
    delays_ms = sorted(1e3 * (subscriber.seen[v] - at) for v, at in sent.items() if v in subscriber.seen)
    assert len(delays_ms) >= 0.98 * len(sent)
    p50, p99 = statistics.median(delays_ms), delays_ms[int(0.99 * len(delays_ms))]
    told(
        capsys,
        f"last byte to subscriber: p50 {p50:.1f} ms, p99 {p99:.1f} ms; commit {statistics.median(commits):.1f} ms",
    )


@pytest.mark.timeout(120)
def test_idle_cpu_memory_and_readiness(tmp_path: Path, capsys: Any) -> None:
    daemon = Daemon(tmp_path, is_forked=False)
    try:
        ready_s = daemon.start()
        assert daemon.process is not None
        process = psutil.Process(daemon.process.pid)
        for seq in range(10):
            daemon.port.write(line(seq))
            time.sleep(0.2)
        before, since_s = sum(process.cpu_times()[:2]), time.monotonic()
        for seq in range(10, 110):
            daemon.port.write(line(seq))
            time.sleep(0.2)
        cpu_pct = 100 * (sum(process.cpu_times()[:2]) - before) / (time.monotonic() - since_s)
        memory_mb = process.memory_info().rss / 2**20
        daemon.mark("mix", molds=["M02"])
        daemon.kill()
        again_s = daemon.start()
        assert daemon.get("/api/v0/state")["about"]
        assert daemon.stop() == 0
    finally:
        daemon.close()
    told(capsys, f"idle at 5 lines/s: {cpu_pct:.1f} % of a core, {memory_mb:.0f} MB")
    told(capsys, f"ready in {ready_s:.2f} s, in mid-pour after kill -9 in {again_s:.2f} s")


@pytest.mark.timeout(120)
def test_memory_after_a_whole_pour(tmp_path: Path, capsys: Any) -> None:
    """Load 1 of the invented day through a pty at 100 times life, then the process's resident memory."""
    speed = 100.0
    daemon = Daemon(tmp_path, clock="up", rate=speed, is_forked=False)
    daemon.port.unplug()
    marks: list[dict[str, Any]] = []
    board = PtyBoard(load_scenario("load-1"), speed, link=tmp_path / "board", on_mark=marks.append)
    try:
        board.replug()
        daemon.start()
        assert daemon.process is not None
        with board:
            while not board.done.wait(0.05):
                while marks:
                    mark = {k: v for k, v in marks.pop(0).items() if k != "t_s"}
                    daemon.mark(mark.pop("verb"), **mark)
        memory_mb = psutil.Process(daemon.process.pid).memory_info().rss / 2**20
        assert len(daemon.findings("kicked")) == 1
        assert daemon.stop() == 0
    finally:
        daemon.close()
    told(capsys, f"memory after a whole pour and load: {memory_mb:.0f} MB")
