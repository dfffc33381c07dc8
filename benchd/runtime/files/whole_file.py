"""Writes a file so that its name appears only once all of it is on disk, and gives it to the folder's owner."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

UNFINISHED = ".moving-"
"""Prefix of the name of an incomplete file."""


def put_whole(path: Path, content: bytes, *, mode: int = 0o600, before: Callable[[Path], object] | None = None) -> None:
    """Write a file under its name only once all of it is on disk; a link of that name is replaced.

    `before` is called with the complete file's path just before the rename, and may raise.  Raises OSError.
    """
    handle, name = tempfile.mkstemp(prefix=UNFINISHED, suffix=path.suffix, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            give_to_owner_of(path.parent, file.fileno())
            file.write(content)
            file.flush()
            os.fchmod(file.fileno(), mode)
        if before is not None:
            before(Path(name))
        give_name(Path(name), path)
    except BaseException:  # also Ctrl-C: nothing half written stays
        Path(name).unlink(missing_ok=True)
        raise


def give_name(draft: Path, path: Path) -> None:
    """Give a closed file, written by whatever wrote it, its name once all of it is on disk.  Raises OSError."""
    sync(draft)
    os.replace(draft, path)
    sync(path.parent)


def give_to_owner_of(folder: Path, handle: int) -> None:
    """Give a file that root made to its folder's owner: a service must be able to read its own files."""
    if os.geteuid() == 0:
        owner = folder.stat()
        os.fchown(handle, owner.st_uid, owner.st_gid)


def sync(path: Path) -> None:
    """A file's content is on disk; a folder's names are."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def whole_text(path: Path) -> Iterator[TextIO]:
    """A UTF-8 file to write piece by piece; it has its name once the block ends, and is gone if the block fails.

    A name that is no file (a pipe, /dev/stdout) is written as it is.  Raises OSError.
    """
    if path.exists() and not path.is_file():
        with open(path, "w", encoding="utf-8", newline="") as out:
            yield out
        return
    handle, name = tempfile.mkstemp(prefix=UNFINISHED, suffix=path.suffix, dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            os.fchmod(out.fileno(), 0o666 & ~_umask())
            yield out
        give_name(Path(name), path)
    except BaseException:  # also Ctrl-C: nothing half written stays
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    now = os.umask(0o077)
    os.umask(now)
    return now


def put_page(path: Path, content: bytes) -> None:
    """Write a whole file for a person, as `whole_text` does, readable by whom new files are.  Raises OSError."""
    if path.exists() and not path.is_file():
        path.write_bytes(content)
        return
    put_whole(path, content, mode=0o666 & ~_umask())


def not_written(path: Path, error: OSError) -> str:
    """The complaint about a file that could not be written, with what to do."""
    why = error.strerror or str(error)
    if error.errno == errno.ENOENT:
        return f"{path}: there is no folder {path.parent}; make it first"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"{path}: you may not write there ({why}); choose another place"
    return f"{path}: cannot be written: {why}; make room, or choose another place"
