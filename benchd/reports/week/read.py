"""Reads what a week's report needs, by numbers: its own findings, a month before them, the last pours and holds.

Bounded however old the journal is: a week's findings, MONTH_S of records before, the readings of at most MOST_LESSONS
pours and MOST_HOLDS holds.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from benchd.core.bench import Bench
from benchd.core.bench.local_day import DAY_S
from benchd.core.learned.lot_drift import at_label_temp_s
from benchd.core.model import Table
from benchd.core.mold_forecast import ResinModel, resin_model
from benchd.errors import ReportError
from benchd.reports import plain
from benchd.reports.records import LoadRecord, PourRecord, Records
from benchd.reports.records_read import read_records
from benchd.reports.records_room import add_rooms
from benchd.reports.week.gains import Gain, gas_gain, kick_gain, scale_gain
from benchd.reports.week.gains_ready import ready_gains
from benchd.reports.week.learned import benches_at, leak_lessons, lessons_of_week
from benchd.reports.week.page import Week, week_page
from benchd.reports.week.told import read_told
from benchd.reports.week.verdicts import Verdict, kick_verdicts, ready_verdicts
from benchd.reports.week.words import alarm_verdicts, call_verdicts, part_verdicts
from benchd.reports.writer import Document
from benchd.runtime.history.lessons import lessons_of
from benchd.runtime.history.teach import fills_of
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.shelf.pot_habits import Fill

MONTH_S = 28 * DAY_S
AFTER_S = DAY_S  # a part may come out the day after
MOST_LESSONS, MOST_HOLDS, MOST_KICKS = 6, 2, 30
AREAS = {
    "kick": "kick", "last_mold": "kick", "lid_now": "kick", "pressure_late": "kick", "late load": "kick",
    "part": "part", "part word": "part",
}  # fmt: skip
"""What was judged -> where a measurement would help it."""
_ISO_WEEK = re.compile(r"(\d{4})-?W(\d{1,2})", re.IGNORECASE)


async def make_week(journal: Readable, bench: Bench, id: str, now_t: float) -> Document:
    """The report of a week: "this", "last" (the newest with a pour), a date in it, or 2026-W02; weeks begin on Monday.

    Raises ReportError for no such week, JournalError when the journal cannot be read.
    """
    monday = await _monday(journal, bench, id, now_t)
    since_t, until_t = _midnight_t(bench, monday), _midnight_t(bench, monday + timedelta(days=7))
    month = await read_records(journal, since_t - MONTH_S, until_t - 1e-3)
    records, before = _divided(month, since_t)
    first, last = monday.isoformat(), (monday + timedelta(days=6)).isoformat()
    if not records.pours and not records.loads:
        return week_page(bench, records, Week(first, last, (), (), ()))
    await add_rooms(journal, bench, month, [pour.id for pour in month.pours.values() if pour.mix_t >= since_t - DAY_S])
    records, before = _divided(month, since_t)
    was, now = await benches_at(journal, bench, since_t, min(until_t, now_t))
    told = await read_told(journal, since_t - DAY_S, until_t + AFTER_S)
    told.alarms = [alarm for alarm in told.alarms if since_t <= alarm.t < until_t]
    known = replace(bench, learned=now.learned)
    verdicts = [
        *kick_verdicts(records, told), *ready_verdicts(bench, records, told), *call_verdicts(known, records, told),
        *part_verdicts(bench, records, told), *alarm_verdicts(bench, records, told),
    ]  # fmt: skip
    lessons = [*lessons_of_week(was, now), *leak_lessons(bench, before, list(records.loads.values()))]
    gains = _weighed(await _gains(journal, known, month, records, since_t), verdicts, list(records.loads.values()))
    return week_page(bench, records, Week(first, last, verdicts, lessons, gains))


def _divided(month: Records, since_t: float) -> tuple[Records, list[LoadRecord]]:
    """The week's records, and the loads before them."""
    pours = {id: pour for id, pour in month.pours.items() if pour.mix_t >= since_t}
    loads = {id: load for id, load in month.loads.items() if load.closed_t >= since_t}
    notes = [note for note in month.notes if note.t >= since_t]
    return Records(pours, loads, notes, month.air), [x for x in month.loads.values() if x.closed_t < since_t]


# -------------------------------------------------------------------------------------------------------- which week


