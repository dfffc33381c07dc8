"""Collects what is wrong in a person's file, where, and what to write there instead.

A `TomlFile` is one file as read: its values, the line of each key, and the notes (complaints and cautions) that collect
while it is read.  Nothing is raised on the way, so that a person sees everything at once.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from benchd.core.units import QuantityError
from benchd.errors import Complaint, did_you_mean
from benchd.runtime.files.regular_file import INSTEAD, NotAFileError, read_regular
from benchd.settings.lines import KeyPath, key_lines, line_of
from benchd.settings.shapes import CODE_PATTERN, ID_PATTERN

Model = TypeVar("Model", bound=BaseModel)


@dataclass(slots=True)
class Notes:
    """What was found wrong (complaints) and what is merely unwise or missing (cautions), in the order found."""

    complaints: list[Complaint] = field(default_factory=list)
    cautions: list[Complaint] = field(default_factory=list)


@dataclass(slots=True)
class TomlFile:
    """One TOML file as read; empty when it could not be (then a complaint says why)."""

    name: str
    notes: Notes
    values: dict[str, Any] = field(default_factory=dict)
    lines: Mapping[KeyPath, int] = field(default_factory=dict)
    is_read: bool = False

    def note(self, path: KeyPath, problem: str, remedy: str = "") -> Complaint:
        """A complaint about this key, with its line, not yet recorded."""
        return Complaint(self.name, key_text(path), problem, remedy, line_of(self.lines, path))

    def complain(self, path: KeyPath, problem: str, remedy: str = "") -> None:
        """Record a complaint about this key."""
        self.notes.complaints.append(self.note(path, problem, remedy))

    def caution(self, path: KeyPath, problem: str, remedy: str = "") -> None:
        """Record a caution about this key."""
        self.notes.cautions.append(self.note(path, problem, remedy))


def toml_file(path: Path, notes: Notes) -> TomlFile:
    """One file; if it can't be read or isn't TOML, a complaint and an empty one."""
    file = TomlFile(str(path), notes)
    try:
        text = read_regular(path).decode("utf-8-sig")
        file.values = tomllib.loads(text)
    except NotAFileError as error:
        file.complain(("file",), str(error.strerror), INSTEAD)
    except OSError as error:
        remedy = "write it, or give the path of another"
        if isinstance(error, FileNotFoundError) and path.name == "bench.toml":
            remedy = "`benchd init FOLDER` begins one, -c FILE names another"
        file.complain(("file",), f"cannot be read: {error.strerror or error}", remedy)
    except UnicodeDecodeError as error:
        file.complain(("file",), f"is not UTF-8 (byte {error.start})", "save it as UTF-8")
    except tomllib.TOMLDecodeError as error:
        notes.complaints.append(_toml_complaint(file.name, str(error)))
    else:
        file.lines = key_lines(text)
        file.is_read = True
    return file


def _toml_complaint(name: str, message: str) -> Complaint:
    place = re.search(r"\(at line (\d+), column (\d+)\)", message)
    what = re.sub(r"\s*\(at .*\)$", "", message)
    key = f"column {place.group(2)}" if place else "end of file"
    remedy = 'write key = value; a text or a quantity stands in quotes, as in target = "42 psi"'
    return Complaint(name, key, f"is not TOML: {what}", remedy, int(place.group(1)) if place else None)


def key_text(path: KeyPath) -> str:
    """A key path for people; the second [[channel]]'s role is `channel[2].role`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += ("." if text else "") + part
    return text


def is_id(written: str) -> bool:
    """True if a text can be an id: ids are used in topics and addresses."""
    return re.fullmatch(r"[a-z0-9-]{1,32}", written) is not None


def slug(name: str) -> str:
    """A name as an id: "North bench" -> "north-bench"."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:32].strip("-")


def checked(file: TomlFile, path: KeyPath, table: object, model: type[Model]) -> Model | None:
    """A table as its model; None, with a complaint for each thing wrong in it."""
    if not isinstance(table, dict):
        file.complain(path, "must be a table", f"write [{key_text(path)}] and its keys below")
        return None
    try:
        return model.model_validate(table)
    except ValidationError as error:
        complain_of(file, path, model, error)
        return None


def complain_of(file: TomlFile, path: KeyPath, model: type[BaseModel], error: ValidationError) -> None:
    """Each of pydantic's errors as a complaint a caster can act on."""
    for item in error.errors(include_url=False):
        loc = tuple(part for part in item["loc"] if part != "[key]")
        problem, remedy = _worded(item, _owner(model, loc), str(loc[-1]) if loc else "")
        file.complain((*path, *loc), problem, remedy)


def _owner(model: type[BaseModel], loc: KeyPath) -> type[BaseModel]:
    """The (sub-)model the last part of loc is a field of."""
    for part in loc[:-1]:
        found = model.model_fields.get(str(part))
        inner = found.annotation if found else None
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            model = inner
    return model


def _worded(item: Any, model: type[BaseModel], key: str) -> tuple[str, str]:
    kind, context = item["type"], item.get("ctx", {})
    cause = context.get("error")
    if isinstance(cause, QuantityError):
        return cause.problem, cause.remedy
    if kind == "missing":
        return "is missing", _example(model, key)
    if kind == "extra_forbidden":
        return "no such key", did_you_mean(key, model.model_fields)
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", context.get("expected", ""))
        return f"must be one of {', '.join(choices)}", did_you_mean(str(item["input"]), choices)
    if kind == "string_pattern_mismatch" and context.get("pattern") == ID_PATTERN:
        better = slug(str(item["input"]))
        return "may hold a-z, 0-9 and - only, at most 32", f'write {key} = "{better}"' if better else ""
    if kind == "string_pattern_mismatch" and context.get("pattern") == CODE_PATTERN:
        return "may hold letters, digits and - only, at most 32", _example(model, key)
    message = str(cause) if cause is not None else item["msg"]
    return message[:1].lower() + message[1:], _example(model, key)


def _example(model: type[BaseModel], key: str) -> str:
    found = model.model_fields.get(key)
    examples: Sequence[Any] = (found.examples or ()) if found else ()
    return f"write for example {key} = {_toml(examples[0])}" if examples else ""


def _toml(value: Any) -> str:
    """A value as TOML writes it, for an example."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return f"[{', '.join(_toml(v) for v in value)}]"
    if isinstance(value, int | float):
        return f"{value:g}"
    return str(value) if re.fullmatch(r"\d{4}-\d\d-\d\d", str(value)) else f'"{value}"'
