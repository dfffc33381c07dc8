"""Reports one day: its loads, what came out, where the resin went and what it cost, the air, the notes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from benchd.core.bench import Bench
from benchd.core.model import GRADES
from benchd.reports import plain
from benchd.reports.balance import Balance, balance, cost_words
from benchd.reports.blame import blame, lines
from benchd.reports.drawing.paper import Point
from benchd.reports.over_days import day_drawing
from benchd.reports.records import LoadRecord, Part, Records
from benchd.reports.writer import Document


def day_page(bench: Bench, records: Records, day: str, curves: Mapping[str, Sequence[Point]] | None = None) -> Document:
    """The report of one local day, "2026-01-05"; curves: (t [unix s], kPa gauge) by load, for its drawing."""
    document = Document(f"{bench.name}: {day}", "day", day)
    parts = records.parts()
    grades = Counter(part.grade for part in parts)
    document.say(_came_out(len(parts), grades), is_strong=True)
    document.draw(day_drawing(bench, records, document.title, curves or {}))
    _loads(document, bench, records)
    document.table(
        ("mold", "load", "came out", "felt", "grade", "note"),
        [
            (plain.mold_name(bench, part.mold), _load_number(records, part), plain.span(part.after_s),
             part.feel or plain.UNKNOWN, plain.outcome(part), part.text or "")
            for part in parts
        ],
        "What came out, times after the mix",
    )  # fmt: skip
    made = balance(bench, records.pours.values())
    _resin(document, made, grades["good"])
    for part in parts:
        add_blame(document, bench, records, part, brief=True)
    _rest(document, bench, records)
    document.data = {"day": day, "casts": len(parts), **_data(records, grades, made)}
    return document


def _data(records: Records, grades: Counter[str | None], made: Balance) -> dict[str, Any]:
    """The day in numbers."""
    return {
        "grades": {grade: grades[grade] for grade in GRADES},
        "resin_g": {"mixed": made.mixed_g, "parts": made.parts_g, "gates": made.gates_g, "cup": made.cup_g},
        "marked": _counts(records),
        "cost": None if made.cost is None else round(made.cost, 2),
        "loads": [
            {"id": load.id, "number": load.number, "margin_s": records.margin_s(load), "alarms": list(load.alarms)}
            for load in records.loads.values()
        ],
    }


def _came_out(casts: int, grades: Counter[str | None]) -> str:
    if not casts:
        return "Nothing was cast."
    told = [f"{grades[grade]} {grade}" for grade in GRADES if grades[grade]]
    rest = casts - sum(grades[grade] for grade in GRADES)
    if rest:
        told.append(f"{rest} not graded")
    return f"{casts} cast{'s' if casts != 1 else ''}: {', '.join(told)}."


def _load_number(records: Records, part: Part) -> str:
    load = records.loads.get(part.load or "")
    return str(load.number) if load else plain.UNKNOWN


def _loads(document: Document, bench: Bench, records: Records) -> None:
    document.table(
        ("load", "mixed", "molds", "at pressure", "kick", "margin", "least", "leak", "alarms"),
        [_load_row(bench, records, load) for load in records.loads.values()],
        "Loads, clocks after the mix",
    )


def _load_row(bench: Bench, records: Records, load: LoadRecord) -> tuple[str, ...]:
    zero, kick_t, margin_s = plain.zero_t(records, load), records.kick_t(load), records.margin_s(load)
    molds = [mold for pour in records.of_load(load) for mold in pour.molds]

    def since(t: float | None) -> str:
        return plain.span(None if t is None else t - zero)

    leak = plain.UNKNOWN
    if load.leak is not None:
        leak = f"{load.leak.verdict}, {plain.rate(bench, load.leak.kpa_per_min)}"
    elif load.verdict == "tight-to":
        leak = "none seen"
    return (
        str(load.number), plain.hour_of(bench, zero), plain.mold_codes(bench, molds), since(load.at_pressure_t),
        since(kick_t), plain.UNKNOWN if margin_s is None else f"{margin_s:.0f} s",
        plain.pressure(bench, load.min_kpa) or plain.UNKNOWN, leak, str(len(load.alarms)),
    )  # fmt: skip


def _resin(document: Document, made: Balance, good: int) -> None:
    each = None if made.cost is None or not good else f"{made.cost / good:.2f}"
    document.facts(
        ("resin", f"{made.mixed_g} g = parts {made.parts_g} + gates {made.gates_g} + cup {made.cup_g}"
         if made.mixed_g else None),
        ("pours without weights", str(made.unweighed) if made.unweighed else None),
        ("pours of molds not on the shelf", f"{made.unknown}: give -c bench.toml" if made.unknown else None),
        ("cost", cost_words(made)),
        ("cost a good part", each),
    )  # fmt: skip


def add_blame(document: Document, bench: Bench, records: Records, part: Part, brief: bool = False) -> None:
    """Why a part was bad: a table of suspects, nothing for a good one."""
    verdicts = blame(bench, records, part)
    name = plain.mold_name(bench, part.mold)
    document.table(("suspect", "verdict", "why"), lines(verdicts, brief), f"Why {name} was {plain.outcome(part)}")


COUNTED = {"topup": "topped up", "dumped": "tank dumped", "drained": "tank drained", "note": "notes"}


def _counts(records: Records) -> dict[str, int]:
    """How often each thing was marked beside pours and parts."""
    found = Counter(note.verb for note in records.notes)
    return {verb: found[verb] for verb in COUNTED if found[verb]}


def _rest(document: Document, bench: Bench, records: Records) -> None:
    counts = _counts(records)
    document.facts(("marked", ", ".join(f"{COUNTED[verb]} {n}" for verb, n in counts.items()) or None))
    document.table(
        ("time", "air", "basis"),
        [(plain.hour_of(bench, a.t), plain.air(bench, a), a.basis) for a in records.air],
        "Air",
    )
    document.table(
        ("time", "what", "note"),
        [(plain.hour_of(bench, note.t), note.verb, note.text) for note in records.notes],
        "Notes",
    )
