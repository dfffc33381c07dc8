"""Reports what a part and a figure cost, how many come out good, the pot's time, and where the money goes."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.core.bench import Bench
from benchd.reports import plain
from benchd.reports.costing import KINDS, Costs, FigureCost, MoldCost, costs_of, figures_of
from benchd.reports.drawing.money import NAMES, Bar, money_drawing
from benchd.reports.records import Records
from benchd.reports.writer import Document, Drawing
from benchd.shelf.orders import Order

MOST_BARS, MOST_FIGURES = 16, 60


def cost_page(bench: Bench, records: Records, orders: Sequence[Order] = ()) -> Document:
    """What everything on record cost; the orders give figures and their prices."""
    document = Document("Cost and yield", "cost", "all")
    costs = costs_of(bench, records)
    spent = sum(costs.money.values())
    if not costs.molds:
        document.say("Nothing has been cast yet.", is_strong=True)
        return document
    if not spent:
        document.say("No price is known: write cost_kg into the lot, and cost into the mold, on the shelf.", True)
    else:
        good = sum(cost.good for cost in costs.molds.values())
        part = costs.money["part"] / spent
        document.say(f"{spent:.2f} for {good} good parts; {part:.0%} of it is in them.", is_strong=True)
    document.draw(_drawing(bench, costs))
    figures = figures_of(bench, costs, [order for order in orders if order.done_t is None] or orders)
    _figures(document, bench, figures)
    _molds(document, bench, costs)
    _gaps(document, bench, costs)
    document.data = _data(costs, figures)
    return document


def _drawing(bench: Bench, costs: Costs) -> Drawing | None:
    dearest = sorted((c for c in costs.molds.values() if c.spent > 0.0), key=lambda c: -c.spent)[:MOST_BARS]
    if not dearest:
        return None
    bars = [Bar(name=plain.mold_name(bench, c.mold), money=c.money, words=_each(c)) for c in dearest]
    told = ", ".join(f"{NAMES[kind]} {money:.2f}" for kind, money in costs.money.items() if money > 0.0)
    return Drawing(
        lambda width: money_drawing(bars, "Where the money went", width), (f"Where the money went: {told}.",),
        lambda width: money_drawing(bars, "Where the money went", width, is_alone=True),
    )  # fmt: skip


def _each(cost: MoldCost) -> str:
    each = "" if cost.each is None else f", {cost.each:.2f} each"
    return f"{cost.good} of {cost.casts} good{each}"


def _molds(document: Document, bench: Bench, costs: Costs) -> None:
    document.table(
        ("mold", "good", "spent", "a good part", "its pot minutes"),
        [
            (plain.mold_name(bench, c.mold), f"{c.good} of {c.casts}", f"{c.spent:.2f}",
             plain.UNKNOWN if c.each is None else f"{c.each:.2f}",
             f"{c.pot_s / 60.0 / c.good:.0f}" if c.good and c.pot_s else plain.UNKNOWN)
            for c in costs.molds.values()
        ],
        "By mold",
    )  # fmt: skip


def _figures(document: Document, bench: Bench, figures: Sequence[FigureCost]) -> None:
    def money(value: float | None) -> str:
        return plain.UNKNOWN if value is None else f"{value:.2f}"

    rows = []
    figures = sorted(figures, key=lambda figure: not _is_below(figure))  # those that lose money first
    for figure in figures[:MOST_FIGURES]:
        left = None if figure.price is None or figure.floor is None else figure.price - figure.floor
        rows.append((figure.order.code, money(figure.floor), money(figure.price), money(left),
                     f"{figure.pot_s / 60.0:.0f}" if figure.pot_s else plain.UNKNOWN))  # fmt: skip
    document.table(("order", "a figure costs", "its price", "left for the work", "pot minutes"), rows, "Figures")
    if len(figures) > MOST_FIGURES:
        document.say(f"And {len(figures) - MOST_FIGURES} more: --json has them all.")
    for figure in figures[:MOST_FIGURES]:
        if figure.guessed and figure.floor is not None:
            codes = plain.mold_codes(bench, figure.guessed)
            document.say(f"{figure.order.code}: {codes} by the shelf's volumes, as if every cast came out good.")
        if _is_below(figure):
            document.say(f"{figure.order.code}: the price is below the cost. Ask {figure.floor:.2f} a figure at least.")


def _is_below(figure: FigureCost) -> bool:
    """Whether the price does not even pay the figure's cost."""
    return figure.floor is not None and figure.price is not None and figure.price < figure.floor


def _gaps(document: Document, bench: Bench, costs: Costs) -> None:
    """What is not in the money, with what to write."""
    bare = [mold for mold in costs.molds if (found := bench.mold(mold)) is not None and found.cost is None]
    few = costs.unpriced
    document.facts(
        ("not in it", f"{few} pour{'' if few == 1 else 's'} without weights, price or a known mold" if few else None),
        ("molds' wear", f"not known of {plain.mold_codes(bench, bare)}: `benchd shelf change mold CODE cost=38`"
         if bare else None),
    )  # fmt: skip


def _data(costs: Costs, figures: Sequence[FigureCost]) -> dict[str, object]:
    return {
        "money": {kind: round(costs.money[kind], 4) for kind in KINDS},
        "unpriced_pours": costs.unpriced,
        "molds": [
            {"mold": c.mold, "casts": c.casts, "good": c.good, "second": c.second, "scrap": c.scrap,
             "spent": round(c.spent, 4), "each": None if c.each is None else round(c.each, 4),
             "pot_s": round(c.pot_s, 1)}
            for c in costs.molds.values()
        ],
        "figures": [
            {"order": f.order.code, "floor": None if f.floor is None else round(f.floor, 4),
             "price": None if f.price is None else round(f.price, 4), "pot_s": round(f.pot_s, 1),
             "guessed": list(f.guessed)}
            for f in figures
        ],
    }  # fmt: skip
