"""Checks a file that claims to be a backup before anything is unpacked: number, size and kind of its members.

Rules.  1. The size of the zip's directory is checked before it is read, since reading it takes memory.  2. Members are
plain files, stored or deflated, not encrypted, each named once, and exactly those that the manifest names.  3. No
member holds more than its directory entry says (zipfile stops there), and that size must match the manifest's, if
given. 4. Settings and the files beside the journal are small; all members together expand to no more than EXPANDS_MOST
times the file, and to no more than the disk has room for.
"""

from __future__ import annotations

import os
import shutil
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterable, Mapping
from pathlib import Path

MEMBERS_MOST = 1000  # a bench has some ten: its resins, certificates, a history
DIRECTORY_BYTES_MOST = 2**20
SMALL_BYTES_MOST = 16 * 2**20
EXPANDS_MOST = 100  # a journal deflates to a fifth; for one emptied lately there is no better bound
FREELY_BYTES = 64 * 2**20  # a file of any size may expand to this
SPARE_BYTES = 64 * 2**20  # must stay free on the disk
JOURNAL = "journal.db"
UNREADABLE = (
    OSError, ValueError, EOFError, OverflowError, RuntimeError, struct.error, zlib.error, zipfile.BadZipFile,
    zipfile.LargeZipFile,
)  # fmt: skip
"""What zipfile raises on a file that is not a zip, is damaged or is forged; NotImplementedError is a RuntimeError."""

# PKWARE APPNOTE 6.3.10, sections 4.3.14 to 4.3.16
_END, _LOCATOR, _END_64 = b"PK\x05\x06", b"PK\x06\x07", b"PK\x06\x06"
_END_BYTES, _LOCATOR_BYTES, _END_64_BYTES, _COMMENT_BYTES = 22, 20, 56, 65_535
_IN_64 = 0xFFFFFFFF


class OddBackup(Exception):
    """Why this file is not unpacked."""


def check_directory(path: Path) -> None:
    """Refuse a zip whose directory is larger than any backup's can be.  Raises OddBackup, OSError."""
    with open(path, "rb") as file:
        size_bytes = file.seek(0, os.SEEK_END)
        tail_bytes = min(size_bytes, _END_BYTES + _COMMENT_BYTES + _LOCATOR_BYTES)
        file.seek(size_bytes - tail_bytes)
        tail = file.read(tail_bytes)
        at = tail.rfind(_END)
        if at < 0 or len(tail) < at + _END_BYTES:
            return  # not a zip at all: zipfile itself reports that
        directory_bytes = int.from_bytes(tail[at + 12 : at + 16], "little")
        locator = tail[at - _LOCATOR_BYTES : at] if at >= _LOCATOR_BYTES else b""
        if locator.startswith(_LOCATOR):
            file.seek(int.from_bytes(locator[8:16], "little"))
            end = file.read(_END_64_BYTES)
            directory_bytes = max(
                directory_bytes if directory_bytes != _IN_64 else 0, int.from_bytes(end[40:48], "little")
            )
    if directory_bytes > DIRECTORY_BYTES_MOST:
        raise OddBackup(f"lists {directory_bytes} bytes of members, more than any backup; it was not made by benchd")


def check_members(file: zipfile.ZipFile) -> None:
    """Refuse members of a kind that benchd does not write.  Raises OddBackup."""
    members = file.infolist()
    if len(members) > MEMBERS_MOST:
        raise OddBackup(f"holds {len(members)} files, at most {MEMBERS_MOST}; it was not made by benchd")
    for info in members:
        kind = stat.S_IFMT(info.external_attr >> 16)
        if kind not in (0, stat.S_IFREG) or info.is_dir():
            raise OddBackup(f"holds {info.filename!r}, which is no plain file; it was not made by benchd")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) or info.flag_bits & 1:
            raise OddBackup(f"holds {info.filename!r}, packed in another way than benchd packs; make it with benchd")


def check_named(file: zipfile.ZipFile, manifest: str, sums: Iterable[str], sizes: Mapping[str, int]) -> None:
    """Refuse members that the manifest does not name, duplicates, and sizes that differ from it.  Raises OddBackup."""
    held = sorted(info.filename for info in file.infolist())
    named = sorted([manifest, *sums])
    if held != named:
        odd = next((a for a, b in zip([*held, ""], [*named, ""], strict=False) if a != b), "")
        raise OddBackup(f"its files are not those its manifest names ({odd!r}); use another backup")
    for info in file.infolist():
        if sizes and info.filename != manifest and sizes.get(info.filename) != info.file_size:
            raise OddBackup(f"{info.filename} is damaged: not as long as its manifest says; use another backup")
        if info.filename != JOURNAL and info.file_size > SMALL_BYTES_MOST:
            raise OddBackup(f"{info.filename!r} would take {_mb(info.file_size)}, more than any settings do")


def check_room(file: zipfile.ZipFile, to: Path) -> None:
    """Refuse a file that expands too much, or would fill the disk that holds `to`.  Raises OddBackup, OSError."""
    whole_bytes = sum(info.file_size for info in file.infolist())
    packed_bytes = sum(info.compress_size for info in file.infolist())
    if whole_bytes > max(FREELY_BYTES, EXPANDS_MOST * packed_bytes):
        raise OddBackup(f"{_mb(packed_bytes)} would expand to {_mb(whole_bytes)}; it was not made by benchd")
    free_bytes = shutil.disk_usage(to).free
    if whole_bytes > free_bytes - SPARE_BYTES:
        raise OddBackup(f"it takes {_mb(whole_bytes)}, the disk has {_mb(free_bytes)} free; name a folder elsewhere")


def _mb(count_bytes: int) -> str:
    return f"{count_bytes / 1e6:.1f} MB"
