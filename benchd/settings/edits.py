"""Changes a person's TOML file: comments stay, nothing is half written and nobody's edit is lost.

The new text goes into a file beside it, is checked there, synced, and replaces the old one in one step; if the old one
changed in the meantime, nothing is written.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Array, Comment, Table, Whitespace

from benchd.errors import BenchdError
from benchd.runtime.files.regular_file import INSTEAD, NotAFileError, read_regular
from benchd.runtime.files.whole_file import put_whole


class EditError(BenchdError):
    """The file could not be changed; it is as it was."""


class ChangedError(EditError):
    """Someone else changed the file since it was read."""


@dataclass(frozen=True, slots=True)
class EditedFile:
    """A file as it was read: its bytes, and its values with their comments, to be changed in place."""

    path: Path
    before: bytes
    values: tomlkit.TOMLDocument

    @property
    def digest(self) -> str:
        """SHA-256 of the file as it was read."""
        return hashlib.sha256(self.before).hexdigest()


def read_toml(path: Path, *, follows: bool = True) -> EditedFile:
    """The file, links followed if `follows`.  Raises EditError when it can't be read or isn't TOML."""
    if not follows and path.is_symlink():
        raise EditError(f"{path}: is a link, which is not followed there; put the file itself in its place")
    real = Path(os.path.realpath(path)) if follows else path
    try:
        before = read_regular(real, follows=follows)
        return EditedFile(real, before, tomlkit.parse(before.decode("utf-8-sig")))
    except NotAFileError as error:
        raise EditError(f"{path}: {error.strerror}; {INSTEAD}") from error
    except (OSError, ValueError) as error:
        raise EditError(f"{path}: cannot be read: {error}") from error


def set_keys(table: Any, keys: Mapping[str, object]) -> None:
    """Set keys of a table in place, or delete those that are None; a new key goes below the last, above comments."""
    tail = cut_tail(table) if isinstance(table, Table) else []
    for key, value in keys.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value
    for item in tail:
        table.add(item)


def cut_tail(table: Table) -> list[Comment | Whitespace]:
    """Remove and return the blank lines and comments that end a table: they belong to what follows."""
    body = table.value.body
    count = 0
    while count < len(body) and body[-1 - count][0] is None and isinstance(body[-1 - count][1], Comment | Whitespace):
        count += 1
    tail = [item for _, item in body[len(body) - count :] if isinstance(item, Comment | Whitespace)]
    del body[len(body) - count :]
    return tail


def pairs(rows: Sequence[Sequence[str]]) -> Array:
    """[["0.4 psi", "0 psi"], ...] on one line."""
    outer = tomlkit.array()
    for row in rows:
        outer.append(list(row))
    return outer


def date(written: str | None) -> datetime.date | None:
    """A date from "2026-11-25"; None from None."""
    return None if written is None else datetime.date.fromisoformat(written)


def save_toml(file: EditedFile, judge: Callable[[Path], object], note: Callable[[str], object]) -> None:
    """Replace the file by its changed values.

    `judge` is called with the new file's path, then `note` with the sha256 of its content, before it counts; both may
    raise.  Raises EditError when the file changed since it was read or cannot be written.
    """
    text = tomlkit.dumps(file.values).encode()
    try:
        _replace(file, text, judge, note)
    except OSError as error:
        raise EditError(f"{file.path}: cannot be written: {error.strerror or error}") from error


def _replace(file: EditedFile, text: bytes, judge: Callable[[Path], object], note: Callable[[str], object]) -> None:
    def approve(new: Path) -> None:
        _take_over_rights(file.path, new)
        judge(new)
        if file.path.read_bytes() != file.before:
            raise ChangedError(
                f"{file.path} was changed by somebody else in the meantime; nothing is written, try again"
            )
        note(hashlib.sha256(text).hexdigest())

    put_whole(file.path, text, before=approve)


def _take_over_rights(path: Path, new: Path) -> None:
    """Copy the old file's mode, and its owner as far as this process may."""
    stat = path.stat()
    os.chmod(new, stat.st_mode & 0o7777)
    with contextlib.suppress(PermissionError):
        os.chown(new, stat.st_uid, stat.st_gid)
