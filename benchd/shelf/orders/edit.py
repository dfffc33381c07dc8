"""Changes the orders as the caster asks, or says what is wrong with what was asked and what to write instead."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from benchd.core.bench import Bench
from benchd.core.bench.local_day import day_from_text, day_text
from benchd.errors import BenchdError, no_such
from benchd.shelf.orders import Line, Order

ACTIONS = ("add", "change", "trimmed", "spoiled", "done", "reopen", "drop")
MOST_ORDERS = 5000
MOST_FIGURES = 1000
MOST_EACH = 99
DEAREST = 1e6
CODE = re.compile(r"[A-Za-z0-9-]{1,32}", re.ASCII)
WORD = re.compile(r"([A-Za-z0-9-]{1,32}?)(?:[x*](\d{1,6}))?", re.ASCII)


class OrderRefused(BenchdError):
    """The change cannot be made; the orders are as they were.  `field` names what is wrong."""

    def __init__(self, field: str, why: str) -> None:
        self.field = field
        super().__init__(why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was typed: one action on one order; None where nothing was."""

    action: str
    code: str
    molds: tuple[str, ...] = ()
    """M01, or M01x2: twice in one figure; of `trimmed` and `spoiled` two parts."""
    figures: int | None = None
    by: str | None = None
    """A local date, "2026-01-30"; "" takes it off again."""
    price: float | None = None


def edited(
    orders: Sequence[Order], asked: Asked, bench: Bench, lines: Mapping[str, Sequence[Line]], now_t: float, today: int
) -> list[Order]:
    """The orders after the change, at now_t [unix s] of day `today` (core/bench/local_day).  Raises OrderRefused."""
    if asked.action not in ACTIONS:
        raise OrderRefused("do", no_such("action", asked.action, ACTIONS))
    if CODE.fullmatch(asked.code) is None:
        raise OrderRefused("code", f'"{asked.code[:40]}" is no code: letters, digits and -, at most 32, as in Q7')
    at = next((i for i, order in enumerate(orders) if order.id == asked.code.lower()), None)
    if asked.action == "add":
        return [*orders, _added(orders, asked, bench, now_t, today, at is not None)]
    if at is None:
        known = [order.code for order in orders if order.done_t is None]
        raise OrderRefused("code", no_such("order", asked.code, known, "there is none: benchd orders add CODE M01x24"))
    fresh = _changed(orders[at], asked, bench, lines.get(orders[at].id, ()), now_t, today)
    return [order for order in (*orders[:at], fresh, *orders[at + 1 :]) if order is not None]


def _added(
    orders: Sequence[Order], asked: Asked, bench: Bench, now_t: float, today: int, is_taken: bool
) -> Order:  # fmt: skip
    if is_taken:
        raise OrderRefused("code", f"order {asked.code} is there already: choose another code, or `change` it")
    if len(orders) >= MOST_ORDERS:
        raise OrderRefused("code", f"{MOST_ORDERS} orders are kept already: drop those that are done")
    if not asked.molds:
        raise OrderRefused("molds", "no part is named: give its mold, as in M01 M02x2")
    blank = Order(code=asked.code, parts=_parts(asked.molds, bench), taken_t=now_t)
    return _described(blank, asked, today)


def _changed(order: Order, asked: Asked, bench: Bench, lines: Sequence[Line], now_t: float, today: int) -> Order | None:
    match asked.action:
        case "drop":
            return None
        case "done":
            return replace(order, done_t=order.done_t or now_t)
        case "reopen":
            return replace(order, done_t=None)
        case "trimmed":
            counts = {line.mold: line.to_trim for line in lines}
            return replace(order, trimmed=_more(order.trimmed, order, asked, bench, counts, "waits to be trimmed"))
        case "spoiled":
            counts = {line.mold: line.good for line in lines}
            spoiled = _more(order.spoiled, order, asked, bench, counts, "is there")
            trimmed = {m: min(n, counts[m] - spoiled[m] + order.spoiled.get(m, 0)) if m in spoiled else n
                       for m, n in order.trimmed.items()}  # fmt: skip
            return replace(order, spoiled=spoiled, trimmed=trimmed)
    parts = _parts(asked.molds, bench) if asked.molds else order.parts
    return _described(replace(order, parts=parts), asked, today)


