"""`benchd ...` as a process of its own, forked from one that has imported it (fork_server.py).

A start costs what benchd does, not the 0.6 s of a core its imports take.  The process is a real one: pid, environment,
files, signals and exit code are its own.  Only the interpreter's start is left out; what needs that (another
interpreter's options, a namespace around it) runs `python -m benchd`.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

SERVER = Path(__file__).with_name("fork_server.py")
INTERPRETERS = ("PYTHON", "LD_", "MALLOC_", "OPENBLAS_")
"""How the names of variables begin that only a new interpreter reads."""


class Forked:
    """The part of subprocess.Popen that these tests use; stdout and stderr go to `output`, stdin is empty."""

    def __init__(self, words: Sequence[str], environment: Mapping[str, str], output: Path) -> None:
        self.returncode: int | None = None
        self._server = _server()
        self.pid = self._server.begin(words, environment, output)

    def poll(self) -> int | None:
        """Its exit code, None while it runs."""
        return self._ended(0.0)

    def wait(self, timeout: float | None = None) -> int:
        """Its exit code, once it has ended.  Raises subprocess.TimeoutExpired."""
        code = self._ended(timeout)
        if code is None:
            raise subprocess.TimeoutExpired(["benchd"], timeout or 0.0)
        return code

    def send_signal(self, number: int) -> None:
        """Nothing once it has ended."""
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def _ended(self, timeout: float | None) -> int | None:
        if self.returncode is None:
            self.returncode = self._server.code_of(self.pid, timeout)
        return self.returncode


def is_forkable(given: Mapping[str, str]) -> bool:
    """Whether a process with these variables besides ours needs no interpreter of its own."""
    return not any(name.startswith(INTERPRETERS) for name in given)


class Server:
    """The forking process, and what it has said."""

    def __init__(self) -> None:
        self.process = subprocess.Popen([sys.executable, str(SERVER)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self._asking = threading.Lock()
        self._said = threading.Condition()
        self._begun: deque[int] = deque()
        self._codes: dict[int, int] = {}
        threading.Thread(target=self._listen, name="fork server", daemon=True).start()

    def begin(self, words: Sequence[str], environment: Mapping[str, str], output: Path) -> int:
        """Fork one; its pid."""
        request = {
            "words": list(words), "environment": dict(environment), "folder": os.getcwd(),
            "output": str(output.absolute()),
        }  # fmt: skip
        assert self.process.stdin is not None
        with self._asking, self._said:
            self.process.stdin.write(json.dumps(request).encode() + b"\n")
            self.process.stdin.flush()
            assert self._said.wait_for(lambda: self._begun, 60.0), "the fork server does not answer"
            return self._begun.popleft()

    def code_of(self, pid: int, timeout: float | None) -> int | None:
        """The exit code of what was forked, None if it has not ended within the timeout [s]."""
        with self._said:
            self._said.wait_for(lambda: pid in self._codes, timeout)
            return self._codes.pop(pid, None)

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            told = json.loads(line)
            with self._said:
                if "pid" in told:
                    self._begun.append(told["pid"])
                else:
                    self._codes[told["ended"]] = told["code"]
                self._said.notify_all()

    def end(self) -> None:
        """Let it go, and wait until it has."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(10)


@cache
def _server() -> Server:
    server = Server()
    atexit.register(server.end)
    return server
