"""Finds the report that is asked for: kind and id to a document, read from the journal."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TypeVar

from benchd.core.bench import Bench, Lot, Mold
from benchd.core.bench.local_day import DAY_S
from benchd.errors import ReportError, no_such
from benchd.reports import plain
from benchd.reports.cost_page import cost_page
from benchd.reports.course_read import load_pressures, read_course
from benchd.reports.day_page import add_blame, day_page
from benchd.reports.load_page import load_page, pour_page
from benchd.reports.orders_page import add_orders, orders_page
from benchd.reports.records import Part, Records
from benchd.reports.records_read import read_records
from benchd.reports.records_room import add_gels, add_rooms, histories_of, kicks_of
from benchd.reports.scrap_page import scrap_page
from benchd.reports.shelf_pages import leaks_page, lot_page, mold_page, shopping_page
from benchd.reports.tomorrow_page import orders_plan, tomorrow_page
from benchd.reports.trim_page import trim_page
from benchd.reports.week.read import make_week
from benchd.reports.writer import Document
from benchd.runtime.history.casts import casts_so_far
from benchd.runtime.history.marks import marks_that_stood
from benchd.runtime.history.numbered import Kind, NotOnRecord, named
from benchd.runtime.history.remedies import remedies_so_far
from benchd.runtime.journal.age.keep import GONE, gone_from, no_longer_kept
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.runtime.watch.orders_file import order_book
from benchd.shelf.orders import Order
from benchd.shelf.orders.book import book_of
from benchd.shelf.plan.sheet import Sheet

KINDS = (
    "load",
    "pour",
    "part",
    "day",
    "week",
    "mold",
    "lot",
    "leaks",
    "scrap",
    "orders",
    "trim",
    "cost",
    "shopping",
    "tomorrow",
)
Record = TypeVar("Record")
BACK_S = 400 * DAY_S
"""How far back the reports over many days look."""
_UNIX_S = re.compile(r"-(\d{9,11})$")


async def make_report(
    journal: Readable,
    bench: Bench,
    kind: str,
    id: str,
    now_t: float,
    sheet: Sheet | None = None,
    orders: Sequence[Order] = (),
) -> Document:
    """The document of a kind and id ("last", "today", a date, a code; a part is MOLD@POUR); sheet, orders: as kept.

    Raises ReportError when nothing has that name, JournalError when the journal cannot be read.
    """
    if kind not in KINDS:
        raise ReportError(no_such("report", kind, KINDS))
    if kind == "day":
        return await _day(journal, bench, id, now_t, orders)
    if kind == "week":
        return await make_week(journal, bench, id, now_t)
    if kind in ("load", "pour", "part"):
        return await _cast(journal, bench, kind, id, now_t)
    if kind == "orders":
        return orders_page(bench, await order_book(journal, bench, orders, now_t))
    if kind == "trim":
        return await _trim(journal, bench, now_t, orders)
    if kind == "tomorrow":
        book = await order_book(journal, bench, orders, now_t)
        return tomorrow_page(bench, await read_records(journal, now_t - BACK_S, now_t), now_t, sheet, book)
    return await _over_records(journal, bench, kind, id, now_t, orders)


async def _trim(journal: Readable, bench: Bench, now_t: float, orders: Sequence[Order]) -> Document:
    """What is out and not trimmed."""
    casts = await casts_so_far(journal)
    marks = await marks_that_stood(journal, now_t - BACK_S)
    trimmed = [(str(mark.get("mold", "")).lower(), t) for t, mark in marks if mark.get("verb") == "trimmed"]
    return trim_page(bench, book_of(orders, casts, bench, now_t), casts, trimmed, now_t)


async def _over_records(
    journal: Readable, bench: Bench, kind: str, id: str, now_t: float, orders: Sequence[Order]
) -> Document:
    """What is told of all that was cast in the past BACK_S."""
    records = await read_records(journal, now_t - BACK_S, now_t)
    if kind == "cost":
        return cost_page(bench, records, orders)
    if kind == "scrap":
        await add_rooms(journal, bench, records)
        return scrap_page(bench, records)
    if kind == "shopping":
        return shopping_page(bench, records, now_t)
    if kind == "mold":
        mold = _mold(bench, id)
        tried = (await remedies_so_far(journal, now_t - BACK_S)).get(mold.id, ())
        return mold_page(bench, records, mold, histories_of(bench, records), tried)
    if kind == "lot":
        lot = _lot(bench, id)
        return lot_page(bench, records, lot, now_t, await kicks_of(journal, bench, records, lot))
    return _leaks(bench, records, id)


def _mold(bench: Bench, id: str) -> Mold:
    if "," in id:
        raise ReportError(f'"{id}" are several; ask for one: report mold {id.split(",")[0]}')
    mold = bench.mold(id.lower())
    if mold is None and id == "last" and bench.molds:
        raise ReportError(f"which mold? write for example: benchd report mold {bench.molds[0].code}")
    if mold is None:
        raise ReportError(no_such("mold", id, [m.code for m in bench.molds], "the shelf has none"))
    return mold


def _lot(bench: Bench, id: str) -> Lot:
    lot = bench.lot(id.lower())
    if lot is None and id == "last" and bench.lots:
        raise ReportError(f"which lot? write for example: benchd report lot {bench.lots[0].code}")
    if lot is None:
        raise ReportError(no_such("lot", id, [x.code for x in bench.lots], "the shelf has none"))
    return lot


def _leaks(bench: Bench, records: Records, id: str) -> Document:
    low = id.lower()
    pot = bench.pot(low) or (bench.pots[0] if low in ("", "last") and len(bench.pots) == 1 else None)
    if pot is None:
        raise ReportError(no_such("pot", id, [p.id for p in bench.pots], "the bench has none"))
    return leaks_page(bench, records, pot)


async def _day(journal: Readable, bench: Bench, id: str, now_t: float, orders: Sequence[Order]) -> Document:
    first_t = await _midnight(journal, bench, id, now_t)
    records = await read_records(journal, first_t, first_t + DAY_S - 1e-3)
    await add_rooms(journal, bench, records)
    await add_gels(journal, records, {part.pour: None for part in records.parts() if part.grade not in (None, "good")})
    pressures = await load_pressures(journal, bench, records)
    document = day_page(bench, records, plain.day_of(bench, first_t + DAY_S / 2), pressures)
    await _say_gone(journal, document, first_t)
    if orders and first_t == bench.midnight_t(now_t):
        book, year = await order_book(journal, bench, orders, now_t), await read_records(journal, now_t - BACK_S, now_t)
        add_orders(document, bench, book, orders_plan(bench, year, book, now_t))
    return document


async def _midnight(journal: Readable, bench: Bench, id: str, now_t: float) -> float:
    """When the local day began [unix s]."""
    if id == "last":
        rows = await journal.rows("SELECT max(t) FROM effects WHERE name IN ('pour_started', 'load_closed')")
        at = float(rows[0][0]) if rows and rows[0][0] is not None else now_t
    elif id in ("", "today", "yesterday"):
        at = now_t if id != "yesterday" else bench.midnight_t(now_t) - DAY_S / 2
    else:
        try:
            noon = datetime.strptime(id, "%Y-%m-%d").replace(hour=12, tzinfo=UTC).timestamp()
        except ValueError:
            raise ReportError(f'no day "{id}"; write today, yesterday, last, or a date as 2026-01-05') from None
        at = noon - bench.utc_offset_s(noon)
    return bench.midnight_t(at)


async def _cast(journal: Readable, bench: Bench, kind: str, id: str, now_t: float) -> Document:
    at = _UNIX_S.search(id)
    since_t = float(at[1]) - DAY_S if at else now_t - BACK_S
    until_t = float(at[1]) + DAY_S if at else now_t
    if kind == "part":
        # a mold's history counts for the part: all that came before it is read
        records = await read_records(journal, until_t - BACK_S, until_t)
        mine = [_bad_part(records, id).pour]
        await add_rooms(journal, bench, records, mine)
        await add_gels(journal, records, mine)
        document = _part(bench, records, id)
        await _say_gone(journal, document, records.pours[mine[0]].mix_t)
        return document
    id = await _numbered(journal, bench, "load" if kind == "load" else "pour", id)
    at = _UNIX_S.search(id)
    since_t = (float(at[1]) if at else await _begun(journal, kind, id, now_t)) - DAY_S
    records = await read_records(journal, since_t, since_t + 2 * DAY_S)
    if kind == "pour":
        pour = _on_record(records.pours, kind, id)
        document, begun_t = pour_page(bench, records, pour), pour.mix_t
    else:
        load = _on_record(records.loads, kind, id)
        document, begun_t = (
            load_page(bench, records, load, await read_course(journal, bench, records, load)),
            load.closed_t,
        )
    await _say_gone(journal, document, begun_t)
    return document


async def _say_gone(journal: Readable, document: Document, since_t: float) -> None:
    """Say what `[journal]` had deleted of the time that the document is about, from since_t [unix s] on."""
    said = no_longer_kept(gone_from(await Logbook(journal).meta(GONE)), since_t)
    if said:
        document.say(said)


async def _numbered(journal: Readable, bench: Bench, kind: Kind, id: str) -> str:
    try:
        return await named(journal, bench, kind, id)
    except NotOnRecord as error:
        raise ReportError(str(error)) from error


async def _begun(journal: Readable, kind: str, id: str, now_t: float) -> float:
    """When a load or pour began [unix s]."""
    rows = await journal.rows(f"SELECT min(t) FROM effects WHERE {kind} = ?", (id,))
    return float(rows[0][0]) if rows and rows[0][0] is not None else now_t


def _on_record(known: Mapping[str, Record], kind: str, id: str) -> Record:
    """Its record.  Raises ReportError for one that was taken back."""
    if id not in known:
        raise ReportError(f'{kind} "{id}" was taken back: it has no report')
    return known[id]


def _bad_part(records: Records, id: str) -> Part:
    """The part that is asked for.  Raises ReportError."""
    parts = records.parts()
    mold, _, pour = id.lower().partition("@")
    mine = [p for p in parts if p.grade not in (None, "good")] if id == "last" else [
        p for p in parts if p.mold == mold and pour in ("", p.pour)
    ]  # fmt: skip
    if not mine:
        raise ReportError(f'no part "{id}"; write MOLD@POUR, MOLD for its newest, or last for the newest bad one')
    return mine[-1]


def _part(bench: Bench, records: Records, id: str) -> Document:
    """A bad part and its suspects."""
    part = _bad_part(records, id)
    name = plain.mold_name(bench, part.mold)
    document = Document(f"{name}, {plain.day_of(bench, part.mix_t)}: {plain.outcome(part)}", "part", id)
    if part.grade in (None, "good") or part.cause is None:
        document.say("Nothing to blame: it is good, or no cause was recorded.")
    add_blame(document, bench, records, part)
    document.data = {"mold": part.mold, "pour": part.pour, "grade": part.grade, "cause": part.cause}
    return document
