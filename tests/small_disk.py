"""How do tests fill a disk?  A tmpfs of a megabyte, mounted for one test; filled and freed like any other disk."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

SIZE = "1m"


class SmallDisk:
    """A file system that is soon full; `path` is where it is mounted."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._filler = path / "filler"

    def fill(self) -> None:
        """Take every byte that is left."""
        with self._filler.open("ab", buffering=0) as file:
            for piece in (bytes(4096), bytes(1)):
                with contextlib.suppress(OSError):
                    while True:
                        file.write(piece)

    def free(self) -> None:
        self._filler.unlink()


@contextlib.contextmanager
def mounted(path: Path, size: str = SIZE) -> Iterator[SmallDisk]:
    """The disk, at `path`; the test is skipped, saying so, where nothing may be mounted."""
    path.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", path], capture_output=True, text=True)
    if made.returncode:
        pytest.skip(f"no small disk can be mounted: {made.stderr.strip()}; run the tests as root")
    try:
        yield SmallDisk(path)
    finally:
        subprocess.run(["umount", "--lazy", path], check=True)
