"""Reads the records of what was cast, and how it went, from the journal.

Findings give pours and loads; the `demolded` marks that were not refused or taken back give the parts, each to the
newest pour before it that holds the mold and has no part of it yet; `note`, `topup`, `dumped` marks are kept as
notes.  What was in the oven is in findings of its own.
"""

from __future__ import annotations

import json
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import replace
from operator import itemgetter
from typing import Any

from benchd.core.casting.retold import KEYS, POURS_AND_KICKS, Retold
from benchd.reports.records import AirRecord, Leak, LoadRecord, Note, Part, PourRecord, Records
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.journal.reader import Logbook, Readable, Told

AFTER_S = 13 * 3600.0
"""A pour ends at the latest 12 h after its mix: findings about the pours asked for may come that much later."""
POUR_FINDINGS = (*POURS_AND_KICKS, "cup_peaked", "cup_odd", "part_pulled", "checks_noted")
LOAD_FINDINGS = (
    "load_closed", "pot_at_pressure", "pot_isolated", "pot_topped_up", "pot_hold", "pot_leaking", "relief_lifted",
    "hold_complete", "pot_venting", "pot_vented", "load_opened",
)  # fmt: skip
OVEN_AFTER_S = 10 * 86_400.0
"""A post-cure of a week may begin some days after the part came out."""
BENCH_FINDINGS = ("room_damp", "air_wet")
NOTE_VERBS = ("note", "topup", "dumped")
HOURS = re.compile(r"(mask|cartridges) (\d+(?:\.\d+)?) h")
"""A note of the hours that mask or cartridges have been worn."""
TANK_DRAINED = re.compile(
    r"(the )?(compressor |air )?tanks? drained( today)?|drained the (compressor |air )?tanks?", re.IGNORECASE
)
"""A note that says the water was let out of the tank."""
DRAINED = re.compile(rf"({TANK_DRAINED.pattern}|((the )?(compressor|trap|bowl)s? )?drained)\.?", re.IGNORECASE)
"""A note that says the water was let out of tank or trap: counted like a dump."""


async def read_records(journal: Readable, since_t: float, until_t: float) -> Records:
    """The pours and loads that began between two times [unix s].  Raises JournalError."""
    records, pours, logbook = Records(), _Pours(), Logbook(journal)
    names = POUR_FINDINGS + LOAD_FINDINGS + BENCH_FINDINGS
    later_t = until_t + AFTER_S
    async for told in logbook.effects(kind="finding", names=names, since_t=since_t, until_t=later_t):
        pours.see(told)
        _take(records, told, until_t)
    records.pours.update(pours.until(until_t))
    _parts(records, await marks_that_stood(journal, since_t, later_t), until_t)
    async for told in logbook.effects(
        kind="finding", names=("part_cured",), since_t=since_t, until_t=until_t + OVEN_AFTER_S
    ):
        _cured(records, told)
    await _alarms(records, logbook, since_t, later_t)
    return records


def _take(records: Records, told: Told, until_t: float) -> None:
    if told.name in LOAD_FINDINGS:
        _load(records, told, until_t)
    elif told.name in BENCH_FINDINGS:
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
        dew_c, basis = body.get("pot_dew_point_c"), str(body.get("basis", ""))
        found = AirRecord(t=told.t, what=told.name, rh_pct=body["rh_pct"], basis=basis, pot_dew_point_c=dew_c)
        records.air.append(found)


class _Pours:
    """The pours as retold (core/casting/retold.py), and what else was found of each."""

    def __init__(self) -> None:
        self._retold = Retold()
        self._more: dict[str, dict[str, Any]] = {}

    def see(self, told: Told) -> None:
        """Take the next finding; one that says nothing of a pour is left out."""
        if told.name in POURS_AND_KICKS:
            self._retold.see(told.name, told.body)
        if told.name in POUR_FINDINGS:
            self._note(told)
        elif told.name == "load_closed":
            for pour in told.body.get("pours", ()):
                self._of(pour)["load"] = str(told.body.get("load"))

    def _of(self, pour: str) -> dict[str, Any]:
        return self._more.setdefault(pour, {"parts": ()})

    def _note(self, told: Told) -> None:
        body, more = told.body, self._of(str(told.body.get("pour")))
        more["load"] = body.get("load") or more.get("load")
        match told.name:
            case "cup_peaked":
                more["peak_c"] = body["temp_c"]
            case "cup_odd":
                more["odd"] = body["what"]
            case "checks_noted":
                more |= {"checked": tuple(body["done"]), "skipped": tuple(body["skipped"])}
            case "part_pulled":
                pulled = Part(mold=body["mold"], pour=str(body.get("pour")), mix_t=0.0, hard_s=body["hard_s"])
                more["parts"] = (*(p for p in more["parts"] if p.mold != pulled.mold), pulled)

    def until(self, until_t: float) -> dict[str, PourRecord]:
        """The pours mixed until then, by id; their parts are those pulled."""
        mine = {id: pour for id, pour in self._retold.pours.items() if float(pour["mix_t"]) <= until_t}
        return {id: _record(id, pour, self._of(id)) for id, pour in mine.items()}


