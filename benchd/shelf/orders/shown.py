"""Shows the book of orders as plain data: what the page, the command and a script read.

    {"orders": [ORDER, ...],          open ones first, as parts are given to them; then those done, newest first
     "more": 0,                       done orders that are not listed
     "a_day": 12,                     casts a day this bench is taken to make
     "today": ["M01x3", "M02"],       what the orders want of today, as `benchd plan` is asked
     "tomorrow": [...]}

ORDER: {"code", "figures", "by": "2026-01-30" | null, "price": 480.0 | null, "state": "to cast" | "curing" | "cast" |
"trimmed" | "done", "cast_by": "2026-01-28" | null, "taken_t", "done_t": unix s | null, "warnings": [text],
"parts": [{"mold": "m01", "code": "M01", "name", "each", "wanted", "good", "curing", "trimmed", "to_cast"}]}
"""

from __future__ import annotations

from typing import Any

from benchd.core.bench import Bench
from benchd.core.bench.local_day import day_text
from benchd.shelf.orders import Line, Order
from benchd.shelf.orders.book import OrderBook, words_of

MOST_DONE = 50


def book_body(book: OrderBook, bench: Bench) -> dict[str, Any]:
    """The book as plain data."""
    done = sorted((o for o in book.orders if o.done_t is not None), key=lambda o: -(o.done_t or 0.0))
    shown = [*book.open(), *done[:MOST_DONE]]
    return {
        "orders": [_order(book, order, bench) for order in shown],
        "more": max(len(done) - MOST_DONE, 0),
        "a_day": book.a_day,
        "today": words_of(book.casts_on(0), bench),
        "tomorrow": words_of(book.casts_on(1), bench),
    }


def _order(book: OrderBook, order: Order, bench: Bench) -> dict[str, Any]:
    ready = book.ready_by(order)
    return {
        "code": order.code, "figures": order.figures, "by": None if order.by is None else day_text(order.by),
        "price": order.price, "state": book.state(order), "cast_by": None if ready is None else day_text(ready),
        "taken_t": order.taken_t, "done_t": order.done_t, "warnings": book.warnings(order, bench),
        "parts": [_part(order, line, bench) for line in book.lines[order.id]],
    }  # fmt: skip


def _part(order: Order, line: Line, bench: Bench) -> dict[str, Any]:
    mold = bench.mold(line.mold)
    return {
        "mold": line.mold, "code": mold.code if mold else line.mold.upper(), "name": mold.name if mold else "",
        "each": order.parts[line.mold], "wanted": line.wanted, "good": line.good, "curing": line.curing,
        "trimmed": line.trimmed, "to_cast": line.to_cast,
    }  # fmt: skip
