"""Reports the orders: how far each is, when its casts can be made, what waits to be trimmed; and the day's share."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.core.bench import Bench
from benchd.core.bench.local_day import day_text
from benchd.reports import plain
from benchd.reports.writer import Document
from benchd.shelf.orders import Order
from benchd.shelf.orders.book import OrderBook, words_of
from benchd.shelf.orders.shown import book_body
from benchd.shelf.plan import Plan

MOST_SHOWN = 60


def orders_page(bench: Bench, book: OrderBook) -> Document:
    """The report of all orders that are not done."""
    document = Document("Orders", "orders", "all")
    opened = book.open()
    if not book.orders:
        document.say("No order is kept. Write one: benchd orders add Q7 M01 M02x2 --figures 24", is_strong=True)
        return document
    figures = sum(order.figures for order in opened)
    left = sum(line.to_cast for order in opened for line in book.lines[order.id])
    document.say(
        f"{_many(len(opened), 'order')} open, {_many(figures, 'figure')}: {_many(left, 'cast')} to make.", True
    )
    document.say(f"Days counted at {book.a_day} casts a day, and each mold's own casts a day.")
    for order in opened[:MOST_SHOWN]:
        _order(document, bench, book, order)
    if len(opened) > MOST_SHOWN:
        document.say(f"And {len(opened) - MOST_SHOWN} more: benchd orders lists them all.")
    _trim(document, bench, book, opened)
    document.data = book_body(book, bench)
    return document


def _many(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _order(document: Document, bench: Bench, book: OrderBook, order: Order) -> None:
    ready = book.ready_by(order)
    head = [f"{order.code}: {_many(order.figures, 'figure')}", book.state(order)]
    head += [f"by {day_text(order.by)}"] if order.by is not None else []
    head += [f"last cast {day_text(ready)}"] if ready is not None else []
    document.table(
        ("part", "wanted", "good", "curing", "to cast"),
        [
            (plain.mold_name(bench, line.mold), str(line.wanted), str(line.good), str(line.curing), str(line.to_cast))
            for line in book.lines[order.id]
        ],
        ", ".join(head),
    )  # fmt: skip
    for why in book.warnings(order, bench):
        document.say(f"{order.code}: {why}.")


def _trim(document: Document, bench: Bench, book: OrderBook, opened: Sequence[Order]) -> None:
    rows = [
        (order.code, plain.mold_name(bench, line.mold), str(line.to_trim))
        for order in opened for line in book.lines[order.id] if line.to_trim
    ]  # fmt: skip
    document.table(("order", "part", "to trim"), rows, "To trim")


def add_orders(document: Document, bench: Bench, book: OrderBook, tomorrow: Plan | None) -> None:
    """Add to a day's report how far the orders are, what they need tomorrow, and how much of which lot that takes."""
    opened = book.open()
    if not opened:
        return
    rows = []
    for order in opened[:MOST_SHOWN]:
        lines = book.lines[order.id]
        sums = (sum(n) for n in zip(*((x.wanted, x.good, x.trimmed, x.to_cast) for x in lines), strict=True))
        by = plain.UNKNOWN if order.by is None else day_text(order.by)
        rows.append((order.code, *(str(n) for n in sums), by))
    document.table(("order", "wanted", "good", "trimmed", "to cast", "by"), rows, "Orders, in casts")
    wanted = words_of(book.casts_tomorrow(), bench)
    document.facts(
        ("orders want tomorrow", " ".join(wanted) or "nothing more to cast"),
        ("that takes", None if tomorrow is None else ", ".join(f"{g:.0f} g of {c}" for c, g in lot_grams(tomorrow))),
    )
    late = [f"{order.code}: {why}" for order in opened for why in book.warnings(order, bench)]
    document.facts(("orders in danger", "; ".join(late[:12]) or None))


def lot_grams(made: Plan) -> list[tuple[str, float]]:
    """(lot, grams mixed from it) of a plan, in the order used."""
    grams: dict[str, float] = {}
    for placed in made.loads:
        ask = placed.loading.ask
        code = ask.lot.code if ask.lot else ask.label.name
        grams[code] = grams.get(code, 0.0) + placed.loading.batch.resin_g
    return list(grams.items())
