"""Reads the records of what was cast, and how it went, from the journal.

Findings give pours and loads; the `demolded` marks that were not refused or taken back give the parts, each to the
newest pour before it that holds the mold and has no part of it yet; `note`, `topup`, `dumped` marks are kept as notes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from benchd.core.casting.marks import UNDO_WITHIN_S
from benchd.reports.records import Air, Leak, LoadRecord, Note, Part, PourRecord, Records
from benchd.runtime.journal.reader import Logbook, Readable, Told

AFTER_S = 13 * 3600.0
"""A pour ends at the latest 12 h after its mix: findings about the pours asked for may come that much later."""
POUR_FINDINGS = ("pour_started", "pour_revised", "kicked", "cup_peaked", "cup_odd", "pour_ended", "part_pulled")
LOAD_FINDINGS = (
    "load_closed", "pot_at_pressure", "pot_isolated", "pot_topped_up", "pot_hold", "pot_leaking", "relief_lifted",
    "hold_complete", "pot_venting", "pot_vented", "load_opened",
)  # fmt: skip
BENCH_FINDINGS = ("room_damp", "air_wet")
NOTE_VERBS = ("note", "topup", "dumped")
DRAINED = re.compile(r"((the )?(tank|compressor|trap|bowl)s? )?drained\.?", re.IGNORECASE)
"""A note that says the water was let out of tank or trap: counted like a dump."""
MARK_VERBS = ("mix", "poured", "demolded", "undo", *NOTE_VERBS)


async def read_records(journal: Readable, since_t: float, until_t: float) -> Records:
    """The pours and loads that began between two times [unix s].  Raises JournalError."""
    records, logbook = Records(), Logbook(journal)
    names = POUR_FINDINGS + LOAD_FINDINGS + BENCH_FINDINGS
    later_t = until_t + AFTER_S
    async for told in logbook.effects(kind="finding", names=names, since_t=since_t, until_t=later_t):
        _take(records, told, until_t)
    for id in [id for id, pour in records.pours.items() if pour.ended == "undone"]:
        del records.pours[id]  # a mix that was taken back cast nothing and took no resin
    answers = logbook.effects(kind="answer", names=MARK_VERBS, since_t=since_t, until_t=later_t)
    refused = {str(told.body.get("id")) async for told in answers if not told.body.get("ok")}
    rows = await journal.rows(
        "SELECT t, body FROM inputs WHERE kind = 'mark' AND t >= ? AND t <= ? ORDER BY seq", (since_t, later_t)
    )
    marks = ((float(t), json.loads(body)["mark"]) for t, body in rows)
    _parts(records, [(t, mark) for t, mark in marks if mark.get("id") not in refused], until_t)
    await _alarms(records, logbook, since_t, later_t)
    return records


def _take(records: Records, told: Told, until_t: float) -> None:
    if told.name in POUR_FINDINGS:
        _pour(records, told, until_t)
    elif told.name in LOAD_FINDINGS:
        _load(records, told, until_t)
    else:
        _air(records, told, until_t)


def _air(records: Records, told: Told, until_t: float) -> None:
    """A condition begins, or the last of its kind ends."""
    body = told.body
    last = next((i for i in range(len(records.air) - 1, -1, -1) if records.air[i].what == told.name), None)
    if last is not None and records.air[last].end_t is None:
        if body.get("active"):
            worse = max(records.air[last].rh_pct, body["rh_pct"])
            records.air[last] = replace(records.air[last], rh_pct=worse)
        else:
            records.air[last] = replace(records.air[last], end_t=told.t)
    elif body.get("active") and told.t <= until_t:
        records.air.append(Air(t=told.t, what=told.name, rh_pct=body["rh_pct"], basis=str(body.get("basis", ""))))


def _pour(records: Records, told: Told, until_t: float) -> None:
    body, id = told.body, str(told.body.get("pour"))
    pour = records.pours.get(id)
    if told.name in ("pour_started", "pour_revised"):
        if pour is None and float(body["mix_t"]) > until_t:
            return
        base = pour or PourRecord(id=id, number=int(body["number"]), mix_t=float(body["mix_t"]))
        keys = ("number", "mix_t", "lot", "a_g", "b_g", "inferred", "cup", "pot", "mold_c")
        found = {key: body.get(key) for key in keys}
        records.pours[id] = replace(base, molds=tuple(body.get("molds") or ()), **found)  # type: ignore[arg-type]
        return
    if pour is not None:
        records.pours[id] = replace(pour, **_cure_of(told, pour), load=body.get("load") or pour.load)


def _cure_of(told: Told, pour: PourRecord) -> dict[str, Any]:
    body = told.body
    match told.name:
        case "kicked" if pour.kick_basis != "marked" or body["basis"] == "marked":
            return {"kick_t": body["at"], "kick_early_t": body["early"], "kick_late_t": body["late"],
                    "kick_basis": body["basis"]}  # fmt: skip
        case "cup_peaked":
            return {"peak_c": body["temp_c"]}
        case "cup_odd":
            return {"odd": body["what"]}
        case "pour_ended":
            return {"ended": body["why"]}
        case "part_pulled":
            pulled = Part(mold=body["mold"], pour=pour.id, mix_t=pour.mix_t, hard_s=body["hard_s"])
            return {"parts": (*(p for p in pour.parts if p.mold != pulled.mold), pulled)}
    return {}


def _load(records: Records, told: Told, until_t: float) -> None:
    body, id = told.body, str(told.body.get("load"))
    if told.name == "load_closed" and told.t <= until_t:
        number, pot = int(body["number"]), str(body.get("pot"))
        pours = tuple(body.get("pours", ()))
        records.loads[id] = LoadRecord(id=id, number=number, pot=pot, closed_t=told.t, pours=pours)
        for pour in pours:
            if pour in records.pours:
                records.pours[pour] = replace(records.pours[pour], load=id)
    load = records.loads.get(id)
    changed = _course_of(told, load) if load is not None else {}
    if load is not None and changed:
        records.loads[id] = replace(load, **changed)


def _course_of(told: Told, load: LoadRecord) -> dict[str, Any]:
    body = told.body
    match told.name:
        case "pot_at_pressure":
            return {"at_pressure_t": load.at_pressure_t or body["since"]}
        case "pot_isolated":
            return {"isolated_t": load.isolated_t or body["since"]}
        case "pot_topped_up":
            return {"top_ups": (*load.top_ups, (told.t, body["from_kpa"], body["kpa"]))}
        case "pot_hold":
            smallest = body["smallest_seen"] if body["verdict"] == "tight-to" else None
            is_same = (load.verdict, load.tight_kpa_min) == (body["verdict"], smallest)
            return {} if is_same else {"verdict": body["verdict"], "tight_kpa_min": smallest}
        case "pot_leaking" if body["active"]:
            keys = ("verdict", "kpa_per_min", "low", "high", "hole_mm")
            matters = body["matters"] or (load.leak is not None and load.leak.matters)
            return {"leak": Leak(**{key: body[key] for key in keys}, matters=matters)}
        case "relief_lifted":
            return {"relief_lifted": load.relief_lifted + 1}
        case "hold_complete":
            return {"hold_done_t": told.t, "min_kpa": body["min_kpa"]}
        case "pot_venting" if body["active"]:
            return {"vent_t": told.t, "vented_early": load.vented_early or bool(body["before_hold_complete"])}
        case "pot_vented":
            return {"vent_s": body["vent_s"]}
        case "load_opened":
            opened = tuple(body.get("pours", ()))
            return {"opened_t": told.t, "pours": opened or load.pours}
    return {}


def _parts(records: Records, marks: Iterable[tuple[float, Mapping[str, Any]]], until_t: float) -> None:
    """Give every mold poured its part, then each `demolded` mark to its part; an undo takes the last one back."""
    for pour in list(records.pours.values()):
        pulled = {part.mold: part for part in pour.parts}
        empty = [pulled.get(m, Part(mold=m, pour=pour.id, mix_t=pour.mix_t)) for m in pour.molds]
        parts = tuple(replace(p, mix_t=pour.mix_t, lot=pour.lot, load=pour.load) for p in empty)
        records.pours[pour.id] = replace(pour, parts=parts)
    by_mold: dict[str, list[str]] = {}
    for pour in records.pours.values():
        for mold in pour.molds:
            by_mold.setdefault(mold, []).append(pour.id)
    last: tuple[float, PourRecord | None] | None = None
    for t, mark in marks:
        verb = str(mark.get("verb"))
        if verb == "undo":
            if last is not None and last[1] is not None and t - last[0] <= UNDO_WITHIN_S:
                records.pours[last[1].id] = last[1]
            last = None
        elif verb in NOTE_VERBS:
            if t <= until_t:
                text = str(mark.get("text") or "")
                verb = "drained" if verb == "note" and DRAINED.fullmatch(text.strip()) else verb
                records.notes.append(Note(t=t, verb=verb, text=text))
        elif verb in MARK_VERBS:
            last = (t, _outcome(records, by_mold, t, mark) if verb == "demolded" else None)


def _outcome(
    records: Records, by_mold: Mapping[str, list[str]], t: float, mark: Mapping[str, Any]
) -> PourRecord | None:
    """Note one `demolded` mark; the pour as it was before, None when none fits."""
    mold = str(mark.get("mold", "")).lower()
    named = mark.get("pour")
    for id in [named] if named in records.pours else reversed(by_mold.get(mold, [])):
        pour = records.pours[id]
        part = next((p for p in pour.parts if p.mold == mold and p.out_t is None), None)
        if part is not None and pour.mix_t <= t and named in (None, id):
            said = {key: mark.get(key) for key in ("feel", "grade", "cause", "text")}
            out = replace(part, out_t=t, **said)  # type: ignore[arg-type]  # the four keys above
            parts = tuple(out if p is part else p for p in pour.parts)
            records.pours[pour.id] = replace(pour, parts=parts)
            return pour
    return None


async def _alarms(records: Records, logbook: Logbook, since_t: float, until_t: float) -> None:
    """Count the alarms that began from a load's first mix to its opening."""
    began: list[tuple[float, str, str | None]] = []
    standing: set[tuple[str, str]] = set()
    async for told in logbook.effects(kind="alert", since_t=since_t, until_t=until_t):
        subject = told.body.get("subject", {})
        key = (told.name, json.dumps(subject, sort_keys=True))
        if told.body.get("active") and key not in standing and int(told.body.get("priority", 4)) <= 2:
            began.append((told.t, told.name, subject.get("pot")))
        (standing.add if told.body.get("active") else standing.discard)(key)
    for id, load in list(records.loads.items()):
        first_t = min([load.closed_t, *(p.mix_t for p in records.of_load(load))])
        last_t = load.opened_t if load.opened_t is not None else load.closed_t + AFTER_S
        mine = tuple(code for t, code, pot in began if first_t <= t <= last_t and pot in (None, load.pot))
        records.loads[id] = replace(load, alarms=mine)