async def _monday(journal: Readable, bench: Bench, id: str, now_t: float) -> date:
    """The local Monday the week begins with."""
    if id in ("", "this"):
        return _monday_of(plain.local(bench, now_t).date())
    if id == "last":
        rows = await journal.rows("SELECT max(t) FROM effects WHERE name IN ('pour_started', 'load_closed')")
        at = float(rows[0][0]) if rows and rows[0][0] is not None else now_t
        return _monday_of(plain.local(bench, at).date())
    try:
        week = _ISO_WEEK.fullmatch(id)
        day = date.fromisocalendar(int(week[1]), int(week[2]), 1) if week else date.fromisoformat(id)
        return _monday_of(day)
    except (ValueError, OverflowError):
        raise ReportError(f'no week "{id}"; write this, last, a date as 2026-01-05, or 2026-W02') from None


def _monday_of(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _midnight_t(bench: Bench, day: date) -> float:
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC).timestamp()
    return bench.midnight_t(noon - bench.utc_offset_s(noon))


# ---------------------------------------------------------------------------------------------------- what would help


async def _gains(journal: Readable, bench: Bench, month: Records, records: Records, since_t: float) -> list[Gain]:
    week, until_t = list(records.pours.values()), max((pour.mix_t for pour in records.pours.values()), default=since_t)
    around = [pour for pour in month.pours.values() if pour.mix_t >= since_t - DAY_S]
    gains = [*ready_gains(bench, around, await _models(journal, bench, until_t), since_t)]
    gains.append(await _kick_gain(journal, bench, week, since_t, until_t))
    gains.append(scale_gain(bench, await _kicks(journal, bench, month, week), week))
    fills = await _fills(journal, bench, list(records.loads.values()))
    gains.append(gas_gain(bench, fills, len(records.loads)))
    return gains


def _weighed(gains: Sequence[Gain], verdicts: Sequence[Verdict], loads: Sequence[LoadRecord]) -> list[Gain]:
    """The gains with how much was wrong or open in the week where each helps."""
    by_area: dict[str, list[bool]] = {"leak": [load.verdict not in ("tight-to", "slow", "fast") for load in loads]}
    for each in verdicts:
        if each.what in AREAS:
            by_area.setdefault(AREAS[each.what], []).append(each.says != "right")
    shares = {area: sum(found) / len(found) for area, found in by_area.items() if found}
    return [replace(gain, open_share=shares.get(gain.area, 0.0)) for gain in gains]


async def _models(journal: Readable, bench: Bench, until_t: float) -> Mapping[str, ResinModel]:
    """Each resin's solved sections, as the bench had them by then."""
    book = Logbook(journal)
    standing = [item for _, item in await book.standing(await book.seq_before(until_t + DAY_S))]
    found = [(item.resin, resin_model(bench, item)) for item in standing if isinstance(item, Table)]
    return {resin: model for resin, model in found if model is not None}


async def _kick_gain(
    journal: Readable, bench: Bench, week: Sequence[PourRecord], since_t: float, until_t: float
) -> Gain:
    """Of the resin that was poured most."""
    labels = Counter(label.id for pour in week if (label := bench.label_for(pour.lot)) is not None)
    resin = bench.resin(labels.most_common(1)[0][0]) if labels else None
    if resin is None:
        none = Gain(measure="witness cup marked `kicked`", serves="kick window before the mix", unit="s", of=len(week))
        return replace(none, lacking="needs pours of a lot on the shelf")
    lessons = await lessons_of(journal, bench, resin, since_t - MONTH_S, until_t + DAY_S, newest=MOST_LESSONS)
    return kick_gain(bench, resin, lessons, week)


async def _kicks(
    journal: Readable, bench: Bench, month: Records, week: Sequence[PourRecord]
) -> list[tuple[PourRecord, float]]:
    """The month's kicks of the week's most poured lot, brought to 23 C where the room is known."""
    lots = Counter(pour.lot for pour in week if pour.lot is not None)
    lot = bench.lot(lots.most_common(1)[0][0]) if lots else None
    if lot is None:
        return []
    mine = [pour.id for pour in month.pours.values() if pour.lot == lot.id and pour.kick_s is not None][-MOST_KICKS:]
    await add_rooms(journal, bench, month, [id for id in mine if month.pours[id].room_c is None])
    pours = [month.pours[id] for id in mine]
    return [
        (pour, pour.kick_s if pour.room_c is None else at_label_temp_s(pour.kick_s, pour.room_c, lot.label))
        for pour in pours if pour.kick_s is not None
    ]  # fmt: skip


async def _fills(journal: Readable, bench: Bench, loads: Sequence[LoadRecord]) -> list[Fill]:
    """The fills of the week's last holds that were shut and did not leak."""
    held = [load for load in loads if load.isolated_t is not None and load.leak is None][-MOST_HOLDS:]
    book = Logbook(journal)
    return [fill for load in held for fill in await fills_of(book, bench, load.closed_t)]
