"""Backs up a whole bench to one file while it runs, and restores it elsewhere.

A backup is a zip file: `manifest.json` with the format number, the journal's schema and the SHA-256 of every other
member; `journal.db`, a consistent copy made through SQLite's own online backup; `config/` with bench.toml, shelf.toml
and the resins; `state/` with the files beside the journal.  The file gets its name only when it is complete, and is
restored only when every checksum matches, into a folder of its own.

A file that claims to be a backup may be malicious: before anything is written, backup_door.py refuses one that holds
too many members, too large ones or unexpected ones.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from benchd import __version__
from benchd.core.format.record import is_time
from benchd.errors import BenchdError
from benchd.runtime.files.whole_file import give_name, not_written
from benchd.runtime.journal.backup_door import (
    UNREADABLE,
    OddBackup,
    check_directory,
    check_members,
    check_named,
    check_room,
)
from benchd.runtime.journal.lock import JournalLock
from benchd.runtime.journal.schema import APPLICATION_ID, MIGRATIONS
from benchd.runtime.journal.schema.journal_id import renew_id

FORM = 0
MANIFEST, JOURNAL = "manifest.json", "journal.db"
STATE_FILES = ("calibrations.jsonl", "sheet.json", "orders.json")
KEY_FOLDER = "https"
MOST_MANIFEST_BYTES = 4 * 2**20
COPIED_BYTES = 1 << 20


class BackupError(BenchdError):
    """The backup could not be made or restored; nothing was changed."""


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup's manifest.

    When it was made [unix s], by which version, the journal's schema, each member's SHA-256 and size [bytes]; benchd
    0.1.0 wrote no sizes.
    """

    made_t: float
    version: str
    schema: int
    sums: Mapping[str, str]
    sizes: Mapping[str, int] = field(default_factory=dict)


def write_backup(to: Path, journal: Path, config: Mapping[str, Path], made_t: float, with_keys: bool = False) -> Backup:
    """Write a backup of a bench, running or not, to `to`; returns what is in it.

    config: name inside config/ -> file.  `with_keys` includes the page's certificates and keys, which let anyone who
    has the file impersonate this bench.  Raises BackupError; an earlier file of that name is then unchanged.
    """
    if not journal.exists():
        raise BackupError(f"{journal}: no journal there; `benchd run` writes one")
    try:
        with tempfile.TemporaryDirectory(prefix=".backup-", dir=to.parent) as folder:
            copy, whole = Path(folder) / JOURNAL, Path(folder) / to.name
            schema = _copy_journal(journal, copy)
            members = {JOURNAL: copy, **{f"config/{name}": path for name, path in config.items()}}
            members |= {f"state/{name}": path for name, path in _state(journal.parent, with_keys)}
            made = _zipped(whole, members, made_t, schema)
            os.chmod(whole, 0o600)
            give_name(whole, to)
            return made
    except OSError as error:
        raise BackupError(not_written(to, error)) from error
    except (sqlite3.Error, zipfile.BadZipFile) as error:
        raise BackupError(f"{to}: {error}; run `benchd check`") from error


def _copy_journal(journal: Path, copy: Path) -> int:
    """Copy in one step: the bench keeps writing, and a copy in several steps would restart at each commit."""
    uri = f"{journal.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
        target.execute("PRAGMA journal_mode=DELETE")  # one file, with no log beside it
        return int(target.execute("PRAGMA user_version").fetchone()[0])


def _state(folder: Path, with_keys: bool) -> Iterator[tuple[str, Path]]:
    for name in STATE_FILES:
        if (folder / name).is_file():
            yield name, folder / name
    keys = folder / KEY_FOLDER
    if with_keys and keys.is_dir():
        for path in sorted(p for p in keys.rglob("*") if p.is_file()):
            yield path.relative_to(folder).as_posix(), path


def _zipped(whole: Path, members: Mapping[str, Path], made_t: float, schema: int) -> Backup:
    sums: dict[str, str] = {}
    sizes: dict[str, int] = {}
    with zipfile.ZipFile(whole, "x", zipfile.ZIP_DEFLATED) as file:
        for name, path in members.items():
            digest = hashlib.sha256()
            with open(path, "rb") as source, file.open(name, "w", force_zip64=True) as target:
                while chunk := source.read(COPIED_BYTES):
                    digest.update(chunk)
                    target.write(chunk)
            sums[name], sizes[name] = digest.hexdigest(), file.getinfo(name).file_size
        made = Backup(made_t, __version__, schema, sums, sizes)
        plain: dict[str, Any] = {"backup": FORM, "made": made_t, "version": __version__, "schema": schema}
        plain |= {"sums": sums, "bytes": sizes}
        file.writestr(MANIFEST, json.dumps(plain, indent=1))
    return made


