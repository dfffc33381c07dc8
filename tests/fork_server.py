"""Starts `benchd ...` again and again from one process that has imported it: run by forked.py, asked line by line.

Asked {"words", "environment", "folder", "output"} on stdin, it forks and answers {"pid"}; {"ended", "code"} follows
once that process has ended (a negative code is the signal that ended it).  It ends with its stdin.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import selectors
import signal
import sys
import time
from typing import Any, NoReturn

from benchd import cli

USED = (
    "benchd.commands.run", "benchd.sources.serial_lines", "benchd.outlets.mqtt", "benchd.outlets.console",
    "benchd.page.site", "uvicorn.lifespan.off", "uvicorn.protocols.http.h11_impl", "tomlkit",
)  # fmt: skip
"""What a daemon imports while it starts, beyond what it names at its head."""


def serve() -> None:
    """Until stdin ends."""
    wakes, woken = os.pipe()
    os.set_blocking(woken, False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(woken)
    with selectors.DefaultSelector() as selector:
        selector.register(sys.stdin.fileno(), selectors.EVENT_READ)
        selector.register(wakes, selectors.EVENT_READ)
        asked = b""
        while True:
            for key, _ in selector.select():
                if key.fd == wakes:
                    os.read(wakes, 4096)
                    _tell_ended()
                    continue
                more = os.read(key.fd, 65536)
                if not more:
                    return
                *lines, asked = (asked + more).split(b"\n")
                for line in lines:
                    _begin(json.loads(line), (wakes, woken))


def _tell(**what: int) -> None:
    print(json.dumps(what), flush=True)


def _tell_ended() -> None:
    with contextlib.suppress(ChildProcessError):
        while (ended := os.waitpid(-1, os.WNOHANG))[0]:
            _tell(ended=ended[0], code=os.waitstatus_to_exitcode(ended[1]))


def _begin(request: dict[str, Any], pipe: tuple[int, int]) -> None:
    """Fork; what is forked runs the command and leaves through SystemExit, so that it ends as any Python does."""
    pid = os.fork()
    if pid:
        _tell(pid=pid)
        return
    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    for end in pipe:
        os.close(end)
    _command(**request)


def _command(words: list[str], environment: dict[str, str], folder: str, output: str) -> NoReturn:
    """`benchd words`, as a process of its own would run it."""
    os.environ.clear()
    os.environ.update(environment)
    time.tzset()
    os.chdir(folder)
    said, nothing = os.open(output, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644), os.open(os.devnull, os.O_RDONLY)
    for given, fd in ((nothing, 0), (said, 1), (said, 2)):
        os.dup2(given, fd)
    os.close(said)
    os.close(nothing)
    sys.argv = ["benchd", *words]
    sys.exit(cli.main(words))


if __name__ == "__main__":
    for module in USED:
        importlib.import_module(module)
    serve()
