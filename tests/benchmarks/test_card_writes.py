"""How much does an idle bench write to its card, and how long does a start take behind an idle checkpoint?

The bytes are the kernel's own count for the process, `write_bytes` in /proc/<pid>/io (proc(5): what it caused to be
sent to the storage layer), beside those of a plain log of the same lines in the same seconds (plain_log.py).
"""

from __future__ import annotations

import subprocess
import sys
import time
import zlib
from pathlib import Path
from typing import Any

import pytest
from benchmarks.test_throughput import line, told
from daemon import ROOT, running, wait_for

from benchd.core.engine import Engine
from benchd.core.model import Line
from benchd.plugins import load_settings, watcher_plan
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import Checkpoint, Reached, Writes
from benchd.runtime.watch.pipeline import IDLE_TAIL
from benchd.runtime.watch.recovery import EngineMaker, Recovery

LINES_A_SECOND = 5
SETTLE_S, MEASURED_S = 75, 75  # section tables, the first minute's rows and the first sweep come once a start
ASKED_BYTES_A_SECOND = 2000
ASKED_START_S = 2.0
T0 = 1_767_607_331.0
PLAIN = ROOT / "tests" / "benchmarks" / "plain_log.py"


def written_bytes(pid: int) -> int:
    text = Path(f"/proc/{pid}/io").read_text("ascii")
    return int(text.partition("\nwrite_bytes: ")[2].split("\n")[0])


@pytest.mark.timeout(300)
def test_bytes_a_second_at_five_lines_a_second(tmp_path: Path, capsys: Any) -> None:
    """Seven or eight commits of an idle bench; the engine's state, once in seven minutes or so, is not among them."""
    plain = subprocess.Popen([sys.executable, str(PLAIN), str(tmp_path / "plain.db")], stdin=subprocess.PIPE)
    assert plain.stdin is not None
    with running(tmp_path / "daemon", is_forked=False) as daemon:
        assert daemon.process is not None
        pids = (daemon.process.pid, plain.pid)
        daemon.port.write(line(0))
        wait_for(lambda: daemon.get("/api/v0/state")["readings"], 10)
        started_s, before = time.monotonic(), (0, 0)
        for seq in range(1, (SETTLE_S + MEASURED_S) * LINES_A_SECOND):
            if seq == SETTLE_S * LINES_A_SECOND:
                before, since_s = (written_bytes(pids[0]), written_bytes(pids[1])), time.monotonic()
            daemon.port.write(line(seq))
            plain.stdin.write(line(seq))
            plain.stdin.flush()
            time.sleep(max(0.0, started_s + seq / LINES_A_SECOND - time.monotonic()))
        took_s = time.monotonic() - since_s
        ours, theirs = ((written_bytes(pid) - at) / took_s for pid, at in zip(pids, before, strict=True))
        assert daemon.stop() == 0
        assert daemon.lines()[-seq:] == [line(n).decode().strip() for n in range(1, seq + 1)]
    plain.stdin.close()
    assert plain.wait(10) == 0
    if not theirs:
        pytest.skip("no bytes are counted here: the tests' folder is not on a disk")
    told(
        capsys,
        f"idle at 5 lines/s: {ours:.0f} bytes/s written, a plain log {theirs:.0f}, ratio {ours / theirs:.2f}",
    )
    assert ours <= ASKED_BYTES_A_SECOND


def idle_lines(count: int) -> list[Line]:
    return [Line(T0 + (n + 1) / LINES_A_SECOND, "board", line(n).decode().strip()) for n in range(count)]


async def start_s(path: Path, count: int) -> float:
    """How long recovery takes with `count` idle lines, in commits of ten seconds, behind the checkpoint [s]."""
    engine, lines = Engine(watcher_plan), idle_lines(count)
    head = load_settings(ROOT / "config" / "bench.toml").context(T0)
    writes = Writes()
    writes.add_input(1, head)
    engine.step(head)
    writes.checkpoint = Checkpoint(1, engine.now, engine.told, zlib.compress(engine.freeze(), 1))
    for n, item in enumerate(lines, 2):
        writes.add_input(n, item)
        engine.step(item)
        if n % 50 == 0 or n == count + 1:
            writes.reached = Reached(n, engine.now, engine.told)
            async with Journal(path) as journal:
                await journal.write(writes)
            writes = Writes()

    async def run(function: Any, *values: Any) -> Any:
        return function(*values)

    maker = EngineMaker(lambda: Engine(watcher_plan), lambda blob, standing: Engine.thaw(blob, watcher_plan, standing))
    async with Journal(path) as journal:
        started_s = time.perf_counter()
        found = await Recovery(journal, maker, lambda: engine.now + 5.0, time.time()).recover(run)
        took_s = time.perf_counter() - started_s
    assert (found.how, found.seq, found.engine.now) == ("checkpoint", count + 1, engine.now)
    return took_s


@pytest.mark.timeout(180)
async def test_a_start_behind_an_idle_checkpoint(tmp_path: Path, capsys: Any) -> None:
    most_s = await start_s(tmp_path / "most.db", IDLE_TAIL)
    ten_minutes_s = await start_s(tmp_path / "ten.db", 600 * LINES_A_SECOND)
    told(
        capsys,
        f"a start behind {IDLE_TAIL} idle lines, the most, {most_s:.2f} s; behind ten minutes {ten_minutes_s:.2f} s",
    )
    assert most_s < ASKED_START_S
