"""The table of benchd's topics: what stands on each, how it is sent, and the JSON Schema of its payload.

From it come TOPICS.md and `benchd schema mqtt`; the tests hold every payload of a day to it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, get_type_hints

from benchd.core.bench import ROLES
from benchd.core.casting import load, pour
from benchd.core.findings import DemoldForecast, DemoldReady, HoldForecast, KickForecast, PotHold
from benchd.core.format.printed import WHERE_SET
from benchd.core.format.schemas import DIALECT, Schema, closed, event_schema, schema_of, subject_schema
from benchd.core.model import VERBS, Alert, Basis, MarkAnswer, Quality, Utterance
from benchd.runtime.contracts import Health
from benchd.runtime.mqtt.topics import GONE, HERE, VERSION

ID = "[a-z0-9-]+"
NUMBER: Schema = {"type": "number"}
TEXT: Schema = {"type": "string"}
YES: Schema = {"type": "boolean"}
COUNT: Schema = {"type": "integer"}
TEXTS: Schema = {"type": "array", "items": TEXT}
UNSAVED: dict[str, Schema] = {"unsaved": {"const": True}, "unsaved_why": TEXT}


@dataclass(frozen=True, slots=True)
class Topic:
    """One row: `tail` below the root, {..} for an id; retained: "yes", "no", or "never" for what comes in."""

    tail: str
    what: str
    qos: int
    retain: str
    payload: Callable[[], Schema]

    @property
    def pattern(self) -> str:
        """A regular expression of the tail."""
        return "^" + "/".join(ID if level.startswith("{") else level for level in self.tail.split("/")) + "$"


def _in(schema: Schema, unit: str) -> Schema:
    return {**schema, "description": unit}


UNIX_S, SECONDS, KPA, KPA_PER_MIN = (_in(NUMBER, u) for u in ("unix s", "s", "kPa gauge", "kPa/min"))


def _maybe(schema: Schema) -> Schema:
    told: Schema = {"anyOf": [{key: part for key, part in schema.items() if key != "description"}, {"type": "null"}]}
    return told | ({"description": schema["description"]} if "description" in schema else {})


def _one_of(*words: str) -> Schema:
    return {"enum": list(dict.fromkeys(words))}


def _word() -> Schema:
    return _one_of(HERE, GONE)


def _body(title: str, needed: dict[str, Schema], may: dict[str, Schema] | None = None) -> Schema:
    """A JSON payload: its version and subject, what it always has, and what it may have."""
    head: dict[str, Schema] = {"v": {"const": VERSION}, "subject": {"$ref": "#/$defs/subject"}}
    return closed({**head, **needed, **(may or {})}, [*head, *needed], title)


def _hint(cls: type[Any], name: str) -> Schema:
    return schema_of(get_type_hints(cls)[name])


def _reading() -> Schema:
    units, qualities = _one_of(*ROLES.values()), _one_of(*(q.value for q in Quality))
    keys = {"t": UNIX_S, "value": _maybe(_in(NUMBER, "in unit")), "unit": units, "seq": COUNT, "quality": qualities}
    return _body("reading", keys)


def _effect(cls: type[Any], title: str, **more: Schema) -> Schema:
    """An alert or an utterance as printed, with its version and whether it is saved."""
    printed = event_schema(cls, title)
    keys = {key: schema for key, schema in printed["properties"].items() if key != "subject"}
    needed = {key: schema for key, schema in keys.items() if key in printed["required"]}
    return _body(title, needed | more, {key: keys[key] for key in keys if key not in needed} | UNSAVED)


def _card(of: str, needed: dict[str, Schema], may: dict[str, Schema]) -> Schema:
    return _body(f"{of} card", {"t": UNIX_S, "of": {"const": of}, "id": TEXT, **needed}, may)


def _pour() -> Schema:
    basis = _hint(KickForecast, "basis")["enum"]
    window = {"at": UNIX_S, "early": UNIX_S, "late": UNIX_S, "basis": _one_of(*basis, "marked"), "found": YES}
    may = {
        "pour": TEXT, "number": COUNT, "pot": _maybe(TEXT), "lot": _maybe(TEXT), "molds": TEXTS, "poured": TEXTS,
        "mix_t": UNIX_S, "inferred": YES, "probe_every_s": SECONDS, "kick": closed(window, list(window), "kick"),
    }  # fmt: skip
    return _card("pour", {"phase": _one_of("idle", "mixing", *pour.TRANSITIONS.values())}, may)


def _pot() -> Schema:
    may = {
        "reads": TEXT, "basis": _one_of(Basis.MEASURED.value, Basis.BLIND.value), "kpa": KPA, "load": TEXT,
        "number": COUNT, "pours": TEXTS, "alarms": COUNT, "at_pressure_t": UNIX_S, "margin_s": _maybe(SECONDS),
        "verdict": _one_of(*_hint(PotHold, "verdict")["enum"]), "kpa_per_min": _maybe(KPA_PER_MIN),
        "smallest_seen": _maybe(KPA_PER_MIN), "why": TEXT, "floor_at": _maybe(UNIX_S), "matters": YES,
        "hold_at": UNIX_S, "hold_basis": _hint(HoldForecast, "basis"), "hold_label_at": _maybe(UNIX_S),
        "hold_done_t": UNIX_S, "min_kpa": _maybe(KPA),
    }  # fmt: skip
    return _card("pot", {"phase": _one_of("idle", "filling", *load.TRANSITIONS.values())}, may)


def _mold() -> Schema:
    window: Schema = {"type": "array", "items": NUMBER, "minItems": 3, "maxItems": 3}
    window["description"] = "early, likely, late [unix s]"
    phases = ("idle", "waiting", "curing", "demolded", *(f"due-{s}" for s in _hint(DemoldReady, "stage")["enum"]))
    may = {
        "pour": TEXT, "load": _maybe(TEXT), "green_at": _maybe(window), "hard_at": window,
        "basis": _hint(DemoldForecast, "basis"), "limit": _hint(DemoldReady, "limit"),
        "rule": _hint(DemoldReady, "rule"), "test_t": UNIX_S, "demolded_t": UNIX_S,
    }  # fmt: skip
    return _card("mold", {"phase": _one_of(*phases)}, may)


def _about() -> Schema:
    probe = {"id": TEXT, "up": YES}
    channel = {"role": _one_of(*ROLES), "of": TEXT, "source": TEXT}
    needed = {
        "version": TEXT, "boot": TEXT, "shop": TEXT, "bench": TEXT, "name": TEXT,
        "probes": {"type": "array", "items": closed(probe, list(probe), "probe")},
        "channels": {"type": "object", "additionalProperties": closed(channel, list(channel), "channel")},
    }  # fmt: skip
    return _body("about", needed, {"molds": TEXTS, "lots": TEXTS, "shelf_left_out": {"const": True}})


def _health() -> Schema:
    hints = get_type_hints(Health)
    needed = {field.name: schema_of(hints[field.name]) for field in fields(Health)}
    return _body("health", {"t": UNIX_S, **needed, "marks_in": _one_of("untested", "ok", "denied", "refused")})


def _answer() -> Schema:
    hints = get_type_hints(MarkAnswer)
    keys = {f.name: schema_of(hints[f.name]) for f in fields(MarkAnswer)}
    may = {key: keys.pop(key) for key in WHERE_SET if key in keys}
    return _body("answer", keys, may | UNSAVED)


def _watch() -> Schema:
    return _card("watch", {"phase": _one_of("idle", "handed", "sure")}, {"who": TEXT, "since_t": UNIX_S})


def _record(of: str) -> Callable[[], Schema]:
    """A record of the journal: its number there, the one of the record before it, and the printed form."""
    needed = {"journal": TEXT, "number": COUNT, "after": COUNT, "t": UNIX_S, "sent_t": UNIX_S, "name": TEXT}
    return lambda: _body(f"{of} record", needed | {"body": {"type": "object"}})


def _minutes() -> Schema:
    row: Schema = {"type": "array", "minItems": 6, "maxItems": 6, "description": "channel, minute, n, lo, mean, hi"}
    return _body("minutes", {"journal": TEXT, "minutes": {"type": "array", "items": row}})


def _offer() -> Schema:
    numbers: Schema = {"type": "array", "items": NUMBER}
    counts = {"benches": COUNT, "pours": COUNT, "lots": COUNT, "width": NUMBER}
    shapes: Schema = {"type": "array", "items": numbers}
    belief = {"means": shapes, "covariances": shapes, "ln_weights": numbers}
    return _body("offer", {"offer": TEXT, "resin": TEXT, "pot_life_s": SECONDS, **counts, **belief})


def _anything() -> Schema:
    return {"title": "mark", "description": "an empty payload, or a JSON object: see `benchd schema mark`"}


TABLE = (
    Topic("up", "`here`; `gone` as last will and before a stop", 1, "yes", _word),
    Topic("about", "version, boot, probes, channels, molds and lots", 1, "yes", _about),
    Topic("read/{channel}", "one reading", 0, "no", _reading),
    Topic("probe/{source}/up", "`here` or `gone`: a source of readings", 1, "yes", _word),
    Topic("pour/{cup}", "the cup's pour: phase, molds, kick", 1, "yes", _pour),
    Topic("pot/{pot}", "the pot's load: phase, pressure, verdict, end of hold", 1, "yes", _pot),
    Topic("mold/{mold}", "a mold's part: phase, when it is green and hard", 1, "yes", _mold),
    Topic("watch/{bench}", "who has the watch; `sure` once the holder gave a sign", 1, "yes", _watch),
    Topic("alert/{code}/{subject}", "an alert as it stands", 1, "yes", lambda: _effect(Alert, "alert")),
    Topic("alert-log", "every change of an alert; may come late", 1, "no", lambda: _effect(Alert, "alert", id=TEXT)),
    Topic("say", "words to speak now; never after `say_until`", 1, "no", lambda: _effect(Utterance, "utterance")),
    Topic("health", "how the daemon itself is, each 10 s", 0, "yes", _health),
    Topic("record/finding", "one finding; only with `[workshop]`, as all records", 1, "no", _record("finding")),
    Topic("record/alert", "one change of an alert", 1, "no", _record("alert")),
    Topic("record/mark", "one mark that was accepted", 1, "no", _record("mark")),
    Topic("record/minutes", "one-minute values of the channels", 1, "no", _minutes),
    Topic("cure/{resin}", "what was learned of a resin, for other benches: `share_cure`", 1, "yes", _offer),
    Topic("resend", "comes in: a shop misses records, {journal, after}", 1, "never", _anything),
    Topic("do/{verb}", f"comes in: a mark, {', '.join(VERBS)}", 1, "never", _anything),
    Topic("did/{verb}", "whether a mark was taken, and why not", 1, "no", _answer),
)  # fmt: skip


def mqtt_schema() -> Schema:
    """Everything benchd publishes: an object of topic (below the root) -> payload."""
    told = {topic.pattern: topic.payload() for topic in TABLE if topic.retain != "never"}
    return {
        "$schema": DIALECT,
        "title": "what benchd publishes over MQTT",
        "description": "one property a topic, named by what stands below <prefix>/v0/<shop>/<bench>/",
        "$defs": {"subject": subject_schema()},
        "type": "object",
        "patternProperties": told,
        "additionalProperties": False,
    }


def topic_rows() -> str:
    """The table as Markdown, each payload's keys beside it; those in brackets are not always there."""
    rows = ["| topic | what | QoS | retained | keys |", "|---|---|---|---|---|"]
    for topic in TABLE:
        schema = topic.payload()
        needed = schema.get("required", [])
        keys = [key if key in needed else f"[{key}]" for key in schema.get("properties", {})]
        tail = topic.tail.replace("{", "<").replace("}", ">")
        rows.append(f"| `{tail}` | {topic.what} | {topic.qos} | {topic.retain} | {', '.join(keys) or '-'} |")
    return "\n".join(rows)
