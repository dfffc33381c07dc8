"""Reads and writes shelf.toml for a form: every value as text, every complaint beside its key.

It edits as `benchd shelf` does.  Words for the page name the file, never the folders it is in.
"""

from __future__ import annotations

import datetime
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal, get_args

import tomlkit
from pydantic.fields import FieldInfo

from benchd.errors import SettingsError, did_you_mean
from benchd.runtime.shelf_desk import KINDS, ShelfEdit, ShelfRefused
from benchd.settings.edits import ChangedError, EditedFile, EditError, read_toml
from benchd.settings.shapes import SHELF
from benchd.settings.shelf_edits import add, change, entries, read_shelf, save, typed
from benchd.settings.toml_file import key_text

LONGEST = 400  # characters of one value
TAKEN = "is taken: choose another code, or change that one"


class ShelfForm:
    """A shelf.toml as the page edits it; `judge` is called with a changed copy and raises SettingsError.

    resins: their folder, by default beside it.  Links are followed where `follows`.
    """

    def __init__(
        self, path: Path, judge: Callable[[Path], object], resins: Path | None = None, *, follows: bool = True
    ) -> None:
        self._path, self._judge, self._follows = path, judge, follows
        self._resins_dir = resins or path.parent / "resins"

    def read(self) -> dict[str, Any]:
        """The file as a form shows it.  Raises ShelfRefused."""
        try:
            if os.path.lexists(self._path):
                file = read_toml(self._path, follows=self._follows)
            else:
                file = EditedFile(self._path, b"", tomlkit.document())
        except EditError as error:
            raise ShelfRefused(503, [("", self._named(str(error)))]) from error
        shown = {f"{kind}s": [_texts(table) for table in entries(file, kind)] for kind in ("mold", "lot")}
        keys = {kind: _keys(kind, self._resins()) for kind in KINDS}
        return {"digest": file.digest, "file": self._path.name, **shown, "keys": keys}

    def write(self, edit: ShelfEdit) -> str:
        """Make one change and return the new digest.  Raises ShelfRefused."""
        keys = _typed(edit)
        try:
            file = read_shelf(self._path, follows=self._follows)
            if edit.digest != file.digest:
                raise ChangedError(f"{self._path.name} was changed since it was read")
            index = self._change(file, edit, keys)
            return save(file, self._judge, edit.digest)
        except ChangedError as error:
            why = f"{self._path.name} was changed since you opened it: look at it as it is now, then change it again"
            raise ShelfRefused(409, [("", why)]) from error
        except SettingsError as error:
            raise ShelfRefused(400, self._complaints(error, edit, index)) from error
        except EditError as error:
            raise self._refused(error) from error

    def _change(self, file: EditedFile, edit: ShelfEdit, keys: Mapping[str, object]) -> int:
        """Change the values in memory; which table of its kind it was, from 0."""
        known = [str(table.get("code", "")).lower() for table in entries(file, edit.kind)]
        is_there = edit.code.lower() in known
        if edit.action == "add":
            if is_there:
                raise ShelfRefused(400, [("code", f"{edit.code} {TAKEN}")])
            add(file, edit.kind, {"code": edit.code, **keys})
            return len(known)
        if not is_there:
            raise ShelfRefused(400, [("code", f"no {edit.kind} {edit.code} is on the shelf any more")])
        change(file, edit.kind, edit.code, keys)
        return known.index(edit.code.lower())

    def _complaints(self, error: SettingsError, edit: ShelfEdit, index: int) -> list[tuple[str, str]]:
        """Each complaint at its key of the edited entry; others by their file and line."""
        own = f"{key_text((edit.kind, index))}."
        out = []
        for complaint in error.complaints:
            between = " " if complaint.problem.endswith("?") else ": "
            why = complaint.problem + (f"{between}{complaint.remedy}" if complaint.remedy else "")
            name = Path(complaint.file).name
            if name == self._path.name and complaint.key.startswith(own):
                out.append((complaint.key.removeprefix(own).partition(".")[0], why))
            else:
                place = f"{name}, line {complaint.line}" if complaint.line is not None else name
                out.append(("", f"{place}, {complaint.key} {why}"))
        return [(key, self._named(why)) for key, why in out]

    def _refused(self, error: EditError) -> ShelfRefused:
        """A failure to read or write, which is no fault of what was typed."""
        return ShelfRefused(503 if isinstance(error.__cause__, OSError) else 400, [("", self._named(str(error)))])

    def _named(self, why: str) -> str:
        """The words without the folders the file is in."""
        for folder in {self._path.parent, self._path.resolve().parent}:
            why = why.replace(f"{folder}/", "")
        return why

    def _resins(self) -> list[str]:
        return sorted(path.stem for path in self._resins_dir.glob("*.toml"))


def _typed(edit: ShelfEdit) -> dict[str, object]:
    """The keys' values as TOML has them.  Raises ShelfRefused."""
    out: dict[str, object] = {}
    known = list(SHELF[edit.kind].model_fields)
    for key, text in edit.keys.items():
        if key not in known:
            raise ShelfRefused(400, [(key[:40], f"no such key; {did_you_mean(key, known)}".rstrip("; "))])
        if len(text) > LONGEST:
            raise ShelfRefused(400, [(key, f"is too long: at most {LONGEST} characters")])
        try:
            out[key] = typed(key, text)
        except (RecursionError, IndexError) as error:
            raise ShelfRefused(400, [(key, "is not a value; write a number, a date, or text")]) from error
    if edit.action in ("retire", "restore"):
        if edit.kind != "mold":
            raise ShelfRefused(400, [("", "a lot is not retired: say under `suspect` what speaks against it")])
        out["retired"] = True if edit.action == "retire" else None
    return out


def _texts(table: Mapping[str, Any]) -> dict[str, str]:
    """A table's values as they would be typed."""
    return {str(key): _text(value) for key, value in table.items()}


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    plain = value.unwrap() if hasattr(value, "unwrap") else value
    return f"{plain:.15g}" if isinstance(plain, float) else str(plain)


def _keys(kind: str, resins: list[str]) -> list[dict[str, Any]]:
    """What a form has to know of each key, in the order of the file's description."""
    return [_key(name, field, resins) for name, field in SHELF[kind].model_fields.items()]


def _key(name: str, field: FieldInfo, resins: list[str]) -> dict[str, Any]:
    choices = resins if name == "resin" else _choices(field.annotation)
    example = field.examples[0] if field.examples else None
    return {
        "key": name,
        "about": field.description or "",
        "example": "" if example is None else _text(example),
        "usual": "" if field.is_required() or field.default in (None, "") else _text(field.default),
        "is_needed": field.is_required(),
        "is_date": _holds(field.annotation, datetime.date),
        "choices": choices,
    }


def _holds(annotation: Any, kind: type) -> bool:
    """Whether an annotation, or anything within it, is of this type."""
    return annotation is kind or any(_holds(inner, kind) for inner in get_args(annotation))


def _choices(annotation: Any) -> list[str]:
    if annotation is bool:
        return ["true", "false"]
    return [str(choice) for choice in get_args(annotation)] if _is_literal(annotation) else []


def _is_literal(annotation: Any) -> bool:
    return getattr(annotation, "__origin__", None) is Literal
