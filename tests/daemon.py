"""How do tests run the whole daemon?  `benchd run` in a process of its own, on a pty, exactly as a user would."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from built_once import built_once
from forked import Forked, is_forkable

from benchd.core.model import Line
from benchd.core.mold_forecast import resin_hash
from benchd.plugins import load_settings
from benchd.runtime.http.local_client import NoDaemonError, ask
from benchd.runtime.journal.packed_lines import unpack
from benchd.runtime.watch.sections import TableStore, solve_plain

ROOT = Path(__file__).parents[1]
STOP_WITHIN_S = 30.0


class Port:
    """A pseudo-terminal as a board: what is written here, the daemon reads."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.plug()

    def plug(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))

    def write(self, data: bytes) -> None:
        """Write all of it, waiting for the reader."""
        while data:
            data = data[os.write(self._master, data) :]

    def unplug(self) -> None:
        """Take the device away, its name first, as a real unplug does."""
        self.link.unlink(missing_ok=True)
        for fd in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(fd)


def config_text(port: Path, journal: Path, *, mqtt_port: int | None, clock: str = "arrival", extra: str = "") -> str:
    """bench.toml of the invented studio on this port and journal."""
    text = (ROOT / "config" / "bench.toml").read_text("utf-8")
    text = text.replace('"/dev/ttyACM0"', json.dumps(str(port)) + f'\nclock = "{clock}"')
    text = text.replace('quiet_hours = "22:00-07:00"', "")  # a test says the same by day and by night
    head, _, tail = text.partition("[mqtt]")
    mqtt = f'[mqtt]\nhost = "127.0.0.1"\nport = {mqtt_port}\n' if mqtt_port else ""
    rest = tail.split("port = 1883", 1)[1]
    return f"{head}{mqtt}{rest}\n[journal]\npath = {json.dumps(str(journal))}\n{extra}"


def solve_tables(folder: Path) -> None:
    """Solve the example resins' section tables, 1.4 s of a core, into a folder."""
    for resin in load_settings(ROOT / "config" / "bench.toml").bench.resins:
        TableStore(folder).keep(resin_hash(resin), solve_plain(resin))


@dataclass
class Daemon:
    """One running `benchd run`."""

    folder: Path
    mqtt_port: int | None = None
    clock: str = "arrival"
    rate: float = 1.0
    extra: str = ""
    serves_page: bool = False
    finds_tables: bool = True  # else it solves them itself, 1.4 s of a core, as a bench does at its first start
    process: subprocess.Popen[bytes] | Forked | None = None
    is_forked: bool = True  # False: an interpreter of its own, as a user's
    port: Port = field(init=False)

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.port = Port(self.folder / "board")
        text = config_text(
            self.folder / "board", self.journal, mqtt_port=self.mqtt_port, clock=self.clock, extra=self.extra
        )
        (self.folder / "bench.toml").write_text(text, "utf-8")
        if not (self.folder / "shelf.toml").exists():  # its own: the page may write into it
            shutil.copy(ROOT / "config" / "shelf.toml", self.folder / "shelf.toml")
        with contextlib.suppress(FileExistsError):
            (self.folder / "resins").symlink_to(ROOT / "config" / "resins")

    @property
    def journal(self) -> Path:
        return self.folder / "journal.db"

    @property
    def socket(self) -> Path:
        return self.folder / "run" / "benchd.sock"

    def start(self) -> float:
        """Start it; the seconds until its engine has stepped the first input."""
        started_s = time.monotonic()
        process = self.begin()
        while time.monotonic() - started_s < 60:
            with contextlib.suppress(NoDaemonError):
                if "engine" in self.get("/api/v0/state")["health"]["moved"]:
                    return time.monotonic() - started_s
            assert process.poll() is None, self.stderr
            time.sleep(0.01)
        raise AssertionError(f"not ready: {self.stderr}")

    @contextlib.contextmanager
    def started(self) -> Iterator[Self]:
        """It, started; ended whatever happens."""
        try:
            self.start()
            yield self
        finally:
            self.close()

    def begin(self) -> subprocess.Popen[bytes] | Forked:
        """Start its process and wait for nothing."""
        if self.finds_tables and self.journal.parent == self.folder and not (self.folder / "tables").exists():
            shutil.copytree(built_once("tables", solve_tables), self.folder / "tables")
        self.process = self._begun(["run", "-c", str(self.folder / "bench.toml"), "--rate", str(self.rate)])
        return self.process

    def _begun(self, words: list[str]) -> subprocess.Popen[bytes] | Forked:
        words += [] if self.serves_page else ["--no-page"]
        env, output = os.environ | self.given(), self.folder / "stderr.txt"
        if self.is_forked and not self.around() and is_forkable(self.given()):
            return Forked(words, env, output)
        command = [*self.around(), sys.executable, "-m", "benchd", *words]
        with output.open("ab") as stderr:
            return subprocess.Popen(command, env=env, stdin=subprocess.DEVNULL, stdout=stderr, stderr=stderr)

    def given(self) -> dict[str, str]:
        """What its environment has besides this one's."""
        return {"RUNTIME_DIRECTORY": str(self.socket.parent)}

    def around(self) -> list[str]:
        """The words of the command line before Python's."""
        return []

    @property
    def stderr(self) -> str:
        return (self.folder / "stderr.txt").read_text("utf-8")

    def get(self, path: str) -> Any:
        return self._ask("GET", path, None)

    def mark(self, verb: str, **more: Any) -> Any:
        return self._ask("POST", "/api/v0/marks", {"verb": verb} | more)

    def _ask(self, method: str, route: str, body: Any) -> Any:
        return ask(method, route, body, self.socket)[1]

    def stop(self) -> int:
        """SIGTERM; its exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(STOP_WITHIN_S)
        finally:
            self.process.kill()

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(5)

    def close(self) -> None:
        """End it whatever happened, and take the port away."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(5)
        self.port.unplug()

    def rows(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """What the journal holds, read beside the daemon."""
        with contextlib.closing(sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True)) as db:
            return list(db.execute(sql, values))

    def lines(self) -> list[str]:
        """The board's lines that the journal holds, in order, read beside the daemon."""
        packed = self.rows("SELECT body FROM bundles WHERE count > 0 UNION ALL SELECT body FROM blocks")
        found = [(seq, item.line) for (body,) in packed for seq, item in unpack(body) if isinstance(item, Line)]
        return [line for _, line in sorted(found)]

    def findings(self, kind: str) -> list[dict[str, Any]]:
        found = self.rows("SELECT body FROM effects WHERE kind = 'finding' AND name = ? ORDER BY number", kind)
        return [json.loads(body) for (body,) in found]


@contextlib.contextmanager
def running(folder: Path, **options: Any) -> Iterator[Daemon]:
    """A started daemon; ended whatever happens."""
    with Daemon(folder, **options).started() as daemon:
        yield daemon


def wait_for(what: Any, within_s: float = 30.0) -> Any:
    """What `what()` returns once it is true."""
    deadline_s = time.monotonic() + within_s
    while time.monotonic() < deadline_s:
        found = what()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"not within {within_s} s")
