"""What was cast, and how did it go?  Pours, loads and parts as records, read back from the journal.

Findings give pours and loads; the `demolded` marks that were not refused or taken back give the parts, each to the
newest pour before it that holds the mold and has no part of it yet; `note`, `topup`, `dumped` marks are kept as notes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from benchd.core.marks import UNDO_WITHIN_S
from benchd.runtime.logbook import Logbook, Readable, Told

AFTER_S = 13 * 3600.0
"""A pour ends at the latest 12 h after its mix: findings about those asked for may come so much later."""
POUR_FINDINGS = ("pour_started", "pour_revised", "kicked", "cup_peaked", "cup_odd", "pour_ended", "part_pulled")
LOAD_FINDINGS = (
    "load_closed", "pot_at_pressure", "pot_isolated", "pot_topped_up", "pot_hold", "pot_leaking", "relief_lifted",
    "hold_complete", "pot_venting", "pot_vented", "load_opened",
)  # fmt: skip
BENCH_FINDINGS = ("room_damp", "air_wet")
NOTE_VERBS = ("note", "topup", "dumped")
MARK_VERBS = ("mix", "poured", "demolded", "undo", *NOTE_VERBS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One mold's casting of one pour; feel, grade, cause, text as the caster said, None where nothing was said."""

    mold: str
    pour: str
    mix_t: float
    lot: str | None = None
    load: str | None = None
    out_t: float | None = None
    feel: str | None = None
    grade: str | None = None
    cause: str | None = None
    text: str | None = None
    hard_s: float | None = None
    """When the forecast held it ready hard, after the mix [s]."""

    @property
    def after_s(self) -> float | None:
        return None if self.out_t is None else self.out_t - self.mix_t


@dataclass(frozen=True, slots=True, kw_only=True)
class PourRecord:
    """One mixed cup.  Times unix s, grams as typed or weighed, kick_* None until it kicked."""

    id: str
    number: int
    mix_t: float
    cup: str | None = None
    pot: str | None = None
    load: str | None = None
    lot: str | None = None
    molds: tuple[str, ...] = ()
    a_g: float | None = None
    b_g: float | None = None
    inferred: bool = False
    kick_t: float | None = None
    kick_early_t: float | None = None
    kick_late_t: float | None = None
    kick_basis: str | None = None
    peak_c: float | None = None
    odd: str | None = None
    ended: str | None = None
    parts: tuple[Part, ...] = ()

    @property
    def batch_g(self) -> float | None:
        return None if self.a_g is None or self.b_g is None else self.a_g + self.b_g

    @property
    def kick_s(self) -> float | None:
        """From the mix to the kick."""
        return None if self.kick_t is None else self.kick_t - self.mix_t


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """The leak as last judged: loss at the target, its bounds, a hole of that loss, and whether it mattered."""

    verdict: str
    kpa_per_min: float
    low: float
    high: float
    hole_mm: float
    matters: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadRecord:
    """One closing of a pot.  Times unix s, pressures kPa gauge; top-ups as (t, from, to)."""

    id: str
    number: int
    pot: str
    closed_t: float
    pours: tuple[str, ...] = ()
    at_pressure_t: float | None = None
    isolated_t: float | None = None
    top_ups: tuple[tuple[float, float, float], ...] = ()
    hold_done_t: float | None = None
    min_kpa: float | None = None
    """Least pressure from the kick to the end of the hold."""
    verdict: str | None = None
    tight_kpa_min: float | None = None
    leak: Leak | None = None
    relief_lifted: int = 0
    vent_t: float | None = None
    vent_s: float | None = None
    vented_early: bool = False
    opened_t: float | None = None
    alarms: tuple[str, ...] = ()
    """Codes of the alarms of the two upper priorities that began in it, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    t: float
    verb: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """A damp room or wet air as it was found, per cent of relative humidity; end_t None while it lasts."""

    t: float
    what: str
    rh_pct: float
    basis: str
    end_t: float | None = None


@dataclass(slots=True)
class Records:
    """Pours and loads by id in the order they began; notes and air in order of time."""

    pours: dict[str, PourRecord] = field(default_factory=dict)
    loads: dict[str, LoadRecord] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)
    air: list[Air] = field(default_factory=list)

    def parts(self) -> list[Part]:
        """Every mold poured, with what came of it, in order."""
        return [part for pour in self.pours.values() for part in pour.parts]

    def of_load(self, load: LoadRecord) -> list[PourRecord]:
        return [self.pours[id] for id in load.pours if id in self.pours]

    def kick_t(self, load: LoadRecord) -> float | None:
        """The earliest kick of its cups."""
        return min((p.kick_t for p in self.of_load(load) if p.kick_t is not None), default=None)

    def margin_s(self, load: LoadRecord) -> float | None:
        """From the floor reached to the earliest kick: negative when the pressure came too late [s]."""
        kick_t = self.kick_t(load)
        return None if kick_t is None or load.at_pressure_t is None else kick_t - load.at_pressure_t


async def read_records(journal: Readable, since_t: float, until_t: float) -> Records:
    """The pours and loads that began between two times [unix s].  Raises JournalError."""
    records, logbook = Records(), Logbook(journal)
    names = POUR_FINDINGS + LOAD_FINDINGS + BENCH_FINDINGS
    later_t = until_t + AFTER_S
    async for told in logbook.effects(kind="finding", names=names, since_t=since_t, until_t=later_t):
        _take(records, told, until_t)
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
    last = next((i for i, a in reversed(list(enumerate(records.air))) if a.what == told.name), None)
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
        keys = ("number", "mix_t", "lot", "a_g", "b_g", "inferred", "cup", "pot")
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
                records.notes.append(Note(t=t, verb=verb, text=str(mark.get("text") or "")))
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
