"""How many times faster than life does a recording replay?  Measured with and without a cup open, and printed."""

from __future__ import annotations

import lzma
import time
from collections.abc import Sequence
from typing import Any

import pytest
from benchmarks.test_throughput import told
from test_replay import HERE

from benchd.core.engine import Engine
from benchd.core.format.record import read_recording
from benchd.core.intake.wire import encode
from benchd.core.model import Input, Line, Mark
from benchd.plugins import watcher_plan

IDLE_S = 7200


def rate(engine: Engine, inputs: Sequence[Input]) -> float:
    """Bench seconds stepped a second."""
    started_s = time.perf_counter()
    for item in inputs:
        engine.step(item)
    return (inputs[-1].t - inputs[0].t) / (time.perf_counter() - started_s)


@pytest.mark.timeout(120)
def test_replay_speed(capsys: Any) -> None:
    text = lzma.decompress((HERE / "load-1.jsonl.xz").read_bytes()).decode().splitlines()
    inputs = list(read_recording(text))
    engine = Engine(watcher_plan)
    busy = rate(engine, inputs)
    assert engine.told > 20

    engine = Engine(watcher_plan)
    engine.step(inputs[0])
    start_t = inputs[0].t
    idle_lines = [
        Line(start_t + 1 + s / 4, "board", encode([("cup", 21.5, None, "Cel"), ("pot", 100.0 * (s % 3), None, "Pa"),
             ("room", 21.5, None, "Cel"), ("rh", 44.0, None, "%RH")], board="b1-", seq=s).decode().strip())
        for s in range(IDLE_S * 4)
    ]  # fmt: skip
    idle = rate(engine, idle_lines)
    assert not engine.is_busy
    assert engine.step(Mark(t=engine.now + 1, verb="mix"))
    told(capsys, f"replay at 4 lines/s: {idle:.0f} times life idle, {busy:.0f} times through load 1 with its cup open")
