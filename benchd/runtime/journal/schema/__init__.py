"""The layout of the journal's file: creates it, migrates it, and sets it aside when it cannot be used.

One SQLite file in WAL mode, mode 0600.  `PRAGMA user_version` counts the migrations applied to it; a copy is kept
beside it before each.  A file that is damaged or not a journal is renamed, never deleted; one written by a newer benchd
is left alone, and a new one is started beside it.  Everything here is synchronous: call it in a thread.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from benchd.errors import JournalError
from benchd.runtime.files.whole_file import give_name
from benchd.runtime.journal.schema.views import renew

APPLICATION_ID = 0x62656E63  # "benc": tells our file from any other SQLite file
QUICK_CHECK_BYTES = 64 * 2**20  # a larger file that was closed properly is not read through at every start
AT_ONCE_BYTES = 8 * 2**20  # a larger file is read through once the watch has begun: at 20 MB/s it would wait for long

_LOGS = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE inputs (seq INTEGER PRIMARY KEY, t REAL NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL);
CREATE INDEX inputs_t ON inputs (t);
CREATE TABLE contexts (seq INTEGER PRIMARY KEY, t REAL NOT NULL, kind TEXT NOT NULL, key TEXT NOT NULL,
    body BLOB NOT NULL);
CREATE TABLE checkpoints (id INTEGER PRIMARY KEY, seq INTEGER NOT NULL, t REAL NOT NULL, told INTEGER NOT NULL,
    crc INTEGER NOT NULL, body BLOB NOT NULL);
CREATE TABLE effects (number INTEGER PRIMARY KEY, seq INTEGER NOT NULL, t REAL NOT NULL, kind TEXT NOT NULL,
    name TEXT NOT NULL, pot TEXT, load TEXT, cup TEXT, pour TEXT, mold TEXT, channel TEXT, body TEXT NOT NULL);
CREATE INDEX effects_t ON effects (t);
CREATE INDEX effects_name ON effects (name, number);
CREATE INDEX effects_pour ON effects (pour, number) WHERE pour IS NOT NULL;
CREATE INDEX effects_load ON effects (load, number) WHERE load IS NOT NULL;
CREATE TABLE outbox (id INTEGER PRIMARY KEY, topic TEXT NOT NULL, payload TEXT NOT NULL, priority INTEGER NOT NULL,
    order_key TEXT NOT NULL, created_t REAL NOT NULL, expires_t REAL, parked TEXT);
"""

_LONG_TERM = """
CREATE TABLE blocks (first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, first_t REAL NOT NULL,
    last_t REAL NOT NULL, count INTEGER NOT NULL, body BLOB NOT NULL);
CREATE INDEX blocks_t ON blocks (last_t);
CREATE TABLE channels (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE minutes (channel INTEGER NOT NULL, minute INTEGER NOT NULL, n INTEGER NOT NULL, lo INTEGER NOT NULL,
    mean INTEGER NOT NULL, hi INTEGER NOT NULL, PRIMARY KEY (channel, minute)) WITHOUT ROWID;
"""

_FEW_PAGES = """
CREATE TABLE bundles (first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, first_t REAL NOT NULL,
    last_t REAL NOT NULL, count INTEGER NOT NULL, body BLOB NOT NULL, reached_seq INTEGER, reached_t REAL,
    told INTEGER);
CREATE TABLE fresh_minutes (minute INTEGER NOT NULL, channel INTEGER NOT NULL, n INTEGER NOT NULL, lo INTEGER NOT NULL,
    mean INTEGER NOT NULL, hi INTEGER NOT NULL, PRIMARY KEY (minute, channel)) WITHOUT ROWID;
"""

MIGRATIONS: tuple[str, ...] = (_LOGS, _LONG_TERM, _FEW_PAGES)
"""MIGRATIONS[n] takes a file from user_version n to n + 1; never edited once released, only appended to."""

STAND_INS = _FEW_PAGES.replace("CREATE TABLE", "CREATE TEMP TABLE")
"""Empty tables for a read-only connection to a file from before the last migration, which it may not migrate."""
STAND_INS_BELOW = 3

VIEWS_FROM = 3
"""The layout whose tables the views read."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A file that can be opened: its path, whether it is new, and what a person must be told."""

    path: Path
    is_new: bool
    notices: tuple[str, ...] = ()
    is_checked: bool = True
    """Whether it was read through, or need not be; else `verdict` is to be asked while it is in use."""


class _Unusable(Exception):
    """The file is damaged or not ours."""


def prepare(path: Path, stamp: int, migrations: tuple[str, ...] = MIGRATIONS, *, is_suspect: bool = False) -> Prepared:
    """Make `path`, or a file beside it, usable.  `stamp` [unix s] goes into the name of a file set aside.

    A file that `is_suspect` is read through at once, however large.

    Raises JournalError when nothing can be opened or written there.
    """
    try:
        return _prepare(path, stamp, migrations, is_suspect)
    except (OSError, sqlite3.Error) as error:
        raise JournalError(f"{path.name}: {error}") from error


