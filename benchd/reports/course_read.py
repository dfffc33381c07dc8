"""Reads a load's course from the journal: its curves, the kick as it was expected, each mold's window and call."""

from __future__ import annotations

from typing import Any

from benchd.core.bench import Bench
from benchd.core.units import from_c, from_kpa
from benchd.reports import plain
from benchd.reports.channel_curves import curves
from benchd.reports.drawing.course import Course, Level, MoldRow, Moment
from benchd.reports.drawing.paper import Point
from benchd.reports.records import LoadRecord, Part, PourRecord, Records
from benchd.runtime.journal.reader import Logbook, Readable

LEAD_S = 30.0  # of the curves, before the mix and after the opening
STILL_CLOSED_S = 3600.0
MOST_CURVES = 12  # of a day
FEWEST_MINUTES = 5  # below these a load is drawn from its readings, which take longer to decode
Window = tuple[float, float, float]


async def read_course(journal: Readable, bench: Bench, records: Records, load: LoadRecord) -> Course:
    """The course of a load.  Raises JournalError."""
    book, pours = Logbook(journal), records.of_load(load)
    zero_t = plain.zero_t(records, load)
    end_t, gauge = _end(load), _gauge(bench, load)
    probes = {str(c.of): c.id for c in bench.channels if c.role == "cup_temperature"}
    wanted = {id for id in (gauge, *(probes.get(pour.cup or "") for pour in pours)) if id is not None}
    found = await curves(book, bench, wanted, zero_t - LEAD_S, end_t + LEAD_S)
    forecasts, rows = await _forecasts(book, load, pours), [row for p in pours for row in await _rows(book, bench, p)]
    pot = bench.pot(load.pot)
    return Course(
        name=f"Load {load.number}, {pot.name if pot else load.pot}", unit=bench.pressure_unit,
        temp_unit=bench.temperature_unit, zero_t=zero_t, end_t=end_t,
        pressure=[(t, from_kpa(kpa, bench.pressure_unit)) for t, kpa in found.get(gauge or "", ())],
        cups=[cup for pour in pours if len(cup := _cup(bench, pour, probes, found)) > 1],
        levels=_levels(bench, load), hold=_hold(load, end_t), forecasts=forecasts,
        kicks=[pour.kick_t for pour in pours if pour.kick_t is not None],
        moments=_moments(bench, records, load), molds=rows,
    )  # fmt: skip


async def load_pressures(journal: Readable, bench: Bench, records: Records) -> dict[str, list[Point]]:
    """The pressures of the newest MOST_CURVES loads, (t [unix s], kPa gauge) by load: by the minute, where kept so.

    Raises JournalError.
    """
    out, book = dict[str, list[Point]](), Logbook(journal)
    for load in list(records.loads.values())[-MOST_CURVES:]:
        gauge = _gauge(bench, load)
        if gauge is not None:
            since_t, until_t = plain.zero_t(records, load), _end(load)
            rows = await book.minutes(gauge, since_t, until_t)
            points = [(row.minute * 60.0 + 30.0, row.mean) for row in rows]
            if len(points) < FEWEST_MINUTES:
                points = (await curves(book, bench, {gauge}, since_t, until_t))[gauge]
            out[load.id] = points
    return out


def _gauge(bench: Bench, load: LoadRecord) -> str | None:
    return next((c.id for c in bench.channels if c.role == "pot_pressure" and c.of == load.pot), None)


def _end(load: LoadRecord) -> float:
    return load.opened_t if load.opened_t is not None else load.closed_t + STILL_CLOSED_S


def _cup(bench: Bench, pour: PourRecord, probes: dict[str, str], found: dict[str, Any]) -> list[tuple[float, float]]:
    points = found.get(probes.get(pour.cup or "", ""), ())
    return [(t, from_c(c, bench.temperature_unit)) for t, c in points if t >= pour.mix_t - LEAD_S]


def _hold(load: LoadRecord, end_t: float) -> tuple[float, float] | None:
    if load.at_pressure_t is None:
        return None
    return load.at_pressure_t, load.hold_done_t or load.vent_t or end_t


def _levels(bench: Bench, load: LoadRecord) -> list[Level]:
    pot = bench.pot(load.pot)
    if pot is None:
        return []
    named = (("floor", pot.floor_kpa), ("target", pot.target_kpa), ("limit", pot.limit_kpa), ("relief", pot.relief_kpa))
    return [Level(from_kpa(kpa, bench.pressure_unit), name) for name, kpa in named]


def _moments(bench: Bench, records: Records, load: LoadRecord) -> list[Moment]:
    """What happened, each beside the curve it shows on."""
    timed = (
        ("air on", load.closed_t), ("at pressure", load.at_pressure_t), ("inlet shut", load.isolated_t),
        ("hold done", load.hold_done_t), ("bleed open", load.vent_t), ("near zero", load.opened_t),
    )  # fmt: skip
    found = [Moment(t, words) for words, t in timed if t is not None]
    found += [Moment(t, "topped up") for t, _, _ in load.top_ups]
    for pour in records.of_load(load):
        found.append(Moment(pour.mix_t, "mix", "cup"))
    return sorted(found, key=lambda moment: moment.t)


async def _forecasts(book: Logbook, load: LoadRecord, pours: list[PourRecord]) -> list[Window]:
    """Each pour's kick as it was expected last before the pot closed."""
    out: list[Window] = []
    for pour in pours:
        last: Window | None = None
        async for told in book.effects(kind="finding", pour=pour.id, names=("kick_forecast",), until_t=load.closed_t):
            last = (float(told.body["early"]), float(told.body["at"]), float(told.body["late"]))
        out += [last] if last is not None else []
    return out


async def _rows(book: Logbook, bench: Bench, pour: PourRecord) -> list[MoldRow]:
    windows: dict[str, Window] = {}
    called: dict[str, float] = {}
    out_t = {part.mold: part.out_t for part in pour.parts}
    async for told in book.effects(kind="finding", pour=pour.id, names=("demold_forecast", "demold_ready")):
        mold, until_t = str(told.body["mold"]), out_t.get(str(told.body["mold"]))
        if until_t is not None and told.t > until_t:
            continue
        if told.name == "demold_ready":
            if told.body["stage"] != "test":  # a test called at the likely time is not the part's due
                called.setdefault(mold, told.t)
        elif mold not in called:
            early, likely, late = told.body.get("green_at") or told.body["hard_at"]
            windows[mold] = (float(early), float(likely), float(late))
    return [_row(bench, part, windows.get(part.mold), called.get(part.mold)) for part in pour.parts]


def _row(bench: Bench, part: Part, window: Window | None, called_t: float | None) -> MoldRow:
    mold = bench.mold(part.mold)
    code, name = (mold.code, f"{mold.name}, {mold.pull}") if mold else (part.mold.upper(), "")
    outcome = "" if part.grade is None else plain.outcome(part)
    return MoldRow(code, name, window, called_t, part.out_t, part.grade, outcome)
