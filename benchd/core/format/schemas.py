"""JSON Schemas (draft 2020-12) of benchd's output and of recordings, generated from the types.

The types in core/model.py and core/findings.py are the only source: a field added there appears here, in `benchd
schema`, and nowhere else.
"""

from __future__ import annotations

import types
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from benchd.core.findings import FINDINGS, Finding
from benchd.core.format.printed import WHERE_SET
from benchd.core.format.record import KNOWN_VERSIONS, NEWS
from benchd.core.model import CAUSES, FEELS, GRADES, SUBJECT_KEYS, VERBS, Alert, Mark, Utterance

DIALECT = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]

_SCALARS: dict[Any, Schema] = {
    str: {"type": "string"},
    float: {"type": "number"},
    int: {"type": "integer"},
    bool: {"type": "boolean"},
    type(None): {"type": "null"},
}


def schema_of(hint: Any) -> Schema:
    """The schema of one field's type.  Raises TypeError for a type that has no printed form."""
    if hint in _SCALARS:
        return dict(_SCALARS[hint])
    origin, parts = get_origin(hint), get_args(hint)
    if origin is dict:
        return {"type": "object", "additionalProperties": schema_of(parts[1])}
    if origin is Literal:
        return {"enum": list(parts)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [schema_of(part) for part in parts]}
    if origin is tuple and parts[-1] is Ellipsis:
        return {"type": "array", "items": schema_of(parts[0])}
    if origin is tuple:
        return {"type": "array", "prefixItems": [schema_of(p) for p in parts], "minItems": len(parts), "items": False}
    raise TypeError(f"{hint} has no printed form")


def closed(properties: Mapping[str, Schema], required: list[str], title: str, description: str = "") -> Schema:
    """The schema of an object with these properties and no others."""
    said = {"description": description} if description else {}
    return {
        "title": title,
        **said,
        "type": "object",
        "properties": dict(properties),
        "required": required,
        "additionalProperties": False,
    }


def subject_schema() -> Schema:
    """The subject of a finding, alert, utterance or mark."""
    return closed({key: {"type": "string"} for key in SUBJECT_KEYS}, ["bench"], "subject")


def _body(cls: type[Any]) -> dict[str, Schema]:
    hints = get_type_hints(cls)
    return {f.name: schema_of(hints[f.name]) for f in fields(cls) if f.name not in ("t", "subject")}


def _first_line(cls: type[Any]) -> str:
    """A class's own docstring on one line; none where dataclass generated it."""
    text = (cls.__doc__ or "").strip()
    return "" if text.startswith(f"{cls.__name__}(") else " ".join(text.split())


def finding_schema(cls: type[Finding]) -> Schema:
    """One finding as printed: its own fields, its subject, and the subject's keys flat beside them."""
    own = _body(cls)
    flat: dict[str, Schema] = {key: {"type": "string"} for key in SUBJECT_KEYS if key != "bench"}
    head = {"t": {"type": "number"}, "finding": {"const": cls.finding}, "subject": {"$ref": "#/$defs/subject"}}
    return closed({**head, **flat, **own}, [*head, *own], cls.finding, _first_line(cls))


def event_schema(cls: type[Any], title: str) -> Schema:
    """One alert or utterance as printed."""
    own = _body(cls)
    head = {"t": {"type": "number"}, "subject": {"$ref": "#/$defs/subject"}}
    needed = [key for key in own if key not in WHERE_SET]
    return closed({**head, **own}, [*head, *needed], title, _first_line(cls))


def findings_schema() -> Schema:
    """Each line `benchd replay` prints: a finding, an alert or an utterance."""
    events = [
        *map(finding_schema, FINDINGS.values()),
        event_schema(Alert, "alert"),
        event_schema(Utterance, "utterance"),
    ]
    return {"$schema": DIALECT, "title": "what benchd tells", "$defs": {"subject": subject_schema()}, "oneOf": events}


# ------------------------------------------------------------------------------------------------------- recordings

_TIME: Schema = {"type": "number", "minimum": 0, "exclusiveMaximum": 1e11}
_TEXT: Schema = {"type": "string"}
_MARK_CHOICES: dict[str, tuple[str, ...]] = {"verb": VERBS, "feel": FEELS, "grade": GRADES, "cause": CAUSES}


