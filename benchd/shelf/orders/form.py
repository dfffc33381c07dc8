"""Writes orders as plain data for their file and the page, and reads them back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from benchd.core.bench.local_day import day_from_text, day_text
from benchd.shelf.orders import Order

FORM = 0


class OddOrder(ValueError):
    """A stored order that cannot be read; the text names the key."""


def orders_body(orders: list[Order]) -> dict[str, Any]:
    """The orders as plain data: {"orders": 0, "items": [...]}."""
    return {"orders": FORM, "items": [order_body(order) for order in orders]}


def order_body(order: Order) -> dict[str, Any]:
    """One order; times unix s, the day as "2026-01-30"."""
    return {
        "code": order.code, "parts": dict(order.parts), "figures": order.figures,
        "by": None if order.by is None else day_text(order.by), "price": order.price, "taken_t": order.taken_t,
        "done_t": order.done_t, "trimmed": dict(order.trimmed), "spoiled": dict(order.spoiled),
    }  # fmt: skip


def orders_from_body(body: object) -> list[Order]:
    """The orders of plain data.  Raises OddOrder."""
    if not isinstance(body, dict) or body.get("orders") != FORM or not isinstance(body.get("items"), list):
        raise OddOrder(f'"orders" is not {FORM}: it is of another version, or no file of orders')
    return [_order(item, n) for n, item in enumerate(body["items"], 1)]


def _order(item: object, n: int) -> Order:
    if not isinstance(item, dict) or not isinstance(item.get("code"), str):
        raise OddOrder(f"items[{n}]: no order with a code")
    where = f"items[{n}] ({item['code']})"
    try:
        by = item.get("by")
        return Order(
            code=item["code"], parts=_counts(item["parts"]), figures=_whole(item["figures"]),
            by=None if by is None else _day(by), price=_number(item.get("price")),
            taken_t=_number(item["taken_t"]) or 0.0, done_t=_number(item.get("done_t")),
            trimmed=_counts(item.get("trimmed", {})), spoiled=_counts(item.get("spoiled", {})),
        )  # fmt: skip
    except KeyError as error:
        raise OddOrder(f"{where}: {error.args[0]} is missing") from None
    except (TypeError, ValueError, AttributeError) as error:
        raise OddOrder(f"{where}: {error}") from None


def _day(written: str) -> int:
    day = day_from_text(written)
    if day is None:
        raise ValueError(f"{written!r} is not a day")
    return day


def _counts(found: Mapping[str, object]) -> dict[str, int]:
    return {str(mold).lower(): _whole(count) for mold, count in found.items()}


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 10**6:
        raise ValueError(f"{value!r} is not a count")
    return value


def _number(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value < 0:
        raise ValueError(f"{value!r} is not a number of zero or more")
    return float(value)
