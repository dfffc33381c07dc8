"""The journal: stores everything the bench saw and said in one SQLite file, through one connection, with one writer.

WAL, synchronous=FULL: a commit that returned survives a power cut.  The same connection checkpoints the WAL after the
gate has opened, so that this never delays an alert.  Every failure is a JournalError; a transaction is never half
written. The lock is in lock.py, reading in `reader.Logbook`; `saver.Saver` decides what to write and when.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sqlite3
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any

import aiosqlite

from benchd.errors import JournalError, JournalInUse
from benchd.runtime.files.log_length import log_bytes
from benchd.runtime.files.stat_of import identity_of, length_of
from benchd.runtime.journal.lock import JournalLock
from benchd.runtime.journal.rows import Statement, Writes
from benchd.runtime.journal.schema import STAND_INS, STAND_INS_BELOW, is_damage, is_lost_write, is_whole, prepare
from benchd.runtime.journal.schema.clash import clash

CLOSE_WITHIN_S = 1.0  # the last words of a journal on a hung disk; the watch ends within 5 s of being asked
HUNG_S = 0.2  # longest wait on undoing or closing then; the connection's thread ends when the disk answers
WAL_LIMIT_BYTES = 2 * 2**20  # fold the log back into the file past this size: an idle hour's writing


class Journal:
    """The open file.

    `notices` collects what a person must be told (file set aside, newer schema); whoever reports it clears it.

    `is_displaced`: an older journal exists but could not be used, so numbers must not start at one again. `generation`
    counts the new files begun: each must be given the context in force and a checkpoint.
    """

    def __init__(
        self, path: Path, *, busy_s: float = 1.0, wall: Callable[[], float] = time.time, read_only: bool = False
    ) -> None:
        self.wanted_path = path
        self.path = path
        self.notices: list[str] = []
        self.is_new = False
        self.is_displaced = False
        self.generation = 0
        self._busy_s = busy_s
        self._wall = wall
        self._read_only = read_only
        self._db: aiosqlite.Connection | None = None
        self._identity: tuple[int, int] | None = None
        self._is_damaged, self._is_checked, self._is_doubtful = False, True, False
        self._lock = asyncio.Lock()
        self._writer = JournalLock(path)
        self._is_writable = False

    @property
    def is_open(self) -> bool:
        """Whether the file is open."""
        return self._db is not None

    def claim(self) -> None:
        """Become this journal's one writer, as far as the file can be locked at all.  Raises JournalInUse."""
        try:
            self._writer.take()
        except JournalInUse:
            raise
        except JournalError:
            return  # reported when it is opened or written; the bench is watched all the same

    async def open(self) -> None:
        """Prepare and open the file; if it cannot be locked, for reading only.

        Raises JournalError; may be called again later.
        """
        async with self._lock:
            await self._open()

    async def _open(self) -> None:
        if self._db is not None:
            return
        self._is_writable = not self._read_only and await self._locked()
        if self._is_writable:
            make = partial(prepare, self.wanted_path, int(self._wall()), is_suspect=self._is_damaged)
            prepared = await asyncio.to_thread(make)
            self.path, self.is_new, self._is_checked = prepared.path, prepared.is_new, prepared.is_checked
            self.is_displaced = prepared.is_new and bool(prepared.notices)
            self.notices += prepared.notices
            self.generation += prepared.is_new
        mode = "rw" if self._is_writable else "ro"
        uri = f"{self.path.absolute().as_uri()}?mode={mode}"
        try:
            db = await aiosqlite.connect(uri, uri=True, timeout=self._busy_s, isolation_level=None)
        except (sqlite3.Error, OSError) as error:
            raise JournalError(f"{self.path.name}: {error}") from error
        self._db, self._is_damaged = db, False
        try:
            await self._configure(db)
        except (sqlite3.Error, OSError) as error:
            await self._drop()
            raise JournalError(f"{self.path.name}: {error}") from error

    async def _locked(self) -> bool:
        """Whether the file may be written.

        Raises JournalInUse, or JournalError where there is nothing to read either.
        """
        is_first = not self._writer.notice
        try:
            await asyncio.to_thread(self._writer.take)
        except JournalInUse:
            raise
        except JournalError:
            if not await asyncio.to_thread(self.wanted_path.is_file):
                raise
            return False
        self.notices += [self._writer.notice] if is_first and self._writer.notice else []
        return True

    async def _configure(self, db: aiosqlite.Connection) -> None:
        self._identity = identity_of(self.path)
        if not self._is_writable:
            ((version,),) = await db.execute_fetchall("PRAGMA user_version")
            if version < STAND_INS_BELOW:
                await db.executescript(STAND_INS)
            return
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "wal_autocheckpoint=0", "temp_store=MEMORY",
                       "secure_delete=FAST", f"journal_size_limit={WAL_LIMIT_BYTES}"):  # fmt: skip
            await db.execute_fetchall(f"PRAGMA {pragma}")
        with contextlib.suppress(sqlite3.OperationalError):  # a full disk can still be read from
            await db.execute("INSERT OR REPLACE INTO meta VALUES ('closed', '0')")

    async def close(self, is_clean: bool = False) -> None:
        """Close; `is_clean`: the watch was ended on purpose, so that the earlier starts are forgotten.

        A disk that hangs holds this up for little more than CLOSE_WITHIN_S.
        """
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_WITHIN_S), self._lock:
                with contextlib.suppress(JournalError):
                    await self._sign_off(is_clean)
        await self._drop()
        self._writer.release()

    async def _sign_off(self, is_clean: bool) -> None:
        if is_clean and self._is_writable:
            await self._transact([("INSERT OR REPLACE INTO meta VALUES (?, ?)", [("starts", "[]")])])
            await self._fold("TRUNCATE")
        if self._is_writable:
            await self._transact([("INSERT OR REPLACE INTO meta VALUES (?, ?)", [("closed", "1")])])

    async def __aenter__(self) -> Journal:
        try:
            await self.open()
        except BaseException:  # also a cancelled start: the next one needs the lock
            self._writer.release()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close(is_clean=error is None)

    async def _drop(self) -> None:
        db, self._db = self._db, None
        if db is not None:
            length = length_of(self.path)
            with contextlib.suppress(sqlite3.Error, OSError, ValueError):
                async with asyncio.timeout(HUNG_S):
                    await db.close()
                if log_bytes(f"{self.path}-wal"):  # SQLite folds the log as it closes, and says nothing if it cannot
                    self._cut_back(length)

    def _cut_back(self, length: int) -> None:
        """Undo what the file grew by in a fold that failed: the log holds all of it.

        It might never reach the disk, though written again and synced (as in `_begin_log_again`).
        """
        if self._is_writable and identity_of(self.path) == self._identity and length_of(self.path) > length:
            with contextlib.suppress(OSError):
                os.truncate(self.path, length)

    async def write(self, writes: Writes) -> None:
        """Commit all of it or nothing.  Raises JournalError; when it returns, the rows are on the disk."""
        await self.commit(await asyncio.to_thread(writes.statements))  # packing a full buffer takes a while

    async def commit(self, statements: Sequence[Statement]) -> None:
        """Run these statements as one transaction.  Raises JournalError, and then leaves nothing behind."""
        async with self._lock:
            if not self._writer.is_held:
                await asyncio.to_thread(self._writer.take)
            if not self._is_writable:
                await self._drop()  # was opened for reading before it could be locked
            elif self._db is not None and identity_of(self.path) != self._identity:
                self.notices.append(f"{self.path.name} was taken away while in use")
                await self._drop()
            elif self._is_damaged:
                await self._drop()
            await self._open()
            if self._is_doubtful:
                await self._begin_log_again()
            await self._transact(statements)

    async def _transact(self, statements: Sequence[Statement]) -> None:
        db = self._db
        if db is None:
            raise JournalError("the journal is closed")
        try:
            await db.execute("BEGIN IMMEDIATE")
            for sql, rows in statements:
                try:
                    await db.executemany(sql, rows)
                except sqlite3.IntegrityError as error:
                    raise JournalError(f"{self.path.name}: {await clash(db, sql, rows) or error}") from error
            await db.commit()
        except BaseException as error:  # a cancelled transaction must not stay open either
            with contextlib.suppress(sqlite3.Error, OSError, ValueError):
                async with asyncio.timeout(HUNG_S):
                    await db.rollback()
            if not isinstance(error, sqlite3.Error | OSError | ValueError):
                raise  # a JournalError, which says enough, or a cancellation
            self._is_damaged = self._is_damaged or is_damage(error)
            self._is_doubtful = self._is_doubtful or is_lost_write(error)
            raise JournalError(f"{self.path.name}: {error}") from error

    async def _begin_log_again(self) -> None:
        """After a write that failed: fold the log into the file and empty it.  Raises JournalError.

        What did not reach the disk is in the kernel's memory as if it had; the same bytes written to the same place may
        then never reach it, though the next fsync succeeds (Rebello et al., Can Applications Recover from fsync
        Failures?, USENIX ATC 2020).  While somebody reads the log it cannot be emptied: tried again at the next commit.
        """
        self._is_doubtful = not await self._fold("TRUNCATE")

    async def rows(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """The committed rows of one query.  Raises JournalError."""
        async with self._lock:
            if self._db is None:
                raise JournalError("the journal is closed")
            try:
                return [tuple(row) for row in await self._db.execute_fetchall(sql, values)]
            except (sqlite3.Error, OSError) as error:
                self._is_damaged = self._is_damaged or is_damage(error)
                raise JournalError(f"{self.path.name}: {error}") from error

    def suspect(self, error: JournalError) -> None:
        """Take note of another reader's error: a damaged file is set aside before the next commit."""
        cause = error.__cause__
        self._is_damaged = self._is_damaged or (cause is not None and is_damage(cause))

    async def check(self) -> None:
        """Read a large file through that was not closed properly, beside the watch; a damaged one is set aside next.

        Raises JournalError.
        """
        if not self._is_checked and self._db is not None:
            self._is_checked = True
            self._is_damaged = self._is_damaged or not await asyncio.to_thread(is_whole, self.path)

    async def fold_if_large(self, limit_bytes: int = WAL_LIMIT_BYTES) -> None:
        """Checkpoint the log into the file when it has grown large; a failure does no harm.

        The next commit then overwrites the log from its beginning: a log that kept growing would cost the SD card the
        file system's own records of each growth.
        """
        if log_bytes(f"{self.path}-wal") > limit_bytes:
            async with self._lock:
                with contextlib.suppress(JournalError):
                    await self._fold("PASSIVE")

    async def _fold(self, how: str) -> bool:
        """Fold the log into the file; whether nobody who reads it was in the way.  Raises JournalError."""
        if self._db is None:
            return False
        length = length_of(self.path)
        try:
            ((busy, *_),) = await self._db.execute_fetchall(f"PRAGMA wal_checkpoint({how})")
        except (sqlite3.Error, OSError) as error:
            if is_lost_write(error):
                self._cut_back(length)
            raise JournalError(f"{self.path.name}: {error}") from error
        return not busy
