"""The disk under the journal: SQLite itself on files in memory, through a connection that fails as disks do.

Rules.  1. `SimConnection` stands where aiosqlite's connection does: one thread, its work in order, each piece done
whole a drawn moment later.  2. `kept` is what a power cut leaves: the files' bytes at the last sync that the disk did
not lie about.  A cut in the middle of a commit leaves any of the 512-byte sectors that differ (SQLite syncs a log's new
header before its frames, so the header's sector comes first).  In the middle of folding the log it leaves one of the
four states between SQLite's syncs: the log's sync, the file's pages, the file's sync, the log cut short; a kill leaves
any of the file's pages.  3. `saved` holds the numbers of what returned commits hold, read from the statements
themselves; it is what "saved" may be said of.  4. After a failed fsync the machine's memory holds what the disk does
not: of the blocks that a file had grown by, some stay zeros on the disk, though written again and synced, until the
file is cut short.  So did ext4 over a device that failed (tests/runtime/test_real_disk.py): an extent just allocated
stays marked as not written.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from faultsim.world import World

from benchd.runtime.journal.packed_lines import unpack

SECTOR = 512
BLOCK = 4096
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
    """What a journal's file holds now, read beside whoever writes it; up to what cannot be read."""
    found = Saved()
    if not path.exists():
        return found
    with (
        contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db,
        contextlib.suppress(sqlite3.DatabaseError, ValueError),  # a disk that lied leaves blocks half written
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
        self.cursed: dict[str, set[int]] = {name: set() for name in NAMES}
        self._may_be_cut = any(fault.kind == "power-cut" for fault in world.faults)
        self.commits = 0
        self._rng, self._lost = world.stream("disk"), world.stream("lost")

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
            self.kept = self._reaching(self.files())

    def sync_failed(self) -> None:
        """An fsync failed: of the blocks that the files had grown by, some never reach the disk."""
        if not self._may_be_cut:
            return
        for name, data in self.files().items():
            grown = range(-(-len(self.kept.get(name, b"")) // BLOCK), -(-len(data) // BLOCK))
            lost = [at for at in grown if self._lost.random() < 0.7]
            self.cursed[name].update(lost)
            if lost:
                self.world.note("lost", name or "file", *lost)

    def notice_cut_files(self) -> None:
        """Whatever a file is cut short by is free again, and written anew if it grows."""
        for name, lost in self.cursed.items():
            if lost:
                path = Path(f"{self.journal}{name}")
                length = path.stat().st_size if path.exists() else 0
                self.cursed[name] = {at for at in lost if at * BLOCK < length}

    def _reaching(self, files: dict[str, bytes]) -> dict[str, bytes]:
        """What of these bytes a sync brings to the disk: not the blocks that a failed one lost."""
        self.notice_cut_files()
        found = dict(files)
        for name, lost in self.cursed.items():
            if lost:
                out = bytearray(files[name])
                for at in lost:
                    out[at * BLOCK : (at + 1) * BLOCK] = bytes(len(out[at * BLOCK : (at + 1) * BLOCK]))
                found[name] = bytes(out)
        return found

    def write_folded(self) -> None:
        """Write the log's pages into the file as a fold does, and leave the log as it is."""
        with tempfile.TemporaryDirectory(dir=self.journal.parent) as folder:
            copy = Path(folder) / "copy"
            for name, data in self.files().items():
                Path(f"{copy}{name}").write_bytes(data)
            with contextlib.closing(sqlite3.connect(copy)) as db:
                db.execute("PRAGMA wal_checkpoint")
            folded = copy.read_bytes()
        with self.journal.open("r+b") as file:
            file.write(folded)

    def close_in_vain(self, connection: SimConnection) -> None:
        """Close while no fsync succeeds: the file may have grown by the log's pages, and the log stays, in silence."""
        self.write_folded()
        left = self.files()
        connection.die()
        for name, data in left.items():
            Path(f"{self.journal}{name}").write_bytes(data)
        self.sync_failed()

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
        """The process is gone: what it gave to the kernel stays; a commit under way is done or not, or a fold half."""
        before = self.files()
        under_way = self._finish() if self._rng.random() < 0.5 else ""
        now = self.files()
        if under_way == "fold" and self._rng.random() < 0.5:
            now = before | {"": _mix(before.get("", b""), now.get("", b""), BLOCK, lambda at: self._rng.random() < 0.5)}
        self._leave(now)

    def after_cut(self) -> None:
        """The power is gone: what was synced stays, and any sectors of what was not."""
        kept, before = dict(self.kept), self._reaching(self.files())
        under_way = self._finish()
        now = self._reaching(self.files())
        if under_way == "fold" and not self.has_lied:
            found = self._amid_fold(kept, before, now)
        else:
            found = self._mixed(kept, now) if under_way or now != kept else kept
        self._leave(found)
        self.kept, self.has_lied = found, False
        self.cursed = {name: set() for name in NAMES}
        self.saved = saved_in(self.journal)

    def _finish(self) -> str:
        """Do what was under way as the process ended: "commit", "fold", or "" for nothing."""
        found = [connection.finish() for connection in list(self.connections)]
        return max(found, default="")

    def _amid_fold(self, kept: dict[str, bytes], before: dict[str, bytes], now: dict[str, bytes]) -> dict[str, bytes]:
        """One of the states that a cut can leave while the log is folded into the file, or as the file is closed."""
        log = {"-wal": before["-wal"]} if "-wal" in before else {}
        match self._rng.randrange(4):
            case 0:
                return self._mixed(kept, before)
            case 1:
                return log | {"": self._sectors(kept.get("", b""), now.get("", b""), False)}
            case 2:
                return log | {"": now.get("", b"")}
        return now

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
        if share == 0.0 and not head_first:
            return before
        return _mix(before, data, SECTOR, lambda at: self._rng.random() < share or (head_first and at == 0))


def _mix(before: bytes, data: bytes, size: int, is_there: Callable[[int], bool]) -> bytes:
    """As long as `data`, of which only some of the pieces of this size that differ have arrived."""
    out = bytearray(before[: len(data)].ljust(len(data), b"\0"))
    for at in range(0, len(data), size):
        piece = data[at : at + size]
        if out[at : at + size] != piece and is_there(at):
            out[at : at + size] = piece
    return bytes(out)


class SimConnection:
    """aiosqlite's connection as the journal uses it."""

    def __init__(self, disk: Disk, uri: str, options: dict[str, Any]) -> None:
        self._disk, self._world = disk, disk.world
        self._uri, self._options = uri, options
        self._db: sqlite3.Connection | None = None
        self._free_s = 0.0
        self._staged = Saved()
        self._under_way: list[tuple[str, Callable[[], object]]] = []
        self._is_dead = False
        self._syncs_commits = True  # synchronous=FULL, as SQLite begins

    async def open(self) -> None:
        """Open the file."""
        await self._run(self._open)

    def _open(self) -> None:
        self._db = sqlite3.connect(self._uri, **(self._options | {"timeout": 0.0}))
        self._disk.connections.append(self)

    async def _run(self, work: Callable[[], Any], kind: str = "") -> Any:
        """Do a piece of work in this connection's thread, after what came before; `kind`: "commit", "fold" or less."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Any] = loop.create_future()
        self._free_s = max(self._world.t, self._free_s) + self._disk.latency_s()
        if kind:
            self._under_way.append((kind, work))

        def do() -> None:
            if kind:
                self._under_way.remove((kind, work))
            try:
                if self._is_dead:
                    raise ValueError("no active connection")
                self._disk.notice_cut_files()
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
            if is_fold:
                self._disk.refused(("disk-full",))
                self._fail_fold()
            found = self._open_db.execute(sql, values).fetchall()
            if sql.startswith("PRAGMA synchronous="):
                self._syncs_commits = sql.endswith(("FULL", "EXTRA"))
            if is_fold:
                self._disk.sync()
            return found

        is_fold = "wal_checkpoint" in sql
        return list(await self._run(work, "fold" if is_fold else ""))

    def _fail_fold(self) -> None:
        """With `disk-fsync` the log's own sync fails, or the file's after its pages were written: the log stays."""
        fsync = self._world.on("disk-fsync")
        if fsync is None:
            return
        if fsync.luck < 0.5:
            self._disk.write_folded()
        self._disk.sync_failed()
        raise disk_error("disk-fsync")

    async def commit(self) -> None:
        """Commit; with `disk-fsync` it may be on the disk although it failed."""
        await self._run(self._commit, "commit")

    def _commit(self) -> None:
        db, fsync = self._open_db, self._world.on("disk-fsync")
        if fsync is not None and fsync.luck < 0.5:
            db.commit()
            self._commit_done(is_told=False)
            self._disk.sync_failed()
            raise disk_error("disk-fsync")
        self._disk.refused(("disk-fsync", "disk-io-error", "disk-full"))
        db.commit()
        self._commit_done()

    def _commit_done(self, is_told: bool = True) -> None:
        staged, self._staged = self._staged, Saved()
        self._disk.commits += 1
        if is_told:
            self._disk.saved.take(staged)
            if self._syncs_commits:
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
            if "mode=ro" in self._uri:
                self.die()  # who only reads folds nothing
            elif self._world.on("disk-fsync"):
                self._disk.close_in_vain(self)
            else:
                self.die()
                self._disk.sync()

        await self._run(work, "fold")

    def finish(self) -> str:
        """Do the commit or fold that was under way as the process ended, and say which; "" for none."""
        for kind, work in self._under_way[:1]:
            with contextlib.suppress(Exception):
                work()
                return kind
        return ""

    def die(self) -> None:
        """Close the file without another word."""
        self._is_dead = True
        if self._db is not None:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
        if self in self._disk.connections:
            self._disk.connections.remove(self)
