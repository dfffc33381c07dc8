"""Plans a casting day: the best loads for what is asked, and why each other cast is left out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from benchd.core.bench import Mold, Resin
from benchd.physics.label_cure import MIDDLING
from benchd.physics.mold_heat import LastCast, excess_k
from benchd.shelf.amounts import fill_ml
from benchd.shelf.plan.ask import Ask
from benchd.shelf.plan.day import Placed, day_of
from benchd.shelf.plan.kick import CupKick
from benchd.shelf.plan.load import best_loading, due_after_s
from benchd.shelf.plan.offer import Offer, bound, choose, offers_of
from benchd.shelf.plan.reserve import notes_of, with_reserve
from benchd.shelf.plan.search import BUDGET, Found, Room
from benchd.shelf.remains import is_past


@dataclass(frozen=True, slots=True)
class LeftOut:
    """One cast that is not in the plan, and why."""

    mold: Mold
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The day: its loads in order, what was left out, the bound on loads, whether it is proved best, notes."""

    ask: Ask
    kick: CupKick
    loads: tuple[Placed, ...]
    left_out: tuple[LeftOut, ...]
    loads_at_least: int
    is_proved: bool
    notes: tuple[str, ...]


def plan(ask: Ask, common: Resin | None = None, go_on: Callable[[int], bool] = lambda n: n < BUDGET) -> Plan:
    """The best day for what is asked.

    `common`: the resin the lot is of, unless the ask says it.  go_on(branches looked at) ends the search of more than
    12 casts; a caller with a clock gives it.  Deterministic for a given number of branches.
    """
    ask = replace(ask, common=ask.common or common)
    usable, refused = _usable(ask)
    offers = offers_of(usable, ask)
    found = choose(usable, offers, go_on)
    dropped = _dropped(usable, found, offers)
    chosen = with_reserve([offers[choice.lot].loadings[choice.mask] for choice in found.chosen], ask)
    placed = sum(choice.mask for choice in found.chosen)
    return Plan(
        ask, offers[0].kick, day_of(chosen, ask), (*refused, *dropped), bound(offers)(placed), found.is_proved,
        notes_of(chosen, ask),
    )  # fmt: skip


def _usable(ask: Ask) -> tuple[list[Mold], list[LeftOut]]:
    """The casts that may be made at all today, as warm as each will be found, and the others."""
    usable: list[Mold] = []
    refused: list[LeftOut] = []
    times: dict[str, int] = {}
    for mold in ask.casts:
        before = times.get(mold.id, 0)
        why = worn_why(mold, before, ask)
        if why:
            refused.append(LeftOut(mold, why))
            continue
        times[mold.id] = before + 1
        usable.append(_as_found(mold, before, ask))
    return usable, refused


def worn_why(mold: Mold, before: int, ask: Ask) -> str:
    """Why a mold may not be cast once more; "" if it may."""
    if mold.retired:
        return "is retired: take `retired` off in shelf.toml if it is to be cast again"
    if is_past(mold, ask.start_t):
        days = math.floor((ask.start_t - (mold.shelf_end or 0.0)) / 86400.0) + 1
        ago = "yesterday" if days == 1 else f"{days} days ago"
        return f"is past its shelf life: its last day was {ago}; move `shelf_end` in shelf.toml if it still casts well"
    if fill_ml(mold) <= 0.0 or min(mold.cavity_ml, mold.gate_ml, mold.reservoir_ml) < 0.0:
        return "its volume is not above zero: weigh its water and write cavity_ml into shelf.toml"
    used = ask.used.get(mold.id, mold.casts_before) + before
    if used >= mold.life:
        return f"is worn out: {used} of {mold.life} casts; raise `life` in shelf.toml if it still casts well"
    known = ask.life.get(mold.id)
    if known is not None and used >= known.casts:
        return (
            f"is worn: {used} casts, and molds of {mold.silicone} began to stick after {known.casts} ({known.signs} of "
            f"{known.molds} did); take `silicone` off the mold if it still casts well"
        )
    if ask.today.get(mold.id, 0) + before >= mold.casts_a_day:
        return f"has to rest: {mold.casts_a_day} casts a day"
    return ""


def _as_found(mold: Mold, before: int, ask: Ask) -> Mold:
    """The mold as warm as this cast finds it: a second cast of the day, still warm from the first."""
    warm_c = ask.mold_c.get(mold.id, mold.warm_c)
    if before:
        warm_c = _still_warm_c(mold, warm_c, 0.0, 0.0, ask)
    elif mold.id in ask.last_t:
        warm_c = _still_warm_c(mold, warm_c, ask.last_t[mold.id], ask.start_t, ask)
    return replace(mold, warm_c=warm_c)


def _still_warm_c(mold: Mold, warm_c: float | None, mix_t: float, at_t: float, ask: Ask) -> float:
    """How warm a mold still is from a cast mixed at mix_t, at at_t or once it can be filled again [unix s, C]."""
    out_t = mix_t + due_after_s(mold, ask)
    before_c = ask.temp_c if warm_c is None else warm_c
    last = LastCast(
        fill_ml=fill_ml(mold), wall_mm=mold.wall_mm, rise_k=MIDDLING.rise_k, before_k=max(before_c - ask.temp_c, 0.0),
        kick_t=mix_t, out_t=out_t,
    )  # fmt: skip
    return max(before_c, ask.temp_c + excess_k(last, max(at_t, out_t + ask.hands.ready_s)))


def _dropped(usable: Sequence[Mold], found: Found, offers: Sequence[Offer]) -> list[LeftOut]:
    """Why each cast that could be made at all is not in the plan."""
    placed = sum(choice.mask for choice in found.chosen)
    return [
        LeftOut(mold, _why(i, usable, found, offers))
        for i, mold in enumerate(usable)
        if not placed >> i & 1
    ]  # fmt: skip


def _why(index: int, usable: Sequence[Mold], found: Found, offers: Sequence[Offer]) -> str:
    """The first limit in the way: its resin, alone, the grams left, then the load where least is missing."""
    lots = [n for n, offer in enumerate(offers) if offer.takes[index]]
    if not lots:
        return f"is cast in {usable[index].resin}, and no lot of it is open: open one, or take `resin` off the mold"
    alone = [best_loading([usable[index]], offers[n].ask, offers[n].kick) for n in lots]
    if all(isinstance(tried, str) for tried in alone):
        return str(alone[0])
    short = [why for n in lots if (why := _short(index, found, offers[n].room, n))]
    if len(short) == len(lots):
        return f"{short[0]}: open another lot"
    whys = []
    for choice in (choice for choice in found.chosen if choice.lot in lots):
        offer = offers[choice.lot]
        molds = [usable[i] for i in range(len(usable)) if choice.mask >> i & 1]
        tried = best_loading([*molds, usable[index]], offer.ask, offer.kick)
        whys.append((choice, tried if isinstance(tried, str) else "would fit, but the search ended before that"))
    spare = max(whys, key=lambda each: each[0].margin_s, default=None)
    if spare is None:
        return "no load is left for it"
    codes = " ".join(usable[i].code for i in range(len(usable)) if spare[0].mask >> i & 1)
    return f"{spare[1]} (with {codes}); a load more would take it"


def _short(index: int, found: Found, room: Room, lot: int) -> str:
    """Why this lot's resin is not enough for one cast more; "" if it is."""
    same = [choice for choice in found.chosen if choice.lot == lot]
    least_g = room.needed_g(sum(choice.mask for choice in same) | 1 << index, max(len(same), 1))
    return f"needs {least_g:.0f} g in all, {room.left_g:.0f} g of the lot are left" if least_g > room.left_g else ""
