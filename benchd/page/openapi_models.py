"""The models of the OpenAPI document: what each operation takes and answers, each with an example.

An answer may gain keys within version 0, so its models are open; what a caller sends is closed, as the routes read it.
`tests/page/test_openapi.py` holds every answer of a running daemon and of the invented day against them.
Format: JSON Schema draft 2020-12, as OpenAPI 3.1 takes it over.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import msgspec

from benchd.core.format.schemas import Schema, mark_schema
from benchd.core.model import CAUSES, FEELS, GRADES, SUBJECT_KEYS, Quality
from benchd.shelf.orders.edit import ACTIONS
from benchd.shelf.plan.sheet import Sheet

PREFIX = "#/components/schemas/"


def ref(name: str) -> Schema:
    """A reference to one of MODELS."""
    return {"$ref": PREFIX + name}


def _list(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def _maybe(kind: Schema) -> Schema:
    """This, or null where it is not known."""
    return kind | {"type": [kind["type"], "null"]} if "type" in kind else {"anyOf": [kind, {"type": "null"}]}


def _open(about: str, needed: Mapping[str, Schema], more: Mapping[str, Schema] | None = None) -> Schema:
    """An object with these keys, those of `more` where known; others may come."""
    return {
        "type": "object", "description": about, "required": list(needed),
        "properties": dict(needed) | dict(more or {}),
    }  # fmt: skip


def _closed(about: str, needed: Mapping[str, Schema], more: Mapping[str, Schema]) -> Schema:
    return _open(about, needed, more) | {"additionalProperties": False}


NUMBER: Schema = {"type": "number"}
COUNT: Schema = {"type": "integer"}
TEXT: Schema = {"type": "string"}
YES_NO: Schema = {"type": "boolean"}
T: Schema = {"type": "number", "description": "unix s"}
ANYTHING: Schema = {"type": "object"}
PAIR_OF_NUMBERS = {"type": "array", "items": NUMBER, "minItems": 2, "maxItems": 2}
HEAD: Mapping[str, Schema] = {"v": {"const": 0}, "now": T}
SUBJECT = _open("What it is about, as far as known", {"bench": TEXT}, {k: TEXT for k in SUBJECT_KEYS if k != "bench"})

_ALARM: Mapping[str, Schema] = {"t": T, "priority": {"enum": [1, 2, 3, 4]}, "subject": ref("Subject")}
_KICK: Mapping[str, Schema] = {"at": T, "early": T, "late": T, "basis": TEXT}

READINGS: Mapping[str, Schema] = {
    "Subject": SUBJECT,
    "Reading": _open(
        "A channel's last reading: kPa gauge, C, %RH or g by its role; null where it is faulty",
        {"t": T, "channel": TEXT, "role": TEXT, "of": TEXT, "value": _maybe(NUMBER),
         "quality": {"enum": [quality.value for quality in Quality]}},
        {"why": TEXT},
    ),
    "Card": _open(
        "A cup's pour, a pot or a mold as it is now; each kind has keys of its own besides",
        {"t": T, "of": {"enum": ["pour", "pot", "mold", "watch"]}, "id": TEXT},
    ),
    "Alert": _open(
        "An alarm's state: whether its condition is on, and whether somebody answered",
        {**_ALARM, "alert": TEXT, "active": YES_NO, "heard": YES_NO, "text": TEXT},
        {"value": _maybe(NUMBER), "limit": _maybe(NUMBER), "shelved_until": _maybe(T), "waits_for": _maybe(TEXT)},
    ),
    "Utterance": _open("What was said", {**_ALARM, "say": TEXT, "tone": TEXT, "say_until": T, "code": TEXT},
                       {"to": TEXT}),
    "State": _open(
        "The bench as it is now",
        {**HEAD, "rate": NUMBER, "about": ANYTHING, "readings": _list(ref("Reading")), "cards": _list(ref("Card")),
         "alerts": _list(ref("Alert")), "said": _list(ref("Utterance")), "health": ANYTHING},
    ),
    "History": _open(
        "A channel's readings: points [t, value] from memory, minutes [t, lowest, mean, highest] from the journal",
        {**HEAD, "channel": TEXT, "role": TEXT, "unit": TEXT, "points": _list(PAIR_OF_NUMBERS),
         "minutes": _list({"type": "array", "items": NUMBER, "minItems": 4, "maxItems": 4})},
    ),
    "Alive": _open("Whether source, engine and journal move; stale names those that do not",
                   {"ok": YES_NO, "stale": _list(TEXT)}),
}  # fmt: skip

BOOK: Mapping[str, Schema] = {
    "Outcome": _open(
        "A part as it was marked", {"mold": TEXT, "t": T},
        {"feel": {"enum": [*FEELS, None]}, "grade": {"enum": [*GRADES, None]},
         "cause": {"enum": [*CAUSES, None]}},
    ),
    "BookPour": _open(
        "A mixed cup and its molds",
        {"pour": TEXT, "mix_t": T, "lot": _maybe(TEXT), "molds": _list(TEXT), "number": COUNT, "inferred": YES_NO,
         "outcomes": _list(ref("Outcome"))},
        {"cup": _maybe(TEXT), "pot": _maybe(TEXT), "a_g": _maybe(NUMBER), "b_g": _maybe(NUMBER), "ended_t": _maybe(T),
         "ended": _maybe(TEXT), "kick": _open("When it kicked", _KICK, {"temp_c": _maybe(NUMBER)}),
         "peak": _open("The hottest the cup was", {"at": T, "temp_c": NUMBER})},
    ),
    "BookLoad": _open(
        "One closing of a pot",
        {"load": TEXT, "number": COUNT, "pot": TEXT, "closed_t": T, "pours": _list(TEXT), "at_pressure_t": _maybe(T),
         "leak": _maybe(ANYTHING)},
        {"margin_s": _maybe(NUMBER), "min_kpa": _maybe(NUMBER), "hold_done_t": T, "vent_s": _maybe(NUMBER),
         "opened_t": T, "verdict": TEXT},
    ),
    "BookMold": _open("A mold's casts", {"id": TEXT, "casts": COUNT, "grades": ANYTHING, "causes": ANYTHING}),
    "BookLot": _open("A lot's kicks [mix t, s]", {"id": TEXT, "pours": COUNT, "kicks": _list(PAIR_OF_NUMBERS)}),
    "Book": _open(
        "Pours, loads, molds and lots",
        {**HEAD, "bench": ANYTHING, "pours": _list(ref("BookPour")), "loads": _list(ref("BookLoad")),
         "molds": _list(ref("BookMold")), "lots": _list(ref("BookLot"))},
    ),
    "Report": _open(
        "A report as numbers; each kind has keys of its own besides",
        {"v": {"const": 0}, "kind": TEXT, "title": TEXT},
    ),
}  # fmt: skip

_SHELF_KEY = _open(
    "What a key of the shelf may hold",
    {"key": TEXT, "about": TEXT, "is_needed": YES_NO, "is_date": YES_NO, "choices": _list(TEXT)},
)
_TEXTS: Schema = {"type": "object", "additionalProperties": TEXT}
DESK: Mapping[str, Schema] = {
    "Answer": _open(
        "Whether it was taken, and why not",
        {"ok": YES_NO},
        {"id": TEXT, "why": TEXT, "field": TEXT,
         "errors": _list(_open("One of several", {"field": TEXT, "why": TEXT})),
         "unsaved": YES_NO | {"description": "true: not in the log yet, and a kill may take it away"},
         "unsaved_why": TEXT},
    ),
    "Me": _open("Who asks: the door, and a paired phone's name", {"v": {"const": 0}, "by": TEXT, "name": TEXT}),
    "Mark": mark_schema(),
    "PlanWish": _closed(
        "Which molds to plan, or sheet = null to put the sheet away",
        {},
        {"molds": _list(TEXT) | {"maxItems": 40}, "lot": TEXT, "temp_c": NUMBER, "loads": COUNT | {"minimum": 1},
         "pours": {"type": "object", "additionalProperties": NUMBER}, "dry": YES_NO, "sheet": {"type": "null"}},
    ),
    "Plan": _open("The day's run sheet, or null", {**HEAD, "sheet": _maybe(ref("Sheet"))}, {"ok": YES_NO}),
    "OrderChange": _closed(
        "One change of one order",
        {"do": {"enum": list(ACTIONS)}, "code": TEXT},
        {"molds": _list(TEXT) | {"maxItems": 40}, "figures": COUNT | {"minimum": 1}, "by": TEXT,
         "price": NUMBER | {"minimum": 0}},
    ),
    "Orders": _open(
        "The orders, and what they want of today and tomorrow",
        {**HEAD, "ok": YES_NO, "orders": _list(ref("Order")), "more": COUNT, "a_day": COUNT, "today": _list(TEXT),
         "tomorrow": _list(TEXT)},
    ),
    "Order": _open(
        "One order and how far it is",
        {"code": TEXT, "figures": COUNT, "by": _maybe(TEXT), "price": _maybe(NUMBER), "state": TEXT,
         "cast_by": _maybe(TEXT), "taken_t": T, "done_t": _maybe(T), "warnings": _list(TEXT),
         "parts": _list(_open(
             "One mold of it, in casts",
             {"mold": TEXT, "code": TEXT, "name": TEXT, "each": COUNT, "wanted": COUNT, "good": COUNT,
              "curing": COUNT, "trimmed": COUNT, "to_cast": COUNT}))},
    ),
    "Shelf": _open(
        "shelf.toml as texts by key",
        {"v": {"const": 0}, "ok": YES_NO, "digest": TEXT, "file": TEXT, "molds": _list(_TEXTS), "lots": _list(_TEXTS),
         "keys": _open("What each may hold", {"mold": _list(_SHELF_KEY), "lot": _list(_SHELF_KEY)})},
    ),
    "ShelfEdit": _closed(
        "One change of the file with this digest",
        {"digest": TEXT, "do": {"enum": ["add", "change", "retire", "restore"]}, "kind": {"enum": ["mold", "lot"]},
         "code": TEXT},
        {"keys": {"type": "object", "additionalProperties": {"type": "string", "maxLength": 400},
                  "maxProperties": 60}},
    ),
    "ShelfSaved": _open("The file is written", {"ok": YES_NO, "digest": TEXT, "why": TEXT}),
    "PairRequest": _open("The code that `benchd pair` prints", {"code": TEXT}, {"name": TEXT, "script": YES_NO}),
    "Paired": _open("Paired; a script gets a token, a phone a cookie", {"ok": YES_NO}, {"token": TEXT}),
}  # fmt: skip


def _sheet_models() -> dict[str, Schema]:
    """The run sheet's own types, from where they are defined."""
    _, found = msgspec.json.schema_components((Sheet,), ref_template=PREFIX + "{name}")
    plain: dict[str, Schema] = json.loads(msgspec.json.encode(found), object_hook=_without_tuples)
    return plain


