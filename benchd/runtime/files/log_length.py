"""Measures how much of a SQLite write-ahead log is in use, by reading the log itself.

SQLite overwrites the log from its beginning after each checkpoint, so the file's size says nothing.  Frames in use
carry the salts of the log's header, frames of an earlier round do not (sqlite.org/fileformat2.html, 4.1 and 4.2); the
frames in use are contiguous from the beginning, and bisection finds where they end.

Only the log may be opened beside SQLite: closing any file descriptor of a file releases this process's locks on it
(fcntl(2)), and SQLite holds its own on the database and on its index, `-shm`.  It holds none on the log.
"""

from __future__ import annotations

import os
import struct

HEAD_BYTES = 32
FRAME_HEAD_BYTES = 24


def log_bytes(path: str) -> int:
    """The bytes in use in the log at `path`; 0 when there is none or it cannot be read."""
    try:
        file = os.open(path, os.O_RDONLY)
    except OSError:
        return 0
    try:
        return _used(file)
    except (OSError, struct.error):
        return 0
    finally:
        os.close(file)


def _used(file: int) -> int:
    page_bytes, salts = struct.unpack(">8xI4x8s8x", os.pread(file, HEAD_BYTES, 0))
    frame_bytes = FRAME_HEAD_BYTES + page_bytes
    used, stale = 0, (os.fstat(file).st_size - HEAD_BYTES) // frame_bytes + 1
    while stale - used > 1:  # the first `used` frames are of this round; frame number `stale`, counted from 1, is not
        middle = (used + stale) // 2
        if os.pread(file, 8, HEAD_BYTES + (middle - 1) * frame_bytes + 8) == salts:
            used = middle
        else:
            stale = middle
    return int(used * frame_bytes)
