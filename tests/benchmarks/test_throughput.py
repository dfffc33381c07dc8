"""How much slower than a bare script is the daemon, how long does a word take?  Each figure beside a floor of its run.

The figures are printed (`pytest -s`) and go to the file that BENCHD_MEASURED names; asserted is what must hold whatever
the machine does meanwhile: nothing is lost, and ratios to what the same machine does in the same minute.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import psutil
import pytest
from benchmarks.floors import (
    ReadySocket,
    commits_ms,
    cpu_s,
    imports_cpu_s,
    p50_p99,
    p99,
    round_trips_ms,
    rss_mb,
)
from daemon import ROOT, Daemon, Port, running, wait_for
from mosquitto import Mosquitto, needs_mosquitto
from mosquitto import running as broker_running
from paho.mqtt.enums import CallbackAPIVersion

from benchd.core.intake.wire import encode
from benchd.rehearsal import load_scenario
from benchd.rehearsal.pty_board import PtyBoard

FROZEN = {
    "bare_script.py": "1c796f87e7a6e2579af08208b606140e46746bfdf6d003a9c4b4117155609f85",
    "exact_script.py": "e8827e40d0a7558b7ef210571156c42be6ce90a4eceae9d78085e7813b760ff2",
}
"""The baselines' SHA-256: a ratio to one means something only while it stays as it was."""
HERE = ROOT / "tests" / "benchmarks"
LINES = 30_000
VALUES = 5  # of a line: four channels and its number, which the bare scripts save like a reading
RUNG_S = 10.0
SHARES = (0.5, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.5)
SAVED_WITHIN_S = 3.0  # after the last line; the commit itself comes every two seconds, or fifteen when idle


def line(seq: int) -> bytes:
    values = {
        "cup": (22.0 + (seq % 7) * 0.1, "Cel"),
        "pot": (100.0 * (seq % 5), "Pa"),
        "room": (21.5, "Cel"),
        "rh": (45.0, "%RH"),
    }
    return encode([(n, v, None, u) for n, (v, u) in values.items()], board="b1-", seq=seq)


def told(capsys: Any, text: str) -> None:
    with capsys.disabled():
        print(f"\n  measured: {text}")
    out = os.environ.get("BENCHD_MEASURED")
    if out:
        with open(out, "a", encoding="utf-8") as file:
            file.write(text + "\n")


def test_the_baselines_are_as_they_were() -> None:
    for name, digest in FROZEN.items():
        assert hashlib.sha256((HERE / name).read_bytes()).hexdigest() == digest, name


class Counter:
    """A subscriber that counts messages under a topic."""

    def __init__(self, port: int, topic: str) -> None:
        self.count = 0
        is_ready = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.on_connect = lambda c, *_: c.subscribe(topic, 0)
        self.client.on_subscribe = lambda *_: is_ready.set()
        self.client.on_message = self._heard
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert is_ready.wait(5)

    def _heard(self, *_: Any) -> None:
        self.count += 1

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@dataclass(frozen=True)
class Sustained:
    """One program's flood: lines a second to the last row saved, messages a second as a subscriber counted them."""

    lines_s: float
    messages_s: float


@contextmanager
def script(folder: Path, name: str, broker: Mosquitto, *more: str) -> Iterator[tuple[Port, subprocess.Popen[bytes]]]:
    port = Port(folder / name)
    command = [sys.executable, str(HERE / name), str(folder / name), f"127.0.0.1:{broker.port}", f"bare/{name}"]
    environment = os.environ | {"PYTHONPATH": str(ROOT / "tests")}
    process = subprocess.Popen(
        [*command, str(folder / f"{name}.db"), *more], stdout=subprocess.PIPE, env=environment, cwd=ROOT
    )
    try:
        wait_for(lambda: _has_begun(folder / f"{name}.db", port))  # what is written before it opens the port is lost
        yield port, process
    finally:
        process.kill()
        process.wait(5)
        assert process.stdout is not None
        process.stdout.close()
        port.unplug()


def script_rate(folder: Path, name: str, broker: Mosquitto, lines: list[bytes], *more: str) -> Sustained:
    """What a baseline sustains, fed as fast as it takes them, up to its own last row."""
    counter = Counter(broker.port, f"bare/{name}/#")
    with script(folder, name, broker, *more) as (port, process):
        before = _rows(folder / f"{name}.db")
        started_s = time.monotonic()
        for at in range(0, len(lines), 20):
            port.write(b"".join(lines[at : at + 20]))
        wait_for(lambda: _rows(folder / f"{name}.db") >= before + VALUES * len(lines), 60)
        took_s = time.monotonic() - started_s
        process.send_signal(signal.SIGTERM)
        out, _ = process.communicate(timeout=20)
    counter.close()
    assert json.loads(out)["lines"] >= len(lines)
    return Sustained(len(lines) / took_s, counter.count / took_s)


