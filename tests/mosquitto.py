"""How do tests get a real broker?  Debian's mosquitto on a free loopback port; exactly that process is ended again."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

PROGRAM = shutil.which("mosquitto") or ("/usr/sbin/mosquitto" if Path("/usr/sbin/mosquitto").exists() else None)
needs_mosquitto = pytest.mark.skipif(
    PROGRAM is None, reason="mosquitto is not installed (Debian: apt install mosquitto)"
)


def free_port() -> int:
    """A loopback port nobody has just now, and that no outgoing connection is given before its server listens.

    The kernel gives those from 32768 on (ip(7), ip_local_port_range); a port it chose itself would be one of them.
    """
    while True:
        port = random.SystemRandom().randrange(15_000, 32_000)
        with contextlib.suppress(OSError), socket.socket() as sock:
            sock.bind(("127.0.0.1", port))
            return port


class Mosquitto:
    """One mosquitto process; `extra` is appended to its configuration, {folder} in it is its own folder."""

    def __init__(self, folder: Path, extra: str = "", anonymous: bool = True, port: int | None = None) -> None:
        self.folder = folder
        self.port = port or free_port()
        self.extra = extra
        self.anonymous = anonymous
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> Mosquitto:
        """Start it and wait until it listens."""
        assert PROGRAM is not None
        self.folder.chmod(0o755)
        config = self.folder / "mosquitto.conf"
        config.write_text(
            f"user root\nlistener {self.port} 127.0.0.1\nallow_anonymous {str(self.anonymous).lower()}\n"
            f"persistence false\n"
            f"log_dest file {self.folder}/mosquitto.log\nlog_type all\n{self.extra.format(folder=self.folder)}\n"
        )
        self.process = subprocess.Popen(
            [PROGRAM, "-c", str(config)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        deadline_s = time.monotonic() + 10
        while time.monotonic() < deadline_s:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
                return self
            assert self.process.poll() is None, (self.folder / "mosquitto.log").read_text()
            time.sleep(0.02)
        raise AssertionError("mosquitto does not listen")

    def send(self, number: signal.Signals) -> None:
        assert self.process is not None
        os.kill(self.process.pid, number)

    def kill(self) -> None:
        """kill -9, as a power cut would."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(5)
        self.process = None

    def stop(self) -> None:
        """End it, frozen or not; may be called twice."""
        if self.process is not None:
            with contextlib.suppress(ProcessLookupError):
                self.send(signal.SIGCONT)
            self.process.terminate()
            try:
                self.process.wait(5)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(5)
            self.process = None


@contextlib.contextmanager
def running(folder: Path, extra: str = "", anonymous: bool = True) -> Iterator[Mosquitto]:
    """A broker for the length of a block."""
    broker = Mosquitto(folder, extra, anonymous)
    try:
        yield broker.start()
    finally:
        broker.stop()