def _without_tuples(schema: Schema) -> Schema:
    """A tuple as an array of any of its kinds: client generators do not take `items: false`."""
    if "prefixItems" not in schema:
        return schema
    kept = {key: value for key, value in schema.items() if key != "prefixItems"}
    return kept | {"items": {"anyOf": schema["prefixItems"]}}


MODELS: Mapping[str, Schema] = {**DESK, **_sheet_models(), **READINGS, **BOOK}
"""Name -> schema of everything the document refers to."""

_WHO = {"bench": "north", "pot": "barrel"}
_READ = {
    "t": 1767606150.2, "channel": "barrel-pressure", "role": "pot_pressure", "of": "barrel", "value": 289.58,
    "quality": "good",
}  # fmt: skip
EXAMPLES: Mapping[str, Any] = {
    "Answer": {"id": "5f0c", "ok": True, "why": "for Lantern Keeper torso"},
    "Me": {"v": 0, "by": "page:Ada", "name": "Ada"},
    "Mark": {"verb": "demolded", "mold": "M02", "feel": "hard", "grade": "good"},
    "PlanWish": {"molds": ["M01", "M02x2"], "lot": "R-07", "dry": True},
    "Plan": {"v": 0, "now": 1767606150.2, "sheet": None},
    "OrderChange": {"do": "add", "code": "Q7", "molds": ["M01", "M02x2"], "figures": 24, "by": "2126-01-30"},
    "Orders": {"v": 0, "now": 1767606150.2, "ok": True, "orders": [], "more": 0, "a_day": 12, "today": ["M01x3"],
               "tomorrow": ["M01x3"]},
    "ShelfEdit": {"digest": "9b1c", "do": "change", "kind": "mold", "code": "M02", "keys": {"thin_mm": "2.2"}},
    "ShelfSaved": {"v": 0, "ok": True, "digest": "77ae", "why": ""},
    "PairRequest": {"code": "K7Q2-M4XD", "name": "spreadsheet", "script": True},
    "Paired": {"ok": True, "token": "a long text; keep it as you would a password"},
    "State": {
        "v": 0, "now": 1767606150.4, "rate": 1.0, "about": {"version": "0.2.0", "bench": "north"}, "readings": [_READ],
        "cards": [{"t": 1767606000.0, "of": "pot", "id": "barrel", "phase": "filling"}],
        "alerts": [{"t": 1767606150.0, "alert": "pressure-late", "active": True, "heard": False, "priority": 1,
                    "subject": _WHO, "text": "Late. Lid and air now."}],
        "said": [{"t": 1767606150.0, "say": "Lid now.", "priority": 3, "tone": "beep", "say_until": 1767606180.0,
                  "code": "lid-now", "subject": _WHO}],
        "health": {"journal_ok": True},
    },
    "History": {
        "v": 0, "now": 1767606150.4, "channel": "barrel-pressure", "role": "pot_pressure", "unit": "kPa",
        "points": [[1767606150.2, 289.58]], "minutes": [[1767606090.0, 0.1, 12.4, 120.3]],
    },
    "Book": {
        "v": 0, "now": 1767606150.4, "bench": {"id": "north"},
        "pours": [{"pour": "cup-1-1767606000", "mix_t": 1767606000.0, "lot": "r-07", "molds": ["m02"], "number": 1,
                   "inferred": False, "outcomes": [{"mold": "m02", "t": 1767607020.0, "feel": "hard", "grade": "good",
                                                    "cause": None}]}],
        "loads": [], "molds": [], "lots": [],
    },
    "Report": {"v": 0, "kind": "day", "title": "North bench: 2026-01-05", "casts": 9},
    "Shelf": {
        "v": 0, "ok": True, "digest": "9b1c", "file": "shelf.toml", "molds": [{"code": "M02", "thin_mm": "2.2"}],
        "lots": [], "keys": {"mold": [], "lot": []},
    },
    "Alive": {"ok": True, "stale": []},
}  # fmt: skip
"""Name -> an example, of the models that are a whole body."""
