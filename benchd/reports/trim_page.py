"""Reports what is out and not trimmed: what orders wait for, by order, and the last days' other parts by mold.

A part is an order's as shelf/orders counts it, and trimmed there with `benchd orders trimmed`.  Of the others, each
`trimmed` mark of a mold takes the oldest; those older than BACK_S are taken for dealt with.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from benchd.core.bench import Bench
from benchd.core.bench.local_day import DAY_S
from benchd.reports import plain
from benchd.reports.writer import Document
from benchd.shelf.orders import Cast
from benchd.shelf.orders.book import OrderBook

BACK_S = 14 * DAY_S  # common practice, no source


def trim_page(
    bench: Bench, book: OrderBook, casts: Sequence[Cast], trimmed: Sequence[tuple[str, float]], now_t: float
) -> Document:
    """The list; casts: all of the journal, trimmed: (mold, when [unix s]) of each `trimmed` mark."""
    document = Document("To trim", "trim", "now")
    mine = [
        (order.code, line.mold, line.to_trim) for order in book.open() for line in book.lines[order.id] if line.to_trim
    ]
    others = untrimmed(casts, taken_by_orders(book), trimmed, now_t)
    count = sum(n for *_, n in mine) + sum(map(len, others.values()))
    document.say(f"{count} part{'' if count == 1 else 's'} to trim." if count else "Nothing to trim.", is_strong=True)
    document.table(
        ("order", "part", "to trim"), [(code, plain.mold_name(bench, mold), str(n)) for code, mold, n in mine],
        "For orders; say so with: benchd orders trimmed ORDER",
    )  # fmt: skip
    document.table(
        ("part", "to trim", "out since"),
        [(plain.mold_name(bench, mold), str(len(out)), plain.day_of(bench, out[0])) for mold, out in others.items()],
        "For no order; say so with: benchd mark trimmed MOLD",
    )
    document.data = {
        "orders": [{"order": code, "mold": mold, "to_trim": n} for code, mold, n in mine],
        "others": {mold: len(out) for mold, out in others.items()},
    }
    return document


def taken_by_orders(book: OrderBook) -> Counter[str]:
    """Mold -> parts that orders have taken, spoiled ones with them."""
    taken: Counter[str] = Counter()
    for order in book.orders:
        for line in book.lines[order.id]:
            taken[line.mold] += line.good + order.spoiled.get(line.mold, 0)
    return taken


def untrimmed(
    casts: Iterable[Cast], ordered: Mapping[str, int], trimmed: Iterable[tuple[str, float]], now_t: float
) -> dict[str, list[float]]:
    """Mold -> when each part came out that is no order's, no scrap and not trimmed, oldest first [unix s]."""
    out: dict[str, list[float]] = {}
    for cast in casts:
        if cast.out_t is not None and cast.grade != "scrap":
            out.setdefault(cast.mold, []).append(cast.out_t)
    waiting: dict[str, list[float]] = {}
    for mold, times in sorted(out.items()):
        free = sorted(times)[: len(times) - min(ordered.get(mold, 0), len(times))]
        waiting[mold] = [t for t in free if now_t - t <= BACK_S]
    for mold, at in sorted(trimmed, key=lambda each: each[1]):
        mine = waiting.get(mold, [])
        if mine and mine[0] <= at:
            mine.pop(0)
    return {mold: times for mold, times in waiting.items() if times}
