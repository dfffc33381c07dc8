"""Stores the orders in orders.json beside the journal, never half written, and changes them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from benchd.core.bench import Bench
from benchd.core.bench.local_day import day_number
from benchd.errors import BenchdError
from benchd.runtime.files.beside import ORDERS
from benchd.runtime.files.whole_file import put_whole
from benchd.runtime.history.casts import casts_so_far
from benchd.runtime.journal.asked import asked_apart
from benchd.runtime.journal.reader import Readable
from benchd.shelf.orders import Order
from benchd.shelf.orders.book import OrderBook, book_of
from benchd.shelf.orders.edit import Asked, edited
from benchd.shelf.orders.form import OddOrder, orders_body, orders_from_body

LARGEST_BYTES = 16 * 2**20


class OrdersUnreadable(BenchdError):
    """The file of orders cannot be read; it is left as it is, and nothing is written over it."""


def read_orders(folder: Path) -> list[Order]:
    """The orders kept in this folder; none without a file.  Raises OrdersUnreadable."""
    path = folder / ORDERS
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise OrdersUnreadable(f"{path}: is larger than {LARGEST_BYTES} bytes; move it away, or restore a backup")
        return orders_from_body(json.loads(path.read_bytes()))
    except FileNotFoundError:
        return []
    except OSError as error:
        raise OrdersUnreadable(f"{path}: cannot be read: {error.strerror or error}") from error
    except (OddOrder, ValueError, RecursionError) as error:
        raise OrdersUnreadable(f"{path}: {error}; mend that key, or restore the file from a backup") from error


def write_orders(folder: Path, orders: list[Order]) -> None:
    """Store the orders.  Raises OSError; those before are then unchanged."""
    text = json.dumps(orders_body(orders), ensure_ascii=False, allow_nan=False, indent=1)
    put_whole(folder / ORDERS, text.encode())


async def order_book(journal: Readable | None, bench: Bench, orders: Sequence[Order], now_t: float) -> OrderBook:
    """The orders and how far each is; without a journal nothing is cast.

    Nothing of the journal is read for a bench without orders.  Raises JournalError.
    """
    casts = [] if journal is None or not orders else await casts_so_far(journal)
    return book_of(orders, casts, bench, now_t)


async def book_apart(journal: Readable | None, bench: Bench, orders: Sequence[Order], now_t: float) -> OrderBook:
    """As `order_book`, in a thread of its own: of a thousand orders it takes a third of a second."""
    if journal is None or not orders:
        return await order_book(None, bench, orders, now_t)
    return await asked_apart(journal, lambda rows: order_book(rows, bench, orders, now_t))


async def change_orders(
    folder: Path, journal: Readable | None, bench: Bench, asked: Asked, now_t: float
) -> OrderBook:  # fmt: skip
    """Make one change and store it; returns the book after it.

    Raises OrderRefused, OrdersUnreadable or JournalError, OSError where it is not stored; nothing is changed then.
    """
    orders = read_orders(folder)
    book = await book_apart(journal, bench, orders, now_t)
    fresh = edited(orders, asked, bench, book.lines, now_t, day_number(bench.utc_offsets, now_t))
    after = await book_apart(journal, bench, fresh, now_t)
    write_orders(folder, fresh)
    return after
