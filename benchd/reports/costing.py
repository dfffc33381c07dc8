"""Shares money and pot time out to the molds: what a good part cost, and where the money went.

    resin of a cast = cost of its pour x its shot / all shots of the pour       so that film, witness and leavings count
    good casts      : part (cavity), gates (gate and reservoir), cup (the rest)
    other casts     : lost, whole; of those nothing was said about when they came out, a part without a grade is good
    mold of a cast  = what the mold cost / its life                             where the shelf says what it cost
    pot of a cast   = time from the closing of its load to its opening / casts in the load

A pour without weights, of a lot without a price, or of a mold not on the shelf is left out and counted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchd.core.bench import Bench, Mold
from benchd.core.bench.recipe import resin_share
from benchd.reports.records import Part, PourRecord, Records
from benchd.shelf.amounts import CUP_FILM, fill_ml, shot_g
from benchd.shelf.orders import SPOILING, Order

KINDS = ("part", "gates", "cup", "lost", "mold")
"""Where money goes, in the order it is drawn."""


@dataclass(slots=True)
class MoldCost:
    """What the casts of one mold cost, in the studio's money by KINDS; pot time [s]."""

    mold: str
    casts: int = 0
    good: int = 0
    second: int = 0
    scrap: int = 0
    money: dict[str, float] = field(default_factory=lambda: dict.fromkeys(KINDS, 0.0))
    pot_s: float = 0.0
    priced: int = 0
    """Casts whose resin is in the money."""

    @property
    def spent(self) -> float:
        """All of it."""
        return math.fsum(self.money.values())

    @property
    def each(self) -> float | None:
        """Money for one good part; None without a good one or where not every cast has a price."""
        return self.spent / self.good if self.good and self.priced == self.casts else None


@dataclass(frozen=True, slots=True)
class Costs:
    """What each mold's casts cost; `unpriced` pours are left out of the money."""

    molds: Mapping[str, MoldCost]
    unpriced: int

    @property
    def money(self) -> dict[str, float]:
        """All molds' money by KINDS."""
        return {kind: math.fsum(cost.money[kind] for cost in self.molds.values()) for kind in KINDS}


def costs_of(bench: Bench, records: Records) -> Costs:
    """The costs of all pours on record, by the shelf's prices as they are now."""
    molds: dict[str, MoldCost] = {}
    unpriced = 0
    for pour in records.pours.values():
        resin = _resin_money(bench, pour)
        unpriced += resin is None and bool(pour.parts)
        for part in pour.parts:
            cost = molds.setdefault(part.mold, MoldCost(part.mold))
            _count(cost, part)
            _add_money(cost, part, bench.mold(part.mold), None if resin is None else resin[part.mold])
    for load in records.loads.values():
        inside = [part.mold for pour in records.of_load(load) for part in pour.parts]
        for mold in inside if load.opened_t is not None else ():
            molds[mold].pot_s += ((load.opened_t or 0.0) - load.closed_t) / len(inside)
    return Costs(molds, unpriced)


def _resin_money(bench: Bench, pour: PourRecord) -> dict[str, dict[str, float]] | None:
    """Mold -> the money of its cast by part, gates and cup; None where something is not known."""
    label, lot = bench.label_for(pour.lot), bench.lot(pour.lot)
    molds = [mold for part in pour.parts if (mold := bench.mold(part.mold)) is not None]
    if label is None or lot is None or lot.cost_kg is None or pour.batch_g is None or len(molds) < len(pour.parts):
        return None
    resin_g_ml = label.density_cured_g_ml * resin_share(label)  # what a recipe puts in costs no resin
    whole = math.fsum(shot_g(mold, resin_g_ml) for mold in molds)
    each: dict[str, dict[str, float]] = {}
    for mold in molds:
        share = pour.batch_g * shot_g(mold, resin_g_ml) / whole
        part_g = mold.cavity_ml * resin_g_ml
        gates_g = (mold.gate_ml + mold.reservoir_ml) * resin_g_ml
        grams = {"part": part_g, "gates": gates_g, "cup": share - part_g - gates_g}
        each[mold.id] = {kind: g / 1000.0 * lot.cost_kg for kind, g in grams.items()}
    return each


def _count(cost: MoldCost, part: Part) -> None:
    cost.casts += 1
    cost.good += is_good(part)
    cost.second += part.grade == "second"
    cost.scrap += part.grade == "scrap"


def is_good(part: Part) -> bool:
    """Whether it came out and nothing worse than good was said of it, as orders count."""
    return part.out_t is not None and part.grade not in SPOILING


def _add_money(cost: MoldCost, part: Part, mold: Mold | None, resin: Mapping[str, float] | None) -> None:
    if resin is not None:
        cost.priced += 1
        for kind, money in resin.items():
            cost.money[kind if is_good(part) else "lost"] += money
    if mold is not None and mold.cost is not None:
        cost.money["mold"] += mold.cost / mold.life


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureCost:
    """What one figure of an order costs: the price below which it brings nothing for the work.

    `guessed`: molds without a good part on record, whose shelf volume stands in; None where a price is missing.
    """

    order: Order
    floor: float | None
    guessed: tuple[str, ...] = ()
    pot_s: float = 0.0

    @property
    def price(self) -> float | None:
        """The order's price for one figure."""
        return None if self.order.price is None else self.order.price / self.order.figures


def figures_of(bench: Bench, costs: Costs, orders: Iterable[Order]) -> list[FigureCost]:
    """The cost of a figure of each order."""
    return [_figure(bench, costs, order) for order in orders]


def _figure(bench: Bench, costs: Costs, order: Order) -> FigureCost:
    floor: float | None = 0.0
    guessed, pot_s = [], 0.0
    for mold, times in order.parts.items():
        known = costs.molds.get(mold)
        each = None if known is None else known.each
        if each is None:
            each = _guess(bench, mold)
            guessed.append(mold)
        floor = None if floor is None or each is None else floor + times * each
        pot_s += times * known.pot_s / known.good if known is not None and known.good else 0.0
    return FigureCost(order=order, floor=floor, guessed=tuple(guessed), pot_s=pot_s)


def _guess(bench: Bench, id: str) -> float | None:
    """A part's money by the shelf: its shot and its cup film of the lot in use, and the mold's wear."""
    mold, lot = bench.mold(id), bench.lot_in_use()
    if mold is None or lot is None or lot.cost_kg is None:
        return None
    grams = fill_ml(mold) * lot.label.density_cured_g_ml * (1.0 + CUP_FILM)
    return grams / 1000.0 * lot.cost_kg + (mold.cost or 0.0) / mold.life
