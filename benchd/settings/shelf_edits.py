"""Writes molds and lots into shelf.toml without losing a comment, a line or someone else's edit.

Whoever edits first reads (`read_shelf`, whose digest says what was seen), changes one [[mold]] or [[lot]], and saves:
the whole configuration is checked with the new file before it counts, and a file changed since is never overwritten.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from benchd.errors import SettingsError, did_you_mean, no_such
from benchd.runtime.files.whole_file import give_to_owner_of
from benchd.settings.edits import ChangedError, EditedFile, EditError, cut_tail, read_toml, save_toml, set_keys
from benchd.settings.shapes import SHELF

Kind = Literal["mold", "lot"]
WORDS = ("code", "name", "stance", "traps", "note", "suspect", "resin", "pull", "silicone")
"""Keys whose value is text even when it looks like a number."""


def read_shelf(path: Path, *, follows: bool = True) -> EditedFile:
    """The shelf's file, made empty if it is missing; links as in `read_toml`.  Raises EditError."""
    try:
        if not os.path.lexists(path):
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
            try:
                give_to_owner_of(path.parent, handle)
            finally:
                os.close(handle)
    except OSError as error:
        raise EditError(f"{path}: cannot be written: {error.strerror or error}") from error
    return read_toml(path, follows=follows)


def entries(file: EditedFile, kind: Kind) -> list[Any]:
    """The [[mold]] or [[lot]] tables as they are."""
    found = file.values.get(kind)
    return list(found) if isinstance(found, AoT | list) else []


def entry(file: EditedFile, kind: Kind, code: str) -> Any:
    """The table of one code, whatever its capitals.  Raises EditError naming what there is."""
    known = [str(table.get("code", "")) for table in entries(file, kind)]
    for table, written in zip(entries(file, kind), known, strict=True):
        if written.lower() == code.lower():
            return table
    raise EditError(f"{file.path}: {no_such(kind, code.upper(), known, f'benchd shelf add {kind} {code}')}")


def add(file: EditedFile, kind: Kind, keys: Mapping[str, object]) -> None:
    """Put a new table at the file's end.  Raises EditError when its code is taken or a key is unknown."""
    code = str(keys.get("code", ""))
    if any(str(table.get("code", "")).lower() == code.lower() for table in entries(file, kind)):
        raise EditError(f"{file.path}: {kind} {code} is there already; change it, or choose another code")
    _refuse_unknown(file, kind, keys)
    table = tomlkit.table()
    for key, value in keys.items():
        if value is not None:
            table[key] = value
    found = file.values.get(kind)
    if isinstance(found, AoT) and len(found):
        _append(found, table)
        return
    array = tomlkit.aot()
    array.append(table)
    if file.values.as_string().strip():
        file.values.add(tomlkit.nl())
    file.values.add(kind, array)


def _append(found: AoT, table: Table) -> None:
    """Behind the last one; the comments below that speak of what follows, and stay above it."""
    last = found[-1]
    tail = cut_tail(last) if isinstance(last, Table) else []
    if isinstance(last, Table):
        last.add(tomlkit.nl())
    found.append(table)
    for item in tail:
        table.add(item)


def change(file: EditedFile, kind: Kind, code: str, keys: Mapping[str, object]) -> None:
    """Set keys of one table; None deletes a key.  Raises EditError."""
    _refuse_unknown(file, kind, keys)
    new = keys.get("code")
    if isinstance(new, str) and new.lower() != code.lower():
        raise EditError(f"{file.path}: a code stays: the records of {code} are kept under it; add a new {kind} instead")
    set_keys(entry(file, kind, code), keys)


def _refuse_unknown(file: EditedFile, kind: Kind, keys: Mapping[str, object]) -> None:
    known = list(SHELF[kind].model_fields)
    for key in keys:
        if key not in known:
            remedy = did_you_mean(key, known) or f"a {kind} has {', '.join(known)}"
            raise EditError(f'{file.path}: {kind}: no key "{key}"; {remedy}')


def save(file: EditedFile, judge: Callable[[Path], object], digest: str | None = None) -> str:
    """Put the changed file in place and return its new digest.

    judge: called with the new file's path, raises SettingsError when the configuration doesn't hold with it.
    digest: of the file as the editor read it; another one means that the file was changed since.  Raises EditError.
    """
    if digest is not None and digest != file.digest:
        raise ChangedError(f"{file.path} was changed since it was read; look at it as it is now and change it again")
    sums: list[str] = []
    save_toml(file, lambda new: _judged(file.path, new, judge), sums.append)
    return sums[-1]


def _judged(path: Path, new: Path, judge: Callable[[Path], object]) -> None:
    """Check the new file, which will be deleted: its complaints name the one being edited."""
    try:
        judge(new)
    except SettingsError as error:
        found = [replace(c, file=str(path)) if Path(c.file) == new else c for c in error.complaints]
        raise SettingsError(found) from error


def typed(key: str, written: str) -> object:
    """A value as typed: "" deletes the key; numbers, true and dates as in TOML, all else is text."""
    text = written.strip()
    if not text:
        return None
    if key in WORDS:
        return text
    try:
        return tomlkit.value(text).unwrap()
    except (TOMLKitError, ValueError):
        return text
