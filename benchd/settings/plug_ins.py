"""Checks the tables of sources, outlets and watchers against the plug-ins they name.

A *catalogue* lists the plug-ins there are (benchd/plugins.py keeps the real one), so that this folder need not know
them.  A number in such a table may carry its unit where the field's name ends in one: wait_s = "3 min".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, Protocol

from pydantic import BaseModel

from benchd.core.units import Dimension, QuantityError, parse_quantity
from benchd.errors import PluginError, did_you_mean
from benchd.runtime.contracts import Sent
from benchd.settings.lines import KeyPath
from benchd.settings.shapes import ID_PATTERN
from benchd.settings.toml_file import TomlFile, checked, is_id

Folder = Literal["sources", "outlets", "watchers"]

BY_ENDING: dict[str, Dimension] = {
    "_s": "time", "_kpa": "pressure", "_c": "temperature_step", "_g": "mass", "_ml": "volume", "_mm": "length",
    "_pct": "humidity", "_m": "altitude",
}  # fmt: skip


class Catalogue(Protocol):
    """What plug-ins exist, and which settings each takes."""

    def kinds(self, folder: Folder) -> Sequence[str]:
        """The kinds a folder holds, found without loading them."""

    def settings_of(self, folder: Folder, kind: str) -> type[BaseModel]:
        """The model of a kind's table.  Raises PluginError if there is none or it breaks the contract."""


def sources_of(file: TomlFile, catalogue: Catalogue) -> dict[str, BaseModel]:
    """[[source]] tables -> id: the kind's own Settings."""
    tables = file.values.get("source", [])
    if not isinstance(tables, list):
        file.complain(("source",), "must be a list of tables", "write [[source]]")
        return {}
    found: dict[str, BaseModel] = {}
    for index, table in enumerate(tables):
        path: KeyPath = ("source", index)
        id, kind = (_text(file, path, table, key) for key in ("id", "kind"))
        settings = _settings(file, path, catalogue, "sources", kind, _without(table, "id")) if kind else None
        if id in found:
            file.complain((*path, "id"), f'"{id}" is taken by another source', "every source needs an id of its own")
        elif id and settings is not None:
            found[id] = settings
    return found


def checksum_of(settings: BaseModel) -> Literal["crc32", "none"]:
    """Whether a source's lines carry a checksum: they do unless its settings say crc = "none"."""
    return "none" if getattr(settings, "crc", None) == "none" else "crc32"


def clock_of(settings: BaseModel) -> Literal["up", "arrival"] | None:
    """Whose time a source's lines have, where its settings say so."""
    clock = getattr(settings, "clock", None)
    return clock if clock in ("up", "arrival") else None


def sends_of(settings: BaseModel) -> Mapping[str, Sent] | None:
    """What a source's settings themselves say it sends, by name; None where only its board knows."""
    sends: Mapping[str, Sent] | None = getattr(settings, "sends", None)
    return sends


def _text(file: TomlFile, path: KeyPath, table: Any, key: str) -> str | None:
    written = table.get(key) if isinstance(table, dict) else None
    example = {"id": 'write for example id = "board"', "kind": 'write for example kind = "serial_lines"'}[key]
    if not isinstance(written, str):
        file.complain((*path, key), "is missing" if written is None else "must be a text", example)
        return None
    if key == "id" and not is_id(written):
        file.complain((*path, key), f"does not match {ID_PATTERN}", example)
        return None
    return written


def _without(table: Mapping[str, Any], key: str) -> dict[str, Any]:
    return {k: v for k, v in table.items() if k != key}


def outlets_of(file: TomlFile, catalogue: Catalogue, own_tables: Sequence[str]) -> dict[str, BaseModel]:
    """Top-level tables that are not benchd's own -> outlet kind: its Settings; unknown ones become complaints."""
    found: dict[str, BaseModel] = {}
    kinds = catalogue.kinds("outlets")
    for name, table in file.values.items():
        if name in own_tables:
            continue
        if name not in kinds:
            file.complain((name,), "no such table", did_you_mean(name, [*own_tables, *kinds]))
            continue
        settings = _settings(file, (name,), catalogue, "outlets", name, table)
        if settings is not None:
            found[name] = settings
    return found


def mind_channels(file: TomlFile, outlets: Mapping[str, BaseModel], channels: Sequence[str]) -> None:
    """Caution where an outlet's settings, as `read_change` does, give something for a channel that is not there."""
    for name, settings in outlets.items():
        for channel in getattr(settings, "read_change", ()):
            if channel not in channels:
                file.caution((name, "read_change", channel), "no such channel", did_you_mean(channel, channels))


def tune_of(file: TomlFile, catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    """[tune.WATCHER] overrides, each value as the watcher's Settings keep it."""
    tables = file.values.get("tune", {})
    if not isinstance(tables, dict):
        file.complain(("tune",), "must hold tables", "write [tune.kick] and its keys below")
        return {}
    found: dict[str, dict[str, Any]] = {}
    for name, table in tables.items():
        settings = _settings(file, ("tune", name), catalogue, "watchers", name, table)
        if settings is not None:
            found[name] = settings.model_dump(mode="json", exclude_unset=True)
    return found


def _settings(
    file: TomlFile, path: KeyPath, catalogue: Catalogue, folder: Folder, kind: str, table: Any
) -> BaseModel | None:
    try:
        model = catalogue.settings_of(folder, kind)
    except PluginError as error:
        place = (*path, "kind") if folder == "sources" else path
        for complaint in error.complaints:
            file.complain(place, complaint.problem, complaint.remedy)
        return None
    if not isinstance(table, dict):
        return checked(file, path, table, model)
    plain = _without_units(file, path, table)
    if plain is None:
        return None
    if "kind" in model.model_fields:
        plain.setdefault("kind", kind)
    return checked(file, path, plain, model)


def _without_units(file: TomlFile, path: KeyPath, table: Mapping[str, Any]) -> dict[str, Any] | None:
    """A copy with quantities read where a key's ending says which; None when one does not fit."""
    plain, fits = dict(table), True
    for key, value in table.items():
        ending = next((e for e in BY_ENDING if key.endswith(e) and "_per_" not in key), None)
        if ending is None or not isinstance(value, str):
            continue
        try:
            plain[key] = parse_quantity(value, BY_ENDING[ending])
        except QuantityError as error:
            file.complain((*path, key), error.problem, error.remedy)
            fits = False
    return plain if fits else None