def _prepare(path: Path, stamp: int, migrations: tuple[str, ...], is_suspect: bool) -> Prepared:
    if not path.exists() or path.stat().st_size == 0:
        _create(path, migrations)
        return Prepared(path, True)
    try:
        version, is_checked = _inspect(path, is_suspect)
    except _Unusable as error:
        kept = set_aside(path, stamp)
        _create(path, migrations)
        told = f"the journal could not be used ({error}); kept as {kept.name}, a fresh one begun"
        return Prepared(path, True, (told,))
    if version > len(migrations):
        beside = path.with_name(f"{path.stem}-schema{len(migrations)}{path.suffix}")
        below = _prepare(beside, stamp, migrations, is_suspect)
        told = f"{path.name} was written by a newer benchd (schema {version}); it is left alone, {beside.name} is used"
        return replace(below, notices=(told, *below.notices))
    os.chmod(path, 0o600)
    _migrate(path, version, migrations)
    return Prepared(path, False, is_checked=is_checked)


def _create(path: Path, migrations: tuple[str, ...]) -> None:
    """Make a new journal, renamed into place once complete: half of one (a full disk) could not be opened later."""
    draft = path.with_name(f"{path.name}.begun")
    try:
        _discard(draft)
        os.close(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        with _opened(draft) as db:
            db.execute("PRAGMA journal_mode=WAL")
            db.execute(f"PRAGMA application_id={APPLICATION_ID}")
            for version, script in enumerate(migrations):
                _apply(db, version, script)
            if len(migrations) >= VIEWS_FROM:
                renew(db)
        give_name(draft, path)
    except BaseException:  # also Ctrl-C: no half-made layout stays
        _discard(draft)
        raise


def _discard(draft: Path) -> None:
    for ending in ("", "-wal", "-shm"):
        Path(f"{draft}{ending}").unlink(missing_ok=True)


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(path, timeout=1.0, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous=FULL")
        yield db


def _inspect(path: Path, is_suspect: bool) -> tuple[int, bool]:
    """The file's user_version, and whether it needs no check later.  Raises _Unusable: damaged, or not a journal."""
    try:
        with _opened(path) as db:
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                raise _Unusable("not a benchd journal")
            is_ours = version <= len(MIGRATIONS)
            return version, _is_checked(db, path, is_suspect) if is_ours else True
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            raise _Unusable(str(error)) from error
        raise


def _is_checked(db: sqlite3.Connection, path: Path, is_suspect: bool) -> bool:
    """Read a small or suspect file through; False where that is left for later."""
    closed = db.execute("SELECT value FROM meta WHERE key = 'closed'").fetchone()
    size_bytes = path.stat().st_size
    if not is_suspect and size_bytes > AT_ONCE_BYTES:
        return bool(closed and closed[0] == "1" and size_bytes > QUICK_CHECK_BYTES)
    verdict = _verdict(db)
    if verdict != "ok":
        raise _Unusable(verdict)
    return True


def _verdict(db: sqlite3.Connection) -> str:
    return " ".join(str(db.execute("PRAGMA quick_check(1)").fetchone()[0]).split())


def is_whole(path: Path) -> bool:
    """Read a file in use through, beside its writer: False where it is damaged.  Raises JournalError if it can't be."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)) as db:
            return _verdict(db) == "ok"
    except (sqlite3.Error, OSError) as error:
        if is_damage(error):
            return False
        raise JournalError(f"{path.name}: {error}") from error


def is_damage(error: BaseException) -> bool:
    """Whether this error means that the file itself is damaged (not merely locked, full or read-only)."""
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return isinstance(error, sqlite3.DatabaseError) and "malformed" in str(error)
    return (code & 0xFF) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def is_lost_write(error: BaseException) -> bool:
    """Whether the disk refused what was written: the kernel may hold it as written all the same."""
    return (getattr(error, "sqlite_errorcode", 0) & 0xFF) == sqlite3.SQLITE_IOERR


def set_aside(path: Path, stamp: int) -> Path:
    """Rename the file and its log out of the way; returns the new name, which never existed before."""
    kept = path.with_name(f"{path.name}.set-aside-{stamp}")
    count = 1
    while kept.exists():
        kept = path.with_name(f"{path.name}.set-aside-{stamp}-{count}")
        count += 1
    os.rename(path, kept)  # a whole file already, and its log must go along under the name SQLite looks for
    for ending in ("-wal", "-shm"):
        beside = Path(f"{path}{ending}")
        if beside.exists():
            os.rename(beside, f"{kept}{ending}")
    return kept


def _migrate(path: Path, version: int, migrations: tuple[str, ...]) -> None:
    for step in range(version, len(migrations)):
        with _opened(path) as db:
            _backup(db, path.with_name(f"{path.name}.before-schema-{step + 1}"))
            _apply(db, step, migrations[step])
    if len(migrations) >= VIEWS_FROM:
        with _opened(path) as db:
            renew(db)


def _backup(db: sqlite3.Connection, to: Path) -> None:
    """Write a copy to `to`, complete or not at all."""
    partial = to.with_name(to.name + ".partial")
    partial.unlink(missing_ok=True)
    os.close(os.open(partial, os.O_CREAT | os.O_RDWR, 0o600))
    with closing(sqlite3.connect(partial)) as copy:
        db.backup(copy)
    give_name(partial, to)


def _apply(db: sqlite3.Connection, version: int, script: str) -> None:
    """Apply one migration, completely or not at all."""
    try:
        db.executescript(f"BEGIN IMMEDIATE;\n{script}\nPRAGMA user_version={version + 1};\nCOMMIT;")
    except sqlite3.Error:
        if db.in_transaction:
            db.rollback()
        raise