def _has_begun(path: Path, port: Port) -> bool:
    """Whether the script saves what it reads: it commits once a second, if a line comes."""
    port.write(line(0))
    time.sleep(0.3)
    return path.exists() and _rows(path) > 0


def _rows(path: Path) -> int:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        try:
            return int(db.execute("SELECT coalesce(max(rowid), 0) FROM readings").fetchone()[0])
        except sqlite3.OperationalError:
            return 0


def daemon_rate(folder: Path, broker: Mosquitto, bare: float) -> tuple[Sustained, list[str]]:
    """The highest rung that `benchd run` holds: ten seconds written in time, no line dropped, all of them saved."""
    best, notes, seq = Sustained(0.0, 0.0), list[str](), 1
    with running(folder, mqtt_port=broker.port, is_forked=False) as daemon:
        counter = Counter(broker.port, "benchd/v0/#")
        daemon.port.write(line(0))
        wait_for(lambda: daemon.get("/api/v0/state")["readings"], 10)
        for share in SHARES:
            lines = [line(seq + at) for at in range(int(share * bare * RUNG_S))]
            seq, heard = seq + len(lines), counter.count
            wrote_s = paced(daemon.port, lines, share * bare)
            is_saved = _all_saved(daemon, seq)
            lost = dropped(daemon)
            notes.append(f"{share:.2f}: written in {wrote_s:.1f} s, {'all saved' if is_saved else 'late'}, {lost} lost")
            if lost or not is_saved or wrote_s > 1.03 * RUNG_S:
                break
            best = Sustained(len(lines) / wrote_s, (counter.count - heard) / wrote_s)
        counter.close()
    return best, notes


def _all_saved(daemon: Daemon, count: int) -> bool:
    """Whether the journal has all lines soon enough, the wait for the next idle commit (15 s) not counted."""
    until_s = time.monotonic() + 15.0 + SAVED_WITHIN_S
    while saved(daemon) + dropped(daemon) < count:
        if time.monotonic() > until_s:
            return False
        time.sleep(0.05)
    return True


def paced(port: Port, lines: list[bytes], rate: float) -> float:
    """Write lines at a rate, in pieces of ten milliseconds; the seconds it took: more where the reader is behind."""
    step = max(1, int(rate / 100))
    started_s = time.monotonic()
    for at in range(0, len(lines), step):
        time.sleep(max(0.0, started_s + at / rate - time.monotonic()))
        port.write(b"".join(lines[at : at + step]))
    return time.monotonic() - started_s


def saved(daemon: Daemon) -> int:
    return int(daemon.rows("SELECT coalesce(sum(count), 0) FROM bundles")[0][0])


def dropped(daemon: Daemon) -> int:
    return int(daemon.get("/api/v0/state")["health"]["dropped"].get("mailbox", 0))


@needs_mosquitto
@pytest.mark.timeout(1200)
def test_lines_a_second_against_the_bare_scripts(tmp_path: Path, record_property: Any, capsys: Any) -> None:
    lines = [line(seq) for seq in range(LINES)]
    (tmp_path / "broker").mkdir()
    with broker_running(tmp_path / "broker") as broker:
        bare = script_rate(tmp_path, "bare_script.py", broker, lines)
        ours, notes = daemon_rate(tmp_path / "daemon", broker, bare.lines_s)
        every = VALUES * ours.lines_s / max(ours.messages_s, 0.1)
        exact = script_rate(tmp_path, "exact_script.py", broker, lines, f"{every:.1f}")
    told(
        capsys,
        f"sustained lines/s to the last row saved: benchd {ours.lines_s:.0f} ({ours.messages_s:.0f} messages/s); "
        f"a bare script that sends each reading {bare.lines_s:.0f} ({bare.messages_s:.0f}), ratio "
        f"{ours.lines_s / bare.lines_s:.2f}; one that sends as many as benchd {exact.lines_s:.0f} "
        f"({exact.messages_s:.0f}), ratio {ours.lines_s / exact.lines_s:.2f}; rungs {'; '.join(notes)}",
    )
    record_property("ratio", ours.lines_s / exact.lines_s)
    assert ours.lines_s > 0


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
@pytest.mark.timeout(180)
def test_last_byte_to_subscriber_at_twenty_lines_a_second(tmp_path: Path, capsys: Any) -> None:
    """A value that a newer one overtook on the way counts as superseded, which newest-wins is for, not as lost."""
    (tmp_path / "broker").mkdir()
    with broker_running(tmp_path / "broker") as broker:
        floor = round_trips_ms(broker.port)
        commit = commits_ms(tmp_path)
        with running(tmp_path / "daemon", mqtt_port=broker.port, is_forked=False) as daemon:
            subscriber = Subscriber(broker.port, "benchd/v0/quiet-harbour/north/read/cup-1-temperature")
            sent = {}
            for seq in range(240):
                value = round(20.0 + seq * 0.01, 2)
                data = encode([("cup", value, None, "Cel")], board="b1-", seq=seq)
                sent[value] = time.monotonic()
                daemon.port.write(data)
                time.sleep(0.05)
            time.sleep(0.5)
            subscriber.close()
        again = round_trips_ms(broker.port)
    seen = subscriber.seen
    delays_ms = [1e3 * (seen[value] - at) for value, at in sent.items() if value in seen]
    lost = [value for value in sent if value not in seen and not any(newer > value for newer in seen)]
    both = floor + again
    bound = 5.0 * p99(both) + p99(commit)
    told(
        capsys,
        f"last byte to subscriber: {p50_p99(delays_ms)} ms, {len(sent) - len(delays_ms)} of {len(sent)} superseded; "
        f"bare paho round trip {p50_p99(both)}, bare commit {p50_p99(commit)} ms; p99 is "
        f"{(p99(delays_ms) - p99(commit)) / p99(both):.1f} round trips beyond the commit (5: {bound:.0f} ms)",
    )
    assert not lost
    assert len(delays_ms) > len(sent) / 2