def mark_schema() -> Schema:
    """A mark as received: everything but its time, which the daemon sets."""
    hints = get_type_hints(Mark)
    properties: dict[str, Schema] = {}
    for item in fields(Mark):
        plain = [part for part in get_args(hints[item.name]) if part is not type(None)]
        is_optional = type(None) in get_args(hints[item.name])
        properties[item.name] = schema_of(plain[0] if is_optional else hints[item.name])
        if item.name in _MARK_CHOICES:
            properties[item.name] = {"enum": list(_MARK_CHOICES[item.name])}
    del properties["t"], properties["at"]
    return closed(properties, ["verb"], "mark", _first_line(Mark))


def _context() -> Schema:
    table: Schema = {"type": "object"}
    pair: Schema = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
    properties = {
        "config": table, "shelf": table, "resins": table, "learned": table,
        "utc_offsets": {"type": "array", "items": pair}, "version": _TEXT, "hash": _TEXT,
    }  # fmt: skip
    counts = closed({"pours": {"type": "integer"}, "loads": {"type": "integer"}}, ["pours", "loads"], "day before")
    return closed({**properties, "day": {"anyOf": [counts, {"type": "null"}]}}, list(properties), "context")


def _sheet() -> Schema:
    """What the engine is given of a run sheet."""
    number: Schema = {"type": "number"}
    keys: dict[str, Schema] = {
        "number": {"type": "integer"}, "molds": {"type": "array", "items": _TEXT}, "pot": _TEXT, "cup": _TEXT,
        "lot": _TEXT, "a_g": number, "b_g": number, "pour": _TEXT,
    }  # fmt: skip
    step = closed({"id": _TEXT, "what": _TEXT, "t": number, "mold": _TEXT}, ["id", "what", "t"], "step")
    keys["steps"] = {"type": "array", "items": step}
    load = closed(keys, ["number", "molds"], "load")
    properties = {"id": _TEXT, "made_t": number, "loads": {"type": "array", "items": load}}
    return {"anyOf": [closed(properties, list(properties), "run sheet"), {"type": "null"}]}


def recording_schema() -> Schema:
    """Each line of a recording: its heading first, then inputs."""
    number: Schema = {"type": "number"}
    told = {"source": _TEXT, "up": {"type": "boolean"}, "why": _TEXT, "lost": {"type": "integer"}}
    status = closed(told, ["source", "up"], "status")
    what: Schema = {"enum": list(NEWS)}
    news = closed({"what": what, "active": {"type": "boolean"}, "why": _TEXT}, ["what", "active"], "news")
    gap = closed({"since": number, "why": _TEXT, "lost": {"type": "integer"}}, ["since", "why"], "gap")
    clock = closed({"offset_s": number}, ["offset_s"], "clock step")
    table = closed({"resin": _TEXT, "hash": _TEXT, "table": {"type": "object"}}, ["resin", "hash", "table"], "table")
    mark = mark_schema()
    mark["properties"]["at"] = {"type": "number", "description": "when it happened, where it came later"}
    bodies = {
        "mark": mark, "context": _context(), "status": status, "news": news, "gap": gap, "clock": clock,
        "sheet": _sheet(), "table": table,
    }  # fmt: skip
    lines: dict[str, dict[str, Schema]] = {
        "board line": {"source": _TEXT, "line": _TEXT},
        "broker message": {"source": _TEXT, "topic": _TEXT, "payload": _TEXT},
        "line that is not UTF-8": {"source": _TEXT, "raw_b64": {"type": "string", "contentEncoding": "base64"}},
        **{name: {name: body} for name, body in bodies.items()},
    }
    version: Schema = {"enum": list(KNOWN_VERSIONS)}
    heading = closed({"recording": version, "bench": _TEXT, "state": _TEXT}, ["recording", "bench"], "heading")
    inputs = [closed({"t": _TIME, **keys}, ["t", *keys], title) for title, keys in lines.items()]
    return {"$schema": DIALECT, "title": "a line of a recording", "oneOf": [heading, *inputs]}
