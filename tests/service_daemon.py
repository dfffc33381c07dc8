"""How do tests run the daemon as a service does?  Its configuration on a read-only mount, its state directory given."""

from __future__ import annotations

import os
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
from daemon import ROOT, Daemon

READ_ONLY = 'mount --bind "$1" "$1" && mount -o remount,ro,bind "$1" && shift && exec "$@"'
APART = ["unshare", "--mount"] if os.getuid() == 0 else ["unshare", "--mount", "--map-root-user"]
"""Begins a command line whose mounts nobody else sees."""


def _can_mount() -> bool:
    command = [*APART, "sh", "-c", "mount -t tmpfs none /mnt"]
    return shutil.which("unshare") is not None and subprocess.run(command, capture_output=True).returncode == 0


needs_mounts = pytest.mark.skipif(not _can_mount(), reason="no mounts of one's own here (unshare --mount)")


def read_only(folder: Path) -> list[str]:
    """Begins a command line that sees this folder, and all below it, on a read-only mount."""
    return [*APART, "sh", "-c", READ_ONLY, "sh", str(folder)]


def etc_of(folder: Path) -> Path:
    """A folder like /etc/benchd: the example's shelf and resins in it."""
    folder.mkdir(parents=True)
    shutil.copy(ROOT / "config" / "shelf.toml", folder)
    shutil.copytree(ROOT / "config" / "resins", folder / "resins")
    return folder


@dataclass
class ServiceDaemon(Daemon):
    """`benchd run` that cannot write into `folder`, as under ProtectSystem=strict."""

    def __post_init__(self) -> None:
        super().__post_init__()
        path = self.folder / "bench.toml"
        path.write_text(path.read_text("utf-8").partition("\n[journal]")[0], "utf-8")

    @property
    def state(self) -> Path:
        return self.folder.parent / "state"

    @property
    def journal(self) -> Path:
        return self.state / "journal.db"

    @property
    def socket(self) -> Path:
        return self.folder.parent / "run" / "benchd.sock"

    def given(self) -> dict[str, str]:
        return super().given() | {"STATE_DIRECTORY": str(self.state)}

    def around(self) -> list[str]:
        return read_only(self.folder)