class NotifiedDaemon(Daemon):
    """A daemon whose service manager listens."""

    def given(self) -> dict[str, str]:
        return super().given() | {"NOTIFY_SOCKET": str(self.folder / "notify")}

    def ready(self) -> tuple[float, float]:
        """Start it; (wall, processor) seconds until it says that it is ready."""
        with ReadySocket(self.folder) as manager:
            started_s = time.monotonic()
            self.begin()
            manager.wait()
            assert self.process is not None
            return time.monotonic() - started_s, cpu_s(self.process.pid)


def idle_pct(pid: int, write: Any, seconds: float) -> float:
    """A process's share of a core while five lines a second come."""
    before, since_s = cpu_s(pid), time.monotonic()
    for seq in range(int(5 * seconds)):
        write(seq)
        time.sleep(max(0.0, since_s + 0.2 * (seq + 1) - time.monotonic()))
    return 100.0 * (cpu_s(pid) - before) / (time.monotonic() - since_s)


@needs_mosquitto
@pytest.mark.timeout(300)
def test_idle_cpu_memory_and_readiness(tmp_path: Path, capsys: Any) -> None:
    """Idle once its tables are built and its lessons learned; the bare script takes the same lines at the same time."""
    (tmp_path / "broker").mkdir()
    floor_s = imports_cpu_s()
    with broker_running(tmp_path / "broker") as broker:
        daemon = NotifiedDaemon(tmp_path / "daemon", mqtt_port=broker.port, is_forked=False)
        try:
            first = daemon.ready()
            daemon.port.write(line(0))
            time.sleep(20.0)
            assert daemon.process is not None
            assert len(list((tmp_path / "daemon" / "tables").glob("*.json"))) >= 3
            with script(tmp_path, "bare_script.py", broker) as (port, process):
                shares = [0.0]

                def bare() -> None:
                    shares[0] = idle_pct(process.pid, lambda seq: port.write(line(seq + 1)), 60.0)

                beside = threading.Thread(target=bare)
                beside.start()
                ours = idle_pct(daemon.process.pid, lambda seq: daemon.port.write(line(seq + 1)), 60.0)
                beside.join()
            memory = rss_mb(daemon.process.pid), rss_mb(daemon.process.pid, peak=True)
            daemon.mark("mix", molds=["M02"])
            daemon.kill()
            again = daemon.ready()
            assert daemon.get("/api/v0/state")["about"]
            assert daemon.stop() == 0
        finally:
            daemon.close()
    told(
        capsys,
        f"idle at 5 lines/s: {ours:.2f} % of a core, a bare script {shares[0]:.2f} %, ratio {ours / shares[0]:.1f}; "
        f"{memory[0]:.0f} MB, at most {memory[1]:.0f}",
    )
    told(
        capsys,
        f"ready: {first[1]:.2f} s of a core ({first[0]:.2f} s by the clock), in mid-pour after kill -9 {again[1]:.2f} "
        f"({again[0]:.2f}); loading the libraries alone {floor_s:.2f}, ratio {first[1] / floor_s:.1f}",
    )


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
