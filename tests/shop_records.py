"""How do tests get messages as benches send them?  By the bench's own forms, for as many benches as asked."""

from __future__ import annotations

import json
from typing import Any

from shop_journal import T0

from benchd.runtime.mqtt.topics import packed
from benchd.workshop.incoming import Arrival

Message = tuple[str, str]


def record(
    number: int, bench: str = "north", kind: str = "finding", name: str = "kicked", journal: str = "", after: int = -1,
    t: float = -1.0, body: dict[str, Any] | None = None, sent_t: float = -1.0, places: dict[str, str] | None = None,
) -> Message:  # fmt: skip
    """Topic and payload of one record; those of a bench follow one another unless said otherwise."""
    t = T0 + number if t < 0 else t
    head = {"journal": journal or f"id-of-{bench}", "number": number, "after": number - 1 if after < 0 else after}
    times = {"t": t, "sent_t": t if sent_t < 0 else sent_t}
    payload = packed({"subject": {"bench": bench, **(places or {})}, **head, "name": name, **times, "body": body or {}})
    return f"benchd/v0/quiet-harbour/{bench}/record/{kind}", payload


def minutes(bench: str, rows: list[list[Any]], journal: str = "") -> Message:
    body = {"subject": {"bench": bench}, "journal": journal or f"id-of-{bench}", "minutes": rows}
    return f"benchd/v0/quiet-harbour/{bench}/record/minutes", packed(body)


def arrival(message: Message, received_t: float = T0) -> Arrival:
    return Arrival(message[0], message[1].encode(), received_t)


def casting_day(
    bench: str, lot: str = "R-07", *, odd: bool = False, leak: bool = False, first: int = 1
) -> list[Message]:
    """One load of a bench: a pour of two molds, kicked, held, vented; M01 good, M02 scrap by a trap."""
    pour, load, t = f"cup-1-{first}", f"barrel-{first}", T0 + 60.0 * first
    started = {"mix_t": t, "lot": lot, "molds": ["M01", "M02"], "inferred": False, "number": 1, "pot": "barrel"}
    told: list[tuple[str, str, float, dict[str, Any], dict[str, str]]] = [
        ("finding", "pour_started", t, started, {"cup": "cup-1", "pour": pour}),
        ("finding", "kicked", t + 165, {"at": t + 165.0, "basis": "curve", "temp_c": 41.0}, {"pour": pour}),
        ("finding", "load_closed", t + 120, {"pours": [pour], "number": 1}, {"pot": "barrel", "load": load}),
        ("finding", "hold_complete", t + 500, {"since": t + 150, "min_kpa": 250.0}, {"pot": "barrel", "load": load}),
        ("mark", "demolded", t + 700, {"mold": "M01", "grade": "good", "feel": "hard"}, {}),
        ("mark", "demolded", t + 710, {"mold": "M02", "grade": "scrap", "cause": "trap"}, {}),
    ]
    if odd:
        told.append(("finding", "cup_odd", t + 100, {"what": "late", "got": 400.0}, {"pour": pour}))
    if leak:
        told.append(("finding", "load_leaked", t + 600, {"kpa_per_min": 4.2}, {"pot": "barrel", "load": load}))
    return [
        record(first + n, bench, kind, name, t=at, body=body, places=places)
        for n, (kind, name, at, body, places) in enumerate(told)
    ]


def body_of(message: Message) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(message[1])
    return found
