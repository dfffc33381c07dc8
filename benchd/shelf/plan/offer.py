"""Searches the day's loads over one lot or several: each lot offers its allowed loads.

The first lot is poured as long as it serves.  If it leaves a cast out that others could make, for lack of grams or of
time before its kick, or because a mold is cast in another resin, the loads are divided between lots, at most LOTS of
them.  One load is one cup of one lot.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

from benchd.core.bench import Mold
from benchd.shelf.plan.ask import Ask
from benchd.shelf.plan.kick import CupKick, cup_kick
from benchd.shelf.plan.load import Loading, best_loading, budget_g
from benchd.shelf.plan.search import BUDGET, EXACT_CASTS, NONE, Choice, Found, Room, search
from benchd.shelf.remains import LEAST_G

LOTS = 3


@dataclass(frozen=True, slots=True)
class Offer:
    """One lot: when it kicks, and every load of these casts that may be poured from it, by the mask of its casts."""

    ask: Ask
    kick: CupKick
    takes: tuple[bool, ...]
    loadings: dict[int, Loading]
    room: Room

    def choices(self, lot: int) -> list[Choice]:
        """Its loads as the search's choices; `lot`: its place among the lots."""
        return [Choice(mask, x.margin_s, round(x.open_s, 1), lot) for mask, x in self.loadings.items()]


def offers_of(usable: Sequence[Mold], ask: Ask) -> list[Offer]:
    """Each lot's loads, the lot asked for first."""
    asks = [ask, *(ask.in_lot(other) for other in ask.more_lots[: LOTS - 1])]
    return [_offer(usable, each, ask.resin) for each in asks]


def takes(mold: Mold, ask: Ask, main: str) -> bool:
    """True if a mold may be cast from this lot.  One that names no resin is cast in the day's main one."""
    return ask.resin == (main if mold.resin is None else mold.resin)


def _offer(usable: Sequence[Mold], ask: Ask, main: str) -> Offer:
    kick = cup_kick(ask.label, ask.lot, ask.temp_c, ask.common, ask.aged)
    fits = tuple(takes(mold, ask, main) for mold in usable)
    found: dict[int, Loading] = {}
    ways = [i for i, fit in enumerate(fits) if fit]
    for size in range(1, min(ask.limits.most_molds, len(ways)) + 1):
        for indexes in combinations(ways, size):
            loading = best_loading([usable[i] for i in indexes], ask, kick)
            if isinstance(loading, Loading):
                found[sum(1 << i for i in indexes)] = loading
    most = NONE if ask.limits.most_loads is None else ask.limits.most_loads
    left_g = math.inf if ask.left_g is None else ask.left_g
    return Offer(ask, kick, fits, found, Room(tuple(budget_g(mold, ask) for mold in usable), LEAST_G, left_g, most))


def choose(
    usable: Sequence[Mold], offers: Sequence[Offer], go_on: Callable[[int], bool] = lambda n: n < BUDGET
) -> Found:
    """The best day from the first lot, or from several where that casts more."""
    first, n = offers[0], len(usable)
    if len(offers) == 1:
        return search(n, first.choices(0), first.room, bound([first]), go_on)
    if n > EXACT_CASTS and not _may_hold(first, n):  # what one lot makes of a large day need not be searched for
        return _shared(offers, n, go_on)
    found = search(n, first.choices(0), first.room, bound([first]), lambda branches: go_on(2 * branches))
    if _placed(found) == (1 << n) - 1:
        return found
    shared = _shared(offers, n, lambda branches: go_on(2 * branches))
    return shared if _placed(shared).bit_count() > _placed(found).bit_count() else found


def _shared(offers: Sequence[Offer], n: int, go_on: Callable[[int], bool]) -> Found:
    choices = [choice for lot, offer in enumerate(offers) for choice in offer.choices(lot)]
    return search(n, choices, offers[0].room, bound(offers), go_on, tuple(offer.room for offer in offers[1:]))


def _may_hold(offer: Offer, n: int) -> bool:
    """True if all casts might come from this lot."""
    whole = (1 << n) - 1
    return all(offer.takes) and offer.room.needed_g(whole, bound([offer])(whole)) <= offer.room.left_g


def _placed(found: Found) -> int:
    return sum(choice.mask for choice in found.chosen)


def bound(offers: Sequence[Offer]) -> Callable[[int], int]:
    """A bound on the loads of some casts: molds a load, and seconds of pouring a load of the slowest lot."""
    ask = offers[0].ask
    hands = ask.hands
    fill_s = min((hands.pot_fill_s(pot) for pot in ask.pots), default=0.0)
    # margins are kept to 0.1 s
    last_s = max(x.kick.up_by_s(ask.limits.least_margin_s) + 0.1 for x in offers)
    pouring_s = last_s - min(x.ask.stir_s for x in offers) - hands.lid_s - fill_s
    molds = {i: m for x in offers for mask, load in x.loadings.items() for i, m in _alone(mask, load)}
    pours_s = {i: min(hands.pour_s(mold, x.ask.label) for x in offers) for i, mold in molds.items()}

    def least(mask: int) -> int:
        by_count = math.ceil(mask.bit_count() / ask.limits.most_molds)
        total_s = math.fsum(s for i, s in pours_s.items() if mask >> i & 1)
        return max(by_count, math.ceil(total_s / pouring_s - 1e-9) if pouring_s > 0.0 else by_count)

    return least


def _alone(mask: int, load: Loading) -> list[tuple[int, Mold]]:
    """A load of one cast, as its index and mold; nothing of larger ones."""
    return [(mask.bit_length() - 1, load.parts[0].mold)] if mask.bit_count() == 1 else []
