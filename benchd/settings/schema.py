"""Builds the JSON Schemas of bench.toml, shelf.toml and resins/NAME.toml, plug-ins included."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from benchd.settings.plug_ins import BY_ENDING, Catalogue, Folder
from benchd.settings.shapes import ID_PATTERN, LISTED, NAMED, SHELF, SINGLE, ResinTable

DIALECT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]


class _Definitions:
    """Table schemas gathered under names of their own: every plug-in calls its model Settings."""

    def __init__(self) -> None:
        self.found: dict[str, Schema] = {}

    def add(self, name: str, model: type[BaseModel]) -> Schema:
        """Keep a model's schema as `name`, its inner ones as `name.INNER`; the reference to it."""
        whole = model.model_json_schema(ref_template=f"#/$defs/{name}.{{model}}", by_alias=True)
        for inner, schema in whole.pop("$defs", {}).items():
            self.found[f"{name}.{inner}"] = schema
        self.found[name] = whole
        return {"$ref": f"#/$defs/{name}"}

    def add_plug_in(self, folder: Folder, kind: str, catalogue: Catalogue) -> Schema:
        """A plug-in's table; its numbers may carry the unit their name ends in, and a source has an id besides."""
        name = f"{folder}.{kind}"
        reference = self.add(name, catalogue.settings_of(folder, kind))
        table = self.found[name]
        properties = table.setdefault("properties", {})
        for key, schema in properties.items():
            if any(key.endswith(e) for e in BY_ENDING) and "_per_" not in key:
                properties[key] = {"anyOf": [schema, {"type": "string"}]}
        if folder == "sources":
            properties["id"] = {"type": "string", "pattern": ID_PATTERN}
            properties["kind"] = {"const": kind}
            table["required"] = sorted({*table.get("required", ()), "id", "kind"})
        return reference


def bench_schema(catalogue: Catalogue) -> Schema:
    """bench.toml with every source, outlet and watcher there is."""
    known = _Definitions()
    by_id = {"propertyNames": {"pattern": ID_PATTERN}, "type": "object"}
    properties: Schema = {name: known.add(name, model) for name, model in SINGLE.items()}
    properties |= {n: {**by_id, "additionalProperties": known.add(n, model)} for n, model in NAMED.items()}
    properties |= {n: {"type": "array", "items": known.add(n, model)} for n, model in LISTED.items()}
    sources = [known.add_plug_in("sources", kind, catalogue) for kind in catalogue.kinds("sources")]
    properties["source"] = {"type": "array", "items": {"oneOf": sources}}
    properties |= {kind: known.add_plug_in("outlets", kind, catalogue) for kind in catalogue.kinds("outlets")}
    tuned = {kind: known.add_plug_in("watchers", kind, catalogue) for kind in catalogue.kinds("watchers")}
    properties["tune"] = {"type": "object", "properties": tuned, "additionalProperties": False}
    return _file("bench.toml", properties, known, ["bench"])


def shelf_schema() -> Schema:
    """shelf.toml."""
    known = _Definitions()
    return _file("shelf.toml", {n: {"type": "array", "items": known.add(n, m)} for n, m in SHELF.items()}, known, [])


def resin_schema() -> Schema:
    """resins/NAME.toml."""
    return {"$schema": DIALECT, **ResinTable.model_json_schema(), "title": "resins/NAME.toml"}


def _file(title: str, properties: Schema, known: _Definitions, required: list[str]) -> Schema:
    return {
        "$schema": DIALECT,
        "title": title,
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
        "$defs": known.found,
    }
