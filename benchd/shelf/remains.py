"""Computes how much of a lot is left, and whether it, or a mold, is past its shelf life.

    left = what was weighed on its day, less what was poured from that day on
         = what was bought, less all that was poured           where nothing was weighed

Only what the journal knows is subtracted: pours without grams take nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.core.bench import WITNESS_G, Bench, Lot, Mold
from benchd.core.bench.recipe import base_of

LEAST_G = WITNESS_G + 0.5  # a witness cup, and rounding up to the whole gram: with less no load is begun


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What the journal remembers: casts a mold in all (beside the shelf's casts_before) and today; grams a lot."""

    casts: Mapping[str, int] = field(default_factory=dict)
    today: Mapping[str, int] = field(default_factory=dict)
    lot_g: Mapping[str, float] = field(default_factory=dict)
    """What is subtracted from the shelf's figure of a lot: poured since `left_since`, or ever."""
    last_t: Mapping[str, float] = field(default_factory=dict)
    """Mold id -> when its last cast was mixed [unix s]."""


def left_g(lot: Lot | None, spent: Spent) -> float | None:
    """Grams left of a lot; None if the shelf says neither what was bought nor what was left."""
    if lot is None:
        return None
    held_g = lot.bought_g if lot.left_g is None else lot.left_g
    return None if held_g is None else max(held_g - spent.lot_g.get(base_of(lot.id) or "", 0.0), 0.0)


def is_empty(lot: Lot, spent: Spent) -> bool:
    """True if less is left than any load takes."""
    left = left_g(lot, spent)
    return left is not None and left <= LEAST_G


def is_past(entry: Lot | Mold, t: float) -> bool:
    """True if a lot or mold is past its last day at t [unix s]."""
    return entry.shelf_end is not None and t >= entry.shelf_end


def counted_since(bench: Bench) -> dict[str, float]:
    """Lot -> the time from which its pours count against the shelf's figure [unix s]."""
    return {lot.id: lot.left_since for lot in bench.lots if lot.left_since is not None}


def lots_in_order(bench: Bench, spent: Spent, t: float) -> list[Lot]:
    """The lots to be poured, best first: none suspect or empty; those past their shelf life last, newest first."""
    good = [lot for lot in bench.lots if not lot.suspect and not is_empty(lot, spent)]
    return sorted(good, key=lambda lot: (is_past(lot, t), -(lot.opened or 0.0)))
