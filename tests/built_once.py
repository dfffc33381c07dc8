"""What a whole test run builds once: the first process that needs it builds it, the others wait and read it."""

from __future__ import annotations

import atexit
import fcntl
import os
import shutil
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

SHARED = "BENCHD_TESTS_SHARED"
"""The environment's name for the run's folder; made by the process that needs it first, and removed at its end."""


@cache
def shared() -> Path:
    """The folder that all processes of this run have in common."""
    if SHARED not in os.environ:
        os.environ[SHARED] = tempfile.mkdtemp(prefix="benchd-tests-")
        atexit.register(shutil.rmtree, os.environ[SHARED], ignore_errors=True)
    return Path(os.environ[SHARED])


def built_once(name: str, build: Callable[[Path], object]) -> Path:
    """The folder `name`, which `build` has filled in this process or another; to be read only."""
    folder = shared() / name
    with (shared() / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            half = shared() / f"{name}.half"
            shutil.rmtree(half, ignore_errors=True)
            half.mkdir()
            build(half)
            half.rename(folder)
    return folder
