"""Reports what is to be cast tomorrow, and what has to be dried, bought, shaken or warmed for it.

Wanted are the casts of today's run sheet that were not mixed or were left out, what the orders want of the day, and
parts that came out scrap and were not cast again.  They are planned as any day, for the morning and at the temperature
the sheet was made for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from benchd.core.bench import Bench, Lot
from benchd.core.bench.local_day import DAY_S
from benchd.reports import plain
from benchd.reports.balance import left_of, used_g
from benchd.reports.records import Records
from benchd.reports.shelf_pages import to_buy
from benchd.reports.writer import Document
from benchd.shelf.orders.book import OrderBook, words_of
from benchd.shelf.plan import Plan, plan
from benchd.shelf.plan.sheet import Sheet, spoken
from benchd.shelf.plan.slip import waiting
from benchd.shelf.plan.wish import MOST_CASTS, CannotPlan, Wish, ask_of
from benchd.shelf.remains import Spent

MORNING_S = 9 * 3600.0  # when a day at the bench begins, if nobody says; common practice, no source
MOST_BRANCHES = 20_000  # under a second: a report, not the plan the bench will follow
DAMP_BACK_S = 12 * 3600.0

Row = tuple[str, str, str]


def tomorrow_page(
    bench: Bench, records: Records, now_t: float, sheet: Sheet | None, orders: OrderBook | None = None
) -> Document:
    """The report for the day after now_t [unix s]; sheet: the run sheet as kept, None when there is none."""
    today_t = bench.midnight_t(now_t)
    midnight_t = bench.midnight_t(today_t + 1.5 * DAY_S)
    is_todays = sheet is not None and sheet.made_t >= today_t
    kept = sheet if is_todays else None
    document = Document(f"Tomorrow, {plain.day_of(bench, midnight_t + 0.5 * DAY_S)}", "tomorrow", "next")
    again = _scrap(records, today_t)
    ordered = {} if orders is None else orders.casts_tomorrow()
    wanted = _with_orders([*_open_casts(kept), *(id for id in again if id not in _open_casts(kept))], ordered)
    if ordered:
        document.say(f"For the orders: {' '.join(words_of(ordered, bench))}.")
    made = _planned(bench, records, wanted, kept, midnight_t + MORNING_S, document)
    if made is not None:
        _loads(document, made)
    prepare = _prepare(bench, records, made, today_t, now_t)
    document.table(("what", "why", "do"), prepare, "Tonight and before the first pour")
    document.table(("what", "why", "do"), to_buy(bench, records, now_t), "To buy, to make")
    document.data = {
        "wanted": wanted,
        "again": again,
        "ordered": dict(ordered),
        "loads": [] if made is None else [list(placed.loading.mold_ids) for placed in made.loads],
        "prepare": [list(row) for row in prepare],
    }
    return document


def _open_casts(sheet: Sheet | None) -> list[str]:
    """The sheet's casts that were asked for and not mixed."""
    if sheet is None:
        return []
    return [m.mold for load in waiting(sheet) for m in load.asked] + [out.mold for out in sheet.left_out]


def _with_orders(wanted: Sequence[str], ordered: Mapping[str, int]) -> list[str]:
    """The casts wanted anyway, and what the orders want beyond them: an order's scrap is in both, and cast once."""
    counted = Counter(wanted)
    more = {mold: max(casts - counted[mold], 0) for mold, casts in ordered.items()}
    return [*wanted, *(mold for mold, casts in more.items() for _ in range(casts))]


def orders_plan(bench: Bench, records: Records, orders: OrderBook, now_t: float) -> Plan | None:
    """The plan of what the orders want of tomorrow; None when they want nothing, or it cannot be planned."""
    wanted = _with_orders((), orders.casts_tomorrow())
    start_t = bench.midnight_t(bench.midnight_t(now_t) + 1.5 * DAY_S) + MORNING_S
    return _planned(bench, records, wanted, None, start_t, Document("")) if wanted else None


def _scrap(records: Records, since_t: float) -> list[str]:
    """Molds whose newest part of today is scrap."""
    newest = {part.mold: part for part in records.parts() if part.mix_t >= since_t}
    return [mold for mold, part in newest.items() if part.grade == "scrap"]