def restore(path: Path, to: Path) -> Backup:
    """Restore a backup into the new folder `to`: journal.db and state directly in it, config/ below it.

    Every member is checked before the folder appears; an existing folder is never written into. Raises BackupError, and
    then leaves nothing behind.
    """
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise BackupError(f"{to}: is there already; name a new folder, so that nothing is overwritten")
    with _opened(path) as file:
        backup = _manifest(path, file)
        if backup.schema > len(MIGRATIONS):
            raise BackupError(
                f"{path}: its journal is of a newer benchd (schema {backup.schema}, here {len(MIGRATIONS)}); "
                f"restore it with benchd {backup.version} or later"
            )
        _unpack(path, file, backup, to)
    return backup


def _unpack(path: Path, file: zipfile.ZipFile, backup: Backup, to: Path) -> None:
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=f".{to.name}-", dir=to.parent))
        lock = JournalLock(draft / JOURNAL)
        try:
            check_room(file, draft)
            lock.take()  # held past the rename: no benchd starts on a journal that is still being restored
            for name, expected in backup.sums.items():
                if _put(file, name, draft / name.removeprefix("state/")) != expected:
                    raise BackupError(f"{path}: {name} is damaged: its sum does not agree; use another backup")
            _check_journal(path, draft / JOURNAL)
            renew_id(draft / JOURNAL)
            if to.exists():
                to.rmdir()
            os.rename(draft, to)
        except BaseException:  # also Ctrl-C: all of a backup is put in place, or nothing
            shutil.rmtree(draft, ignore_errors=True)
            raise
        finally:
            lock.release()
    except (*UNREADABLE, KeyError, OddBackup) as error:
        raise BackupError(f"{path}: cannot be restored: {error}") from error


def _put(file: zipfile.ZipFile, name: str, target: Path) -> str:
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    digest = hashlib.sha256()
    with file.open(name) as source, open(target, "xb") as out:
        os.fchmod(out.fileno(), 0o600)
        while chunk := source.read(COPIED_BYTES):
            digest.update(chunk)
            out.write(chunk)
        out.flush()
        os.fsync(out.fileno())
    return digest.hexdigest()


def _check_journal(path: Path, journal: Path) -> None:
    with closing(sqlite3.connect(journal)) as db:
        try:
            is_ours = db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
            verdict = db.execute("PRAGMA integrity_check(1)").fetchone()[0]
        except sqlite3.DatabaseError as error:
            raise BackupError(f"{path}: its journal cannot be read: {error}; use another backup") from error
    if not is_ours or verdict != "ok":
        raise BackupError(f"{path}: its journal is damaged ({verdict}); use another backup")


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        check_directory(path)
        with zipfile.ZipFile(path) as file:
            yield file
    except FileNotFoundError:
        raise BackupError(f"{path}: no such file; give the one that `benchd backup` wrote") from None
    except OddBackup as error:
        raise BackupError(f"{path}: {error}") from error
    except UNREADABLE as error:
        raise BackupError(f"{path}: not a backup: {error}") from error


def _manifest(path: Path, file: zipfile.ZipFile) -> Backup:
    check_members(file)
    try:
        if file.getinfo(MANIFEST).file_size > MOST_MANIFEST_BYTES:
            raise ValueError("its manifest is too long")
        plain: dict[str, Any] = json.loads(file.read(MANIFEST))
        if plain["backup"] != FORM:
            raise BackupError(f"{path}: is of another form ({plain['backup']}) than this benchd reads ({FORM})")
        sums = {str(name): str(value) for name, value in plain["sums"].items()}
        sizes = {str(name): int(value) for name, value in plain.get("bytes", {}).items()}
        if not is_time(plain["made"]):
            raise ValueError("it was made at a time no bench has")
        backup = Backup(float(plain["made"]), str(plain["version"]), int(plain["schema"]), sums, sizes)
    except (*UNREADABLE, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise BackupError(f"{path}: not a backup of benchd: {error}") from error
    _refuse_odd_names(path, backup.sums)
    check_named(file, MANIFEST, backup.sums, backup.sizes)
    return backup


def _refuse_odd_names(path: Path, names: Iterable[str]) -> None:
    for name in names:
        pure = PurePosixPath(name)
        is_odd = pure.is_absolute() or ".." in pure.parts or "\\" in name or pure.as_posix() != name
        if is_odd or not (name == JOURNAL or name.startswith(("config/", "state/"))):
            raise BackupError(f"{path}: holds a file of an odd name ({name!r}); it was not made by benchd")
