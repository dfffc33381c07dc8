"""The disk under the journal: SQLite itself on files in memory, through a connection that fails as disks do.

Rules.  1. `SimConnection` stands where aiosqlite's connection does: one thread, its work in order, each piece done
whole a drawn moment later.  2. `kept` is what a power cut leaves: the files' bytes at the last sync that the disk did
not lie about.  A cut in the middle of a commit leaves any of the 512-byte sectors that differ (SQLite syncs a log's new
header before its frames, so the header's sector comes first).  3. `saved` holds the numbers of what returned commits
hold, read from the statements themselves; it is what "saved" may be said of.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from faultsim.world import World

from benchd.runtime.journal.packed_lines import unpack

SECTOR = 512
WAL_HEAD = 32
NAMES = ("", "-wal")
ERRORS = {
    "disk-full": ("database or disk is full", sqlite3.SQLITE_FULL),
    "disk-io-error": ("disk I/O error", sqlite3.SQLITE_IOERR_WRITE),
    "disk-fsync": ("disk I/O error", sqlite3.SQLITE_IOERR_FSYNC),
    "disk-locked": ("database is locked", sqlite3.SQLITE_BUSY),
}
READS = ("SELECT", "PRAGMA")


def disk_error(kind: str) -> sqlite3.OperationalError:
    """The error that Python's sqlite3 raises of this fault."""
    text, code = ERRORS[kind]
    error = sqlite3.OperationalError(text)
    error.sqlite_errorcode = code
    return error