def _planned(
    bench: Bench, records: Records, wanted: Sequence[str], sheet: Sheet | None, start_t: float,
    document: Document,
) -> Plan | None:  # fmt: skip
    """The plan of what is wanted, said in its one line; None, with why, when there is none."""
    known = [mold.code for id in wanted if (mold := bench.mold(id)) is not None][:MOST_CASTS]
    if not known:
        document.say("No cast is open: plan the day with `benchd plan` or on the Bench page.", is_strong=True)
        return None
    temp_c = None if sheet is None else sheet.temp_c
    wish = Wish(molds=tuple(known), temp_c=temp_c, start_t=start_t, why="tomorrow")
    try:
        made = plan(ask_of(wish, bench, _spent(bench, records), bench.learned), None, lambda n: n < MOST_BRANCHES)
    except CannotPlan as error:
        document.say(f"It cannot be planned: {error}.", is_strong=True)
        return None
    document.say(spoken(made), is_strong=True)
    warm = plain.warmth(bench, made.ask.temp_c)
    document.say(f"Planned for {warm}; plan it again in the morning, at the room's own temperature.")
    return made


def _spent(bench: Bench, records: Records) -> Spent:
    pours = list(records.pours.values())
    casts = Counter(mold for pour in pours for mold in pour.molds)
    return Spent(casts=casts, lot_g={lot.id: used_g(lot.id, pours, lot.left_since) for lot in bench.lots})


def _loads(document: Document, made: Plan) -> None:
    rows = []
    for number, placed in enumerate(made.loads, 1):
        load, batch = placed.loading, placed.loading.batch
        lot = load.ask.lot.code if load.ask.lot else load.ask.label.name
        codes = " ".join(part.mold.code for part in load.parts)
        grams = f"A {batch.a_g:.1f} g, B {batch.b_g:.1f} g of {lot}"
        rows.append((str(number), codes, grams, f"{load.margin_s:.0f} s"))
    document.table(("load", "molds, in order", "mix", "to spare"), rows, "Loads")
    document.table(
        ("mold", "left out because it"), [(f"{out.mold.code} {out.mold.name}", out.why) for out in made.left_out]
    )
    for note in made.notes:
        document.say(note)


def _prepare(bench: Bench, records: Records, made: Plan | None, today_t: float, now_t: float) -> list[Row]:
    """Each thing to do: common practice unless the words say where from (trade's own rules, no source)."""
    rows = [] if made is None else [*_resin(bench, records, made), *_molds(bench, made, records, today_t)]
    damp = [a for a in records.air if a.end_t is None or a.end_t >= now_t - DAMP_BACK_S]
    if damp:
        worst = max(damp, key=lambda a: a.rh_pct)
        why = f"{plain.air(bench, worst)} today"
        rows.append(("room and tank", why, "dry the room; cool, dump and refill the tank; cap the resin"))
    if made is not None:
        rows.append(("compressor tank", "water collects in it within a day", "drain it"))
    return rows


def _resin(bench: Bench, records: Records, made: Plan) -> list[Row]:
    lots: dict[str, tuple[Lot, float]] = {}
    for placed in made.loads:
        lot = placed.loading.ask.lot
        if lot is not None:
            lots[lot.id] = (lot, lots.get(lot.id, (lot, 0.0))[1] + placed.loading.batch.batch_g)
    rows = []
    for lot, grams in lots.values():
        left = left_of(lot, records.pours.values())
        why = f"{grams:.0f} g wanted" + ("" if left is None else f", {left:.0f} g left")
        rows.append(
            (
                lot.code,
                why,
                f"shake A and B apart tonight, to let the bubbles out; at {plain.label_warmth(bench)} before the pour",
            )
        )
    return rows


def _molds(bench: Bench, made: Plan, records: Records, today_t: float) -> list[Row]:
    molds = {part.mold.id: part.mold for placed in made.loads for part in placed.loading.parts}
    codes = " ".join(mold.code for mold in molds.values())
    oven = f"at {plain.warmth(bench, 50.0).split()[0]} to {plain.warmth(bench, 60.0)}"
    rows = [(codes, "to be poured", f"dry overnight if washed or water-tested, or 1 to 2 h {oven}; clean keys")]
    rows += [
        (mold.code, f"poured at {plain.warmth(bench, mold.warm_c)}", "warm it just before the pour")
        for mold in molds.values() if mold.warm_c is not None
    ]  # fmt: skip
    today = Counter(part.mold for part in records.parts() if part.mix_t >= today_t)
    rested = [mold.code for mold in molds.values() if today[mold.id] >= mold.casts_a_day]
    if rested:
        rows.append((" ".join(rested), "cast as often as a day allows", "let it rest open until the morning"))
    return rows
