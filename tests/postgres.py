"""How do tests get a real database?  Debian's PostgreSQL, a cluster of its own in a temporary folder, on a unix socket.

The server refuses to run as root, so under root it runs as nobody.  Exactly the processes started here are ended.
"""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

FOUND = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
PROGRAMS = FOUND[-1].parent if FOUND else None
needs_postgres = pytest.mark.skipif(PROGRAMS is None, reason="PostgreSQL is not installed (Debian: postgresql)")
FAST = "-c fsync=on -c listen_addresses='' -c shared_buffers=32MB -c max_connections=40 -c track_commit_timestamp=on"


def _as_nobody() -> dict[str, Any]:
    if os.geteuid() != 0:
        return {}
    nobody = pwd.getpwnam("nobody")
    return {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}


class Cluster:
    """One PostgreSQL server; `dsn` is what a client connects by."""

    def __init__(self) -> None:
        assert PROGRAMS is not None
        self.folder = Path(tempfile.mkdtemp(prefix="benchd-pg-", dir="/tmp"))  # a socket's path is at most 107 bytes
        self.process: subprocess.Popen[bytes] | None = None
        if who := _as_nobody():
            os.chown(self.folder, who["user"], who["group"])
        self._run("initdb", "-D", f"{self.folder}/data", "-U", "benchd", "-A", "trust", "--no-sync", "-E", "UTF8")

    def _run(self, program: str, *args: str) -> None:
        assert PROGRAMS is not None
        subprocess.run(
            [PROGRAMS / program, *args], check=True, capture_output=True, timeout=60, cwd=self.folder, **_as_nobody()
        )

    @property
    def dsn(self) -> str:
        return f"host={self.folder} user=benchd dbname=postgres"

    def start(self) -> Cluster:
        """Start it and wait until it answers."""
        assert PROGRAMS is not None
        log = (self.folder / "log").open("ab")
        command = [str(PROGRAMS / "postgres"), "-D", f"{self.folder}/data", "-k", str(self.folder), *FAST.split()]
        self.process = subprocess.Popen(
            [part.replace("''", "") for part in command], stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            cwd=self.folder, **_as_nobody(),
        )  # fmt: skip
        log.close()
        deadline_s = time.monotonic() + 60
        while subprocess.run([PROGRAMS / "pg_isready", "-q", "-h", self.folder], check=False).returncode != 0:
            assert self.process.poll() is None, (self.folder / "log").read_text()
            assert time.monotonic() < deadline_s, "PostgreSQL does not answer"
            time.sleep(0.05)
        return self

    def run(self, statement: str) -> None:
        """One statement, committed by itself."""
        with psycopg.connect(self.dsn, autocommit=True) as db:
            db.execute(statement.encode())

    def kill(self) -> None:
        """End it as a power cut would: no checkpoint, clients cut off (SIGQUIT, postgres(1))."""
        self._end(signal.SIGQUIT)

    def stop(self) -> None:
        self._end(signal.SIGINT)

    def _end(self, number: signal.Signals) -> None:
        if self.process is not None:
            self.process.send_signal(number)
            self.process.wait(30)
            self.process = None

    def remove(self) -> None:
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)


@contextlib.contextmanager
def running() -> Iterator[Cluster]:
    """A server for the length of a block."""
    cluster = Cluster()
    try:
        yield cluster.start()
    finally:
        cluster.remove()
