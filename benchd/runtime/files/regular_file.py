"""Reads a file that a person wrote; refuses at once what is none: a pipe in its place would hold up the start."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

INSTEAD = "put the file itself in its place"


class NotAFileError(OSError):
    """A pipe, a folder or a device has the name of a file; `strerror` says which, INSTEAD is the remedy."""


def read_regular(path: Path, *, follows: bool = True) -> bytes:
    """The content of a regular file, a link followed if `follows`.  Raises OSError, a NotAFileError for a pipe."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | (0 if follows else os.O_NOFOLLOW))
    try:
        mode = os.fstat(handle).st_mode
        if not stat.S_ISREG(mode):
            raise NotAFileError(errno.EINVAL, f"is {_kind(mode)}, not a file")
        with open(handle, "rb", closefd=False) as file:
            return file.read()
    finally:
        os.close(handle)


def _kind(mode: int) -> str:
    return "a pipe" if stat.S_ISFIFO(mode) else "a folder" if stat.S_ISDIR(mode) else "a device"