def _described(order: Order, asked: Asked, today: int) -> Order:
    """The order with figures, day and price as typed."""
    figures = order.figures if asked.figures is None else asked.figures
    if not 1 <= figures <= MOST_FIGURES:
        raise OrderRefused("figures", f"{figures} figures are no order: give 1 to {MOST_FIGURES}")
    price = order.price if asked.price is None else asked.price
    if price is not None and not (math.isfinite(price) and 0.0 <= price <= DEAREST):
        raise OrderRefused("price", f"{price:g} is no price: give 0 or more, for the whole order")
    by = order.by if asked.by is None else _day(asked.by, today)
    return replace(order, figures=figures, price=price, by=by)


def _day(written: str, today: int) -> int | None:
    text = written.strip()
    if not text:
        return None
    by = day_from_text(text)
    if by is None:
        raise OrderRefused("by", f'"{written[:40]}" is no day: write it as {day_text(today)}')
    if by < today:
        raise OrderRefused("by", f"{text} is past, today is {day_text(today)}: give a later day, or none")
    return by


def _parts(words: Sequence[str], bench: Bench) -> dict[str, int]:
    parts: dict[str, int] = {}
    for mold, count in _counted(words, bench):
        parts[mold] = parts.get(mold, 0) + count
    most = max(parts.values(), default=1)
    if most > MOST_EACH:
        raise OrderRefused("molds", f"{most} of one part in one figure: give 1 to {MOST_EACH}, and --figures for more")
    return parts


def _counted(words: Sequence[str], bench: Bench) -> list[tuple[str, int]]:
    """(mold id, how many) of each word, M01 or M01x2; a mold whose code ends that way is taken by its code."""
    out = []
    for word in (each.strip() for written in words for each in written.split(",") if each.strip()):
        found = WORD.fullmatch(word)
        code, count = (word, 1) if bench.mold(word.lower()) or found is None else (found[1], int(found[2] or 1))
        mold = bench.mold(code.lower())
        if mold is None:
            known = [each.code for each in bench.molds]
            raise OrderRefused("molds", f"no mold makes it: {no_such('mold', code[:40], known, 'the shelf has none')}")
        if count < 1:
            raise OrderRefused("molds", f"{word}: ask for 1 or more")
        out.append((mold.id, count))
    return out


def _more(
    held: Mapping[str, int], order: Order, asked: Asked, bench: Bench, there: Mapping[str, int], words: str
) -> dict[str, int]:
    """The counts with those typed added; all that there is where none is typed.  No more than there is."""
    counted = _counted(asked.molds, bench) if asked.molds else [(m, n) for m, n in there.items() if n]
    if not asked.molds and asked.action == "spoiled":
        raise OrderRefused("molds", "which part? write for example: benchd orders spoiled Q7 M02")
    _refuse_others({mold for mold, _ in counted}, order, bench)
    fresh = dict(held)
    for mold, count in counted:
        if count > there.get(mold, 0):
            code = mold.upper()
            raise OrderRefused("molds", f"{count} of {code}, and of order {order.code} {there.get(mold, 0)} {words}")
        fresh[mold] = fresh.get(mold, 0) + count
    return fresh


def _refuse_others(molds: Collection[str], order: Order, bench: Bench) -> None:
    for mold in molds:
        if mold not in order.parts:
            known = [found.code for id in order.parts if (found := bench.mold(id))]
            raise OrderRefused("molds", no_such(f"part of order {order.code} from mold", mold.upper(), known))