def _record(id: str, pour: Mapping[str, Any], more: Mapping[str, Any]) -> PourRecord:
    kick = pour.get("kick", {})
    found = {key: pour[key] for key in KEYS if key not in ("molds", "number", "mix_t")}
    return PourRecord(
        id=id, number=int(pour["number"]), mix_t=float(pour["mix_t"]), molds=tuple(pour["molds"] or ()),
        kick_t=kick.get("at"), kick_early_t=kick.get("early"), kick_late_t=kick.get("late"),
        kick_basis=kick.get("basis"), ended=pour.get("ended"), **found, **more,
    )  # fmt: skip


def _load(records: Records, told: Told, until_t: float) -> None:
    body, id = told.body, str(told.body.get("load"))
    if told.name == "load_closed" and told.t <= until_t:
        number, pot = int(body["number"]), str(body.get("pot"))
        pours = tuple(body.get("pours", ()))
        records.loads[id] = LoadRecord(id=id, number=number, pot=pot, closed_t=told.t, pours=pours)
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
    """Give every mold poured its part, then each `demolded` mark to its part."""
    for pour in list(records.pours.values()):
        pulled = {part.mold: part for part in pour.parts}
        empty = [pulled.get(m, Part(mold=m, pour=pour.id, mix_t=pour.mix_t)) for m in pour.molds]
        parts = tuple(replace(p, mix_t=pour.mix_t, lot=pour.lot, load=pour.load) for p in empty)
        records.pours[pour.id] = replace(pour, parts=parts)
    by_mold: dict[str, list[str]] = {}
    for pour in records.pours.values():
        for mold in pour.molds:
            by_mold.setdefault(mold, []).append(pour.id)
    for t, mark in marks:
        verb = str(mark.get("verb"))
        if verb in NOTE_VERBS and t <= until_t:
            text = str(mark.get("text") or "")
            verb = "drained" if verb == "note" and DRAINED.fullmatch(text.strip()) else verb
            records.notes.append(Note(t=t, verb=verb, text=text))
        elif verb == "demolded":
            _outcome(records, by_mold, t, mark)


def _outcome(records: Records, by_mold: Mapping[str, list[str]], t: float, mark: Mapping[str, Any]) -> None:
    """Note one `demolded` mark with the pour it fits."""
    mold = str(mark.get("mold", "")).lower()
    named = mark.get("pour")
    for id in [named] if named in records.pours else reversed(by_mold.get(mold, [])):
        pour = records.pours[id]
        part = next((p for p in pour.parts if p.mold == mold and p.out_t is None), None)
        if part is not None and pour.mix_t <= t and named in (None, id):
            said = {key: mark.get(key) for key in ("feel", "grade", "cause", "text", "picture")}
            out = replace(part, out_t=t, **said)  # type: ignore[arg-type]  # the five keys above
            _put(records, pour, part, out)
            return


def _cured(records: Records, told: Told) -> None:
    """Note how long a part was in the oven; nothing where that was taken back."""
    body = told.body
    pour = records.pours.get(str(body.get("pour")))
    part = next((p for p in pour.parts if p.mold == body.get("mold")), None) if pour is not None else None
    if pour is None or part is None:
        return
    back = bool(body.get("taken_back"))
    had_s, asked_s, temp_c = (None if back else float(body[key]) for key in ("for_s", "asked_s", "temp_c"))
    _put(records, pour, part, replace(part, cured_s=had_s, cured_asked_s=asked_s, cured_c=temp_c))


def _put(records: Records, pour: PourRecord, before: Part, after: Part) -> None:
    parts = tuple(after if part is before else part for part in pour.parts)
    records.pours[pour.id] = replace(pour, parts=parts)


async def alarms_begun(logbook: Logbook, since_t: float, until_t: float) -> list[Told]:
    """The alerts of the two upper priorities as they began; told again while they stand they are left out.

    Raises JournalError.
    """
    began: list[Told] = []
    standing: set[tuple[str, str]] = set()
    async for told in logbook.effects(kind="alert", since_t=since_t, until_t=until_t):
        key = (told.name, json.dumps(told.body.get("subject", {}), sort_keys=True))
        if told.body.get("active") and key not in standing and int(told.body.get("priority", 4)) <= 2:
            began.append(told)
        (standing.add if told.body.get("active") else standing.discard)(key)
    return began


async def _alarms(records: Records, logbook: Logbook, since_t: float, until_t: float) -> None:
    """Count the alarms that began from a load's first mix to its opening."""
    found = await alarms_begun(logbook, since_t, until_t)
    began = sorted((told.t, told.number, told.name, told.body.get("subject", {}).get("pot")) for told in found)
    for id, load in list(records.loads.items()):
        first_t = min([load.closed_t, *(p.mix_t for p in records.of_load(load))])
        last_t = load.opened_t if load.opened_t is not None else load.closed_t + AFTER_S
        within = began[bisect_left(began, first_t, key=itemgetter(0)) : bisect_right(began, last_t, key=itemgetter(0))]
        in_order = sorted((number, code) for _, number, code, pot in within if pot in (None, load.pot))
        records.loads[id] = replace(load, alarms=tuple(code for _, code in in_order))
