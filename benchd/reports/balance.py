"""Balances the resin and its cost: grams into parts, gates and cups; money by lot.

    parts = sum of cavity x cured density     gates = sum of (gate + reservoir) x cured density
    cup   = what was mixed - parts - gates    (film, witness, what was left over)

Each is rounded to the whole gram once, at the end, and the cup takes the rounding, so that the printed sum agrees.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from benchd.core.bench import Bench, Lot
from benchd.core.bench.recipe import base_of, resin_share
from benchd.reports.records import PourRecord
from benchd.shelf.remains import Spent, left_g


@dataclass(frozen=True, slots=True)
class Balance:
    """Whole grams; `cost` in the studio's money, None when a lot's price is not known.

    Pours left out: `unweighed` without grams, `unknown` of molds or a resin the shelf doesn't have.  `unpriced`: lots
    without a price, "" for pours of no lot.
    """

    mixed_g: int
    parts_g: int
    gates_g: int
    cup_g: int
    cost: float | None
    unweighed: int = 0
    unknown: int = 0
    unpriced: tuple[str, ...] = ()


def balance(bench: Bench, pours: Iterable[PourRecord]) -> Balance:
    """The balance of some pours, by the shelf as it is now; pours without weights, or of unknown molds, are counted."""
    mixed_g = parts_g = gates_g = cost = 0.0
    unweighed, unknown, unpriced = 0, 0, dict[str, None]()
    for pour in pours:
        molds = [bench.mold(id) for id in pour.molds]
        label, lot = bench.label_for(pour.lot), bench.lot(pour.lot)
        if pour.batch_g is None or not molds:
            unweighed += 1
            continue
        if label is None or any(mold is None for mold in molds):
            unknown += 1
            continue
        known = [mold for mold in molds if mold is not None]
        mixed_g += pour.batch_g
        resin_g_ml = label.density_cured_g_ml * resin_share(label)
        parts_g += math.fsum(mold.cavity_ml for mold in known) * resin_g_ml
        gates_g += math.fsum(mold.gate_ml + mold.reservoir_ml for mold in known) * resin_g_ml
        if lot is None or lot.cost_kg is None:
            unpriced[lot.code if lot else ""] = None
        else:
            cost += pour.batch_g / 1000.0 * lot.cost_kg
    mixed, parts, gates = _whole(mixed_g), _whole(parts_g), _whole(gates_g)
    money = cost if mixed and not unpriced else None
    return Balance(mixed, parts, gates, mixed - parts - gates, money, unweighed, unknown, tuple(unpriced))


def cost_words(made: Balance) -> str | None:
    """The cost, or why it is not known; None when nothing was mixed that costs anything."""
    if made.cost is not None:
        left_out = made.unweighed + made.unknown
        return f"{made.cost:.2f}" + (f", without {left_out} pour{'' if left_out == 1 else 's'}" if left_out else "")
    if made.unpriced:
        lots = ", ".join(code for code in made.unpriced if code)
        what = f"no cost_kg on the shelf for {lots}" if lots else "a pour whose lot is not known"
        return f"not known: {what} (for a journal by itself, name its bench with -c)"
    return None


def _whole(value: float) -> int:
    return math.floor(value + 0.5)


def used_g(lot: str, pours: Iterable[PourRecord], since_t: float | None = None) -> float:
    """Grams of a lot mixed in these pours (from since_t [unix s] on), as far as weighed."""
    mine = (p for p in pours if base_of(p.lot) == lot and (since_t is None or p.mix_t >= since_t))
    return math.fsum(p.batch_g for p in mine if p.batch_g is not None)


def left_of(lot: Lot, pours: Iterable[PourRecord]) -> float | None:
    """Grams left of a lot by the shelf and these pours; None if the shelf doesn't say how much it was."""
    return left_g(lot, Spent(lot_g={lot.id: used_g(lot.id, pours, lot.left_since)}))
