"""Opens a journal for reading: for a command, or beside its writer in a thread over a connection that cannot write.

What looks over years takes a second of reading and decoding.  On the writer's connection it would hold up a commit,
and with it an alert; on the event loop it would hold up everything.  SQLite's write-ahead log lets readers and a writer
go on side by side.  A query apart runs in its thread without a loop: it may `await` rows and `sleep(0)`, nothing else.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, TypeVar

from benchd.errors import JournalError
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.reader import Readable
from benchd.runtime.journal.schema import STAND_INS, STAND_INS_BELOW

Answer = TypeVar("Answer")
Query = Callable[[Readable], Coroutine[Any, Any, Answer]]


def there(path: Path) -> Path:
    """The path, if a journal exists there.  Raises JournalError otherwise."""
    if not path.exists():
        raise JournalError(f"{path}: no journal there; `benchd run` writes one")
    return path


def to_read(path: Path) -> Journal:
    """A journal for `async with`, for reading only.  Raises JournalError when there is none."""
    return Journal(there(path), read_only=True)


async def asked(path: Path, ask: Callable[[Journal], Awaitable[Answer]], otherwise: Answer) -> Answer:
    """The answer of `ask` from a journal; `otherwise` where there is none, or it cannot be read."""
    try:
        async with to_read(path) as journal:
            return await ask(journal)
    except JournalError:
        return otherwise


async def asked_apart(journal: Readable, ask: Query[Answer]) -> Answer:
    """The answer of `ask` from the file of an open journal; anything else that is readable is asked here.

    Raises JournalError, and what `ask` raises.
    """
    if not isinstance(journal, Journal):
        return await ask(journal)
    try:
        return await asyncio.to_thread(_answer, journal.path, ask)
    except JournalError as error:
        journal.suspect(error)
        raise


class _Apart:
    """A read-only connection as the queries need it."""

    def __init__(self, name: str, db: sqlite3.Connection) -> None:
        self._name, self._db = name, db

    async def rows(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """The committed rows of one query.  Raises JournalError."""
        try:
            return self._db.execute(sql, values).fetchall()
        except (sqlite3.Error, OSError) as error:
            raise JournalError(f"{self._name}: {error}") from error


def _answer(path: Path, ask: Query[Answer]) -> Answer:
    try:
        db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0, isolation_level=None)
        with closing(db):
            ((version,),) = db.execute("PRAGMA user_version")
            if version < STAND_INS_BELOW:
                db.executescript(STAND_INS)
            return _run(ask(_Apart(path.name, db)))
    except (sqlite3.Error, OSError) as error:
        raise JournalError(f"{path.name}: {error}") from error


def _run(query: Coroutine[Any, Any, Answer]) -> Answer:
    try:
        while query.send(None) is None:
            pass  # sleep(0): on a loop, others' turn
    except StopIteration as done:
        return done.value  # type: ignore[no-any-return]  # StopIteration knows no type
    query.close()
    raise TypeError("a query apart waits for something other than rows")
