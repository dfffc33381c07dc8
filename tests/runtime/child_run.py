"""A watch in a process of its own (watch_child.py), and what it has said so far."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

CHILD = Path(__file__).with_name("watch_child.py")


class Run:
    """One life of the child: what it said before it was killed."""

    def __init__(self, path: Path, number: int, *options: str) -> None:
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join([p for p in sys.path if p])}
        command = [sys.executable, str(CHILD), str(path), str(number), *options]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, env=environment, bufsize=0)
        self.said: list[list[Any]] = []
        self._rest = b""

    def __enter__(self) -> Run:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.kill()

    def read_for(self, s: float) -> None:
        """Take what it says for s seconds, and whatever whole lines have come by then."""
        assert self.process.stdout is not None
        end_s = time.monotonic() + s
        while True:
            left_s = max(0.0, end_s - time.monotonic())
            if not select.select([self.process.stdout], [], [], left_s)[0]:
                return
            self._rest += os.read(self.process.stdout.fileno(), 65536)
            *whole, self._rest = self._rest.split(b"\n")
            self.said += [json.loads(line) for line in whole]

    def wait_ready(self) -> None:
        assert self.process.stdout is not None
        while not self.of("ready"):  # alarms that stand may be said first
            self.read_for(0.05)

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.finish()

    def finish(self, timeout_s: float = 20.0) -> None:
        out, _ = self.process.communicate(timeout=timeout_s)
        out = self._rest + out
        whole = out[: out.rfind(b"\n") + 1].splitlines()  # a line cut by the kill was not said
        self.said += [json.loads(line) for line in whole]

    def of(self, kind: str) -> list[list[Any]]:
        return [entry[1:] for entry in self.said if entry[0] == kind]
