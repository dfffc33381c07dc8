"""The core asks nobody but its inputs: with the disk, the sockets and the clocks rigged, a recording says the same."""

from __future__ import annotations

import builtins
import json
import lzma
import os
import socket
import time
from pathlib import Path
from typing import Any

import pytest

from benchd.core.engine import Engine
from benchd.core.findings import Finding
from benchd.core.format.printed import to_json_object
from benchd.core.format.record import read_recording
from benchd.core.model import Alert, Utterance
from benchd.plugins import PLUGINS, watcher_plan

RECORDINGS = Path(__file__).parents[1] / "recordings"
RIGGED = (
    (builtins, "open"), (os, "open"), (os, "listdir"), (os, "scandir"), (socket, "socket"),
    (time, "time"), (time, "time_ns"), (time, "monotonic"), (time, "perf_counter"),
)  # fmt: skip


def test_a_recording_replays_with_disk_sockets_and_clocks_rigged(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = lzma.decompress((RECORDINGS / "load-1.jsonl.xz").read_bytes()).decode().splitlines()
    written = (RECORDINGS / "load-1.expected.jsonl").read_text("utf-8").splitlines()
    items = list(read_recording(lines))
    PLUGINS.watcher_modules()  # imported, as when the daemon has begun
    touched: list[str] = []

    def rig(rigged: pytest.MonkeyPatch, module: Any, call: str) -> None:
        def raises(*_: object, **__: object) -> None:
            touched.append(f"{module.__name__}.{call}")
            raise RuntimeError("the core may not touch the outside")

        rigged.setattr(module, call, raises)

    engine, told = Engine(watcher_plan), []
    with monkeypatch.context() as rigged:
        for module, call in RIGGED:
            rig(rigged, module, call)
        for item in items:
            told += [e for e in engine.step(item) if isinstance(e, Finding | Alert | Utterance)]
    assert touched == []
    assert [to_json_object(effect) for effect in told] == [json.loads(line) for line in written]