class Saved:
    """What the journal holds for certain: numbers of inputs and effects, ids of marks."""

    def __init__(self) -> None:
        self.inputs: set[int] = set()
        self.effects: set[int] = set()
        self.marks: set[str] = set()

    def add(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """Note one statement's rows."""
        if sql.startswith("INSERT INTO effects"):
            self.effects.update(row[0] for row in rows)
        elif sql.startswith("INSERT INTO inputs"):
            for seq, _, kind, body in rows:
                self.inputs.add(seq)
                if kind == "mark":
                    self.marks.add(json.loads(body)["mark"]["id"])
        elif "INTO bundles" in sql:
            for row in rows:
                self.inputs.update(seq for seq, _ in unpack(row[5]))

    def take(self, other: Saved) -> None:
        """Add what another holds."""
        self.inputs |= other.inputs
        self.effects |= other.effects
        self.marks |= other.marks


def saved_in(path: Path) -> Saved:
    """What a journal's file holds now, read beside whoever writes it."""
    found = Saved()
    if not path.exists():
        return found
    with (
        contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db,
        contextlib.suppress(sqlite3.DatabaseError),
    ):
        found.add("INSERT INTO effects", db.execute("SELECT number FROM effects"))
        found.add("INSERT INTO inputs", db.execute("SELECT seq, t, kind, body FROM inputs"))
        found.add("INTO bundles", db.execute("SELECT 0, 0, 0, 0, 0, body FROM bundles WHERE count > 0"))
        found.add("INTO bundles", db.execute("SELECT 0, 0, 0, 0, 0, body FROM blocks"))
    return found


class Disk:
    """The journal's disk; outlives processes."""

    def __init__(self, world: World, journal: Path) -> None:
        self.world, self.journal = world, journal
        self.saved = Saved()
        self.kept: dict[str, bytes] = {}
        self.connections: list[SimConnection] = []
        self.has_lied = False
        self._may_be_cut = any(fault.kind == "power-cut" for fault in world.faults)
        self.commits = 0
        self._rng = world.stream("disk")

    def files(self) -> dict[str, bytes]:
        """The journal's files as the running machine sees them."""
        paths = {name: Path(f"{self.journal}{name}") for name in NAMES}
        return {name: path.read_bytes() for name, path in paths.items() if path.exists()}

    def sync(self) -> None:
        """Everything written so far is on the disk, unless it lies."""
        if self.world.on("disk-lies"):
            self.has_lied = True
            return
        self.has_lied = False
        if self._may_be_cut:
            self.kept = self.files()

    async def connect(self, database: str, /, **options: Any) -> SimConnection:
        """As aiosqlite.connect."""
        connection = SimConnection(self, database, options)
        await connection.open()
        return connection

    def latency_s(self) -> float:
        """How long the next piece of work takes [virtual s]."""
        slow, hangs = self.world.on("disk-slow"), self.world.on("disk-hangs")
        if hangs is not None:
            return max(0.0, hangs.until_s - self.world.since_s)
        usual_s = 0.0002 + 0.002 * self._rng.random()
        return usual_s * (100.0 + 900.0 * slow.luck) if slow is not None else usual_s

    def refused(self, kinds: Sequence[str]) -> None:
        """Raise the error of the first of these faults that is in force."""
        for kind in kinds:
            if self.world.on(kind):
                raise disk_error(kind)
        if self.world.on("memory-refused") and self._rng.random() < 0.1:
            self.world.note("memory", "refused to sqlite")
            raise MemoryError

    # ----------------------------------------------------------------------------------------------------- its end

    def after_kill(self) -> None:
        """The process is gone: what it gave to the kernel stays, a commit under way is done or not."""
        if self._rng.random() < 0.5:
            self._finish_commits()
        self._leave(self.files())

    def after_cut(self) -> None:
        """The power is gone: what was synced stays, and any sectors of what was not."""
        before = dict(self.kept)
        is_under_way = self._finish_commits()
        now = self.files()
        found = self._mixed(before, now) if is_under_way or now != before else before
        self._leave(found)
        self.kept, self.has_lied = found, False
        self.saved = saved_in(self.journal)

    def _finish_commits(self) -> bool:
        finished = [connection.finish() for connection in self.connections]
        return any(finished)

    def _leave(self, files: dict[str, bytes]) -> None:
        """Close everything, then put these bytes where the next process finds them."""
        for connection in self.connections:
            connection.die()
        self.connections.clear()
        for name in (*NAMES, "-shm"):
            Path(f"{self.journal}{name}").unlink(missing_ok=True)
        for name, data in files.items():
            Path(f"{self.journal}{name}").write_bytes(data)

    def _mixed(self, old: dict[str, bytes], new: dict[str, bytes]) -> dict[str, bytes]:
        """Any of the sectors that differ between what was synced and what was written."""
        found = dict(old)
        for name, data in new.items():
            before = old.get(name, b"")
            is_log_begun_anew = name == "-wal" and before[:WAL_HEAD] != data[:WAL_HEAD]
            if name == "-wal" and (len(data) < len(before) or (is_log_begun_anew and self._rng.random() < 0.3)):
                continue  # a log cut short or begun anew, of which nothing has arrived
            found[name] = self._sectors(before, data, is_log_begun_anew)
        return found

    def _sectors(self, before: bytes, data: bytes, head_first: bool) -> bytes:
        share = self._rng.choice((0.0, 0.5, 0.9, 1.0))
        out = bytearray(before[: len(data)].ljust(len(data), b"\0"))
        for at in range(0, len(data), SECTOR):
            piece = data[at : at + SECTOR]
            if out[at : at + SECTOR] != piece and (self._rng.random() < share or (head_first and at == 0)):
                out[at : at + SECTOR] = piece
        if share == 0.0 and not head_first:
            return before
        return bytes(out)


class SimConnection:
    """aiosqlite's connection as the journal uses it."""

    def __init__(self, disk: Disk, uri: str, options: dict[str, Any]) -> None:
        self._disk, self._world = disk, disk.world
        self._uri, self._options = uri, options
        self._db: sqlite3.Connection | None = None
        self._free_s = 0.0
        self._staged = Saved()
        self._commits: list[Callable[[], object]] = []
        self._is_dead = False

    async def open(self) -> None:
        """Open the file."""
        await self._run(self._open)

    def _open(self) -> None:
        self._db = sqlite3.connect(self._uri, **(self._options | {"timeout": 0.0}))
        self._disk.connections.append(self)

    async def _run(self, work: Callable[[], Any], is_commit: bool = False) -> Any:
        """Do a piece of work in this connection's thread, after what came before."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Any] = loop.create_future()
        self._free_s = max(self._world.t, self._free_s) + self._disk.latency_s()
        if is_commit:
            self._commits.append(work)

        def do() -> None:
            if is_commit:
                self._commits.remove(work)
            try:
                if self._is_dead:
                    raise ValueError("no active connection")
                found = work()
            except BaseException as error:
                if not future.cancelled():
                    future.set_exception(error)
                return
            if not future.cancelled():
                future.set_result(found)

        loop.call_at(self._free_s, do)
        return await future

    @property
    def _open_db(self) -> sqlite3.Connection:
        if self._db is None:
            raise ValueError("no active connection")
        return self._db

    async def execute(self, sql: str, values: Sequence[Any] = ()) -> None:
        """One statement; a beginning transaction finds a lock only after the wait that was asked for."""
        if sql.startswith("BEGIN") and self._world.on("disk-locked"):
            self._free_s = max(self._world.t, self._free_s) + float(self._options.get("timeout", 5.0))

        def work() -> None:
            if not sql.startswith(READS):
                self._disk.refused(("disk-locked", "disk-full") if not sql.startswith("BEGIN") else ("disk-locked",))
            self._open_db.execute(sql, values)

        await self._run(work)

    async def executemany(self, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """One statement for each row."""

        def work() -> None:
            self._disk.refused(("disk-full",))
            self._open_db.executemany(sql, rows)
            self._staged.add(sql, rows)

        await self._run(work)

    async def executescript(self, script: str) -> None:
        """Several statements."""
        await self._run(lambda: self._open_db.executescript(script) and None)

    async def execute_fetchall(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """A query's rows."""

        def work() -> list[tuple[Any, ...]]:
            if self._world.on("disk-io-error") and sql.startswith("SELECT"):
                raise disk_error("disk-io-error")
            if "wal_checkpoint" in sql:
                self._disk.refused(("disk-full", "disk-fsync"))
            found = self._open_db.execute(sql, values).fetchall()
            if "wal_checkpoint" in sql:
                self._disk.sync()
            return found

        return list(await self._run(work))

    async def commit(self) -> None:
        """Commit; with `disk-fsync` it may be on the disk although it failed."""
        await self._run(self._commit, is_commit=True)

    def _commit(self) -> None:
        db, fsync = self._open_db, self._world.on("disk-fsync")
        if fsync is not None and fsync.luck < 0.5:
            db.commit()
            self._commit_done(is_told=False)
            raise disk_error("disk-fsync")
        self._disk.refused(("disk-fsync", "disk-io-error", "disk-full"))
        db.commit()
        self._commit_done()

    def _commit_done(self, is_told: bool = True) -> None:
        staged, self._staged = self._staged, Saved()
        self._disk.commits += 1
        if is_told:
            self._disk.saved.take(staged)
            self._disk.sync()
        self._world.note("commit", self._disk.commits, len(staged.inputs), len(staged.effects), is_told)

    async def rollback(self) -> None:
        """Undo the open transaction."""

        def work() -> None:
            self._staged = Saved()
            self._open_db.rollback()

        await self._run(work)

    async def close(self) -> None:
        """Close; what waits is done first."""

        def work() -> None:
            self.die()
            self._disk.sync()

        await self._run(work)

    def finish(self) -> bool:
        """Do the commit that was under way as the process ended; whether there was one."""
        for work in self._commits[:1]:
            with contextlib.suppress(Exception):
                work()
                return True
        return False

    def die(self) -> None:
        """Close the file without another word."""
        self._is_dead = True
        if self._db is not None:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
        if self in self._disk.connections:
            self._disk.connections.remove(self)
