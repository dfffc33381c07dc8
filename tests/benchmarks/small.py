"""A small computer: the daemon under a sixth of a core, by a control group's quota, through a load in real time.

    PYTHONPATH=tests python -m benchmarks.small [SHARE] [SCENARIO] [SECONDS]

The quota is the kernel's (cpu.cfs_quota_us of a group of its own, below /sys/fs/cgroup/cpu; root is needed): of each
tenth of a second the daemon gets SHARE, a sixth by default.  Broker, board and listener run outside it.  Memory is not
limited but measured: its peak has to lie far below 512 MB.  Words are timed from the second they are about, which the
engine knows when that second has passed, to the subscriber; what is said is compared with what was said in the recorded
day, where the same load is replayed without any clock.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from benchmarks.floors import ReadySocket, cpu_s, p50_p99, rss_mb
from daemon import ROOT, Daemon
from mosquitto import running as broker_running
from paho.mqtt.enums import CallbackAPIVersion

from benchd.rehearsal import load_scenario
from benchd.rehearsal.pty_board import PtyBoard

GROUPS = Path("/sys/fs/cgroup/cpu")
PERIOD_US = 100_000
TOPICS = "benchd/v0/quiet-harbour/north/#"
WORDS = ROOT / "tests" / "recordings" / "day.words.txt"
SAID = re.compile(r"^\S+ P\d (\S+): ", re.MULTILINE)


@contextlib.contextmanager
def sixth_of_a_core(share: float) -> Iterator[Path]:
    """A control group whose processes get this share of one core; its file of processes."""
    group = GROUPS / f"benchd-small-{os.getpid()}"
    group.mkdir()
    try:
        (group / "cpu.cfs_period_us").write_text(str(PERIOD_US))
        (group / "cpu.cfs_quota_us").write_text(str(int(share * PERIOD_US)))
        yield group / "cgroup.procs"
    finally:
        time.sleep(0.5)
        group.rmdir()


@dataclass
class SmallDaemon(Daemon):
    """A daemon that joins the group before it is loaded."""

    procs: Path = field(default_factory=Path)

    def around(self) -> list[str]:
        return ["sh", "-c", f'echo $$ > {self.procs}; exec "$@"', "sh"]

    def given(self) -> dict[str, str]:
        return super().given() | {"NOTIFY_SOCKET": str(self.folder / "notify")}


class Listener:
    """What the broker hands on, with the wall clock's time of its arrival."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[float, str, dict[str, Any]]] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.on_connect = lambda c, *_: c.subscribe(TOPICS, 1)
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        kind = message.topic.rpartition("/")[2]
        if kind in ("say", "alert-log") and not message.retain:
            self.heard.append((time.time(), kind, json.loads(message.payload)))

    def late_s(self, kind: str) -> list[float]:
        return [at - float(body["t"]) for at, of, body in self.heard if of == kind]

    def latest(self, kind: str, most: int = 6) -> str:
        """The ones that came latest: seconds after theirs, what, and when since the first of all."""
        begun_s = self.heard[0][0] if self.heard else 0.0
        late = sorted(((at - float(body["t"]), at - begun_s, body) for at, of, body in self.heard if of == kind),
                      key=lambda each: -each[0])  # fmt: skip
        return ", ".join(
            f"{late_s:.1f} s {body.get('code') or body.get('alert')} at {at_s:.0f}"
            for late_s, at_s, body in late[:most]
        )

    def codes(self) -> list[str]:
        return [str(body.get("code") or body.get("say")) for _, of, body in self.heard if of == "say"]


def written_bytes(pid: int) -> int:
    lines = Path(f"/proc/{pid}/io").read_text("utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def play(daemon: SmallDaemon, scenario: str, seconds: float) -> None:
    """The scenario's board and marks, in real time."""
    marks: list[dict[str, Any]] = []
    board = PtyBoard(load_scenario(scenario), 1.0, link=daemon.folder / "board", on_mark=marks.append)
    board.replug()
    until_s = time.monotonic() + seconds
    with board:
        while not board.done.wait(0.05) and time.monotonic() < until_s:
            while marks:
                mark = {key: value for key, value in marks.pop(0).items() if key != "t_s"}
                daemon.mark(mark.pop("verb"), **mark)


def measure(share: float, scenario: str, seconds: float) -> Iterator[str]:
    with (
        tempfile.TemporaryDirectory() as name,
        sixth_of_a_core(share) as procs,
        broker_running(Path(name)) as broker,
    ):
        daemon = SmallDaemon(Path(name) / "bench", mqtt_port=broker.port, clock="arrival", procs=procs)
        daemon.finds_tables = False
        daemon.port.unplug()
        listener = Listener(broker.port)
        try:
            with ReadySocket(daemon.folder) as manager:
                started_s = time.monotonic()
                process = daemon.begin()
                manager.wait()
                ready_s = time.monotonic() - started_s
            yield f"share of a core {share:.3f}: ready after {ready_s:.1f} s, {cpu_s(process.pid):.2f} s of it used"
            tables = threading.Thread(target=lambda: _note_tables(daemon, started_s), daemon=True)
            tables.start()
            before, since_s = written_bytes(process.pid), time.monotonic()
            play(daemon, scenario, seconds)
            took_s = time.monotonic() - since_s
            written = written_bytes(process.pid) - before
            used = cpu_s(process.pid)
            yield f"{scenario}: {took_s:.0f} s played, {used:.0f} s of a core used in all"
            late_s = listener.late_s("say")
            yield f"words {p50_p99(late_s)}, most {max(late_s):.1f} s after their second"
            yield f"alarms {p50_p99(listener.late_s('alert-log'))} s"
            yield f"latest words: {listener.latest('say')}; alarms: {listener.latest('alert-log')}"
            news = daemon.rows("SELECT t, body FROM inputs WHERE kind IN ('news', 'gap') ORDER BY seq")
            yield (
                "; ".join(f"{float(t) - (time.time() - took_s):.1f} s: {body}" for t, body in news) or "no news, no gap"
            )
            expected = SAID.findall(WORDS.read_text("utf-8"))
            said = listener.codes()
            yield f"{len(said)} words: {', '.join(said)}"
            yield f"never said in the recorded day: {sorted(set(said) - set(expected))}"
            yield f"memory at most {rss_mb(process.pid, peak=True):.0f} MB; written {written / took_s / 1e3:.1f} kB/s"
            assert daemon.stop() == 0
        finally:
            listener.client.disconnect()
            listener.client.loop_stop()
            daemon.close()


def _note_tables(daemon: SmallDaemon, started_s: float) -> None:
    while len(list((daemon.folder / "tables").glob("*.json"))) < 3:
        time.sleep(0.5)
    print(f"tables built {time.monotonic() - started_s:.0f} s after the start", flush=True)


if __name__ == "__main__":
    share, scenario, seconds = [*sys.argv[1:], *("0.1667", "load-1", "1e9")[len(sys.argv) - 1 :]]
    for line in measure(float(share), scenario, float(seconds)):
        print(line, flush=True)
