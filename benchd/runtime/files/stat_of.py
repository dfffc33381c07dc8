"""What a name refers to now: which file, and how long it is."""

from __future__ import annotations

import os
from pathlib import Path


def identity_of(path: Path) -> tuple[int, int] | None:
    """Which file this name refers to now: a journal deleted or replaced under us must not count rows as saved."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


def length_of(path: Path) -> int:
    """The file's length [bytes]; 0 if there is none."""
    try:
        return os.stat(path).st_size
    except OSError:
        return 0
