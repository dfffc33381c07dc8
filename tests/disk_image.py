"""How do tests cut the power of a real disk?  An ext4 in a file on a loop device, and copies of that file.

What the kernel has not written yet is not in a copy, as it would not be on a disk that lost its power.  A thin disk's
file lies on a tmpfs smaller than itself: when that is full, writes fail below the file system, and an fsync says so.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from small_disk import SmallDisk, mounted

MIB = 2**20


class ImageDisk:
    """A mounted file system in a file."""

    def __init__(self, path: Path, image: Path) -> None:
        self.path, self.image = path, image

    def copy(self, to: Path) -> Path:
        """The disk as a power cut now would leave it; whoever writes is stopped.

        Read until it is the same twice: a sync that was under way is over, or the copy would hold some blocks from
        before it and some from after it.
        """
        before = b""
        while (now := self.image.read_bytes()) != before:
            before = now
        to.write_bytes(now)
        return to


def made(image: Path, size_mib: int = 16, features: str = "has_journal") -> Path:
    """A file with an empty ext4 in it; the test is skipped, saying so, where none can be made."""
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("no mkfs.ext4; install e2fsprogs and run the tests as root")
    with image.open("wb") as file:
        file.truncate(size_mib * MIB)
    whole = "nodiscard,lazy_itable_init=0,lazy_journal_init=0"  # what it needs for itself is written now
    subprocess.run(["mkfs.ext4", "-q", "-m", "0", "-O", features, "-E", whole, str(image)], check=True)
    return image


@contextlib.contextmanager
def held(image: Path, path: Path) -> Iterator[ImageDisk]:
    """An image mounted at `path`; the test is skipped, saying so, where nothing may be mounted."""
    path.mkdir(exist_ok=True)
    found = subprocess.run(["mount", "-o", "loop", str(image), str(path)], capture_output=True, text=True)
    if found.returncode:
        pytest.skip(f"no disk image can be mounted: {found.stderr.strip()}; run the tests as root")
    try:
        yield ImageDisk(path, image)
    finally:
        subprocess.run(["umount", "--lazy", str(path)], check=True)


@contextlib.contextmanager
def thin(folder: Path) -> Iterator[tuple[ImageDisk, SmallDisk]]:
    """A disk of 32 MiB on a tmpfs of eight, which can be filled and freed below it.

    Its file system keeps no journal: one that cannot write its journal stays read-only until it is mounted anew.
    """
    with mounted(folder / "below", "8m") as below:
        image = made(below.path / "disk.img", 32, "^has_journal,^metadata_csum")
        with held(image, folder / "thin") as disk:
            _in_pages(disk.path)
            yield disk, below


def _in_pages(path: Path) -> None:
    """Let the loop device write a page at a time: a write for half of which there is room it takes for done."""
    device = subprocess.run(["findmnt", "-n", "-o", "SOURCE", path], capture_output=True, text=True, check=True).stdout
    (Path("/sys/block") / Path(device.strip()).name / "queue/max_sectors_kb").write_text("4")


def checked(image: Path) -> Path:
    """The image as the check at boot leaves it, which a file system without a journal needs after a cut."""
    subprocess.run(["e2fsck", "-f", "-y", str(image)], capture_output=True)
    return image
