"""What should be cast today, in which loads?  The best day for what is asked, and why each other cast is left out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from benchd.core.bench import Mold, Resin
from benchd.physics.mold_heat import LastCast, excess_k
from benchd.shelf.amounts import fill_ml
from benchd.shelf.plan_ask import Ask
from benchd.shelf.plan_day import Placed, day_of
from benchd.shelf.plan_kick import CupKick, cup_kick
from benchd.shelf.plan_load import LOAD_G, Loading, best_loading, budget_g, due_after_s
from benchd.shelf.plan_search import BUDGET, NONE, Choice, Found, Room, search

RISE_K = 120.0  # adiabatic rise of a casting resin, 110 to 135 K [calc, model]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """One cast that is not in the plan, and why."""

    mold: Mold
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The day: its loads in order, what was left out, the bound on loads, whether it is proved best, things to know."""

    ask: Ask
    kick: CupKick
    loads: tuple[Placed, ...]
    left_out: tuple[LeftOut, ...]
    loads_at_least: int
    is_proved: bool
    notes: tuple[str, ...]


def plan(ask: Ask, common: Resin | None = None, go_on: Callable[[int], bool] = lambda n: n < BUDGET) -> Plan:
    """The best day for what is asked.

    `common`: the resin the lot is of (it tells a lot whose pot life was timed).  go_on(branches looked at) ends the
    search of more than 12 casts; a caller with a clock gives it.  Deterministic for a given number of branches.
    """
    kick = cup_kick(ask.label, ask.lot, ask.temp_c, common)
    usable, refused = _usable(ask)
    loadings = _loadings(usable, ask, kick)
    choices = [Choice(mask, found.margin_s, round(found.open_s, 1)) for mask, found in loadings.items()]
    room = Room(
        tuple(budget_g(mold, ask) for mold in usable), LOAD_G, math.inf if ask.left_g is None else ask.left_g,
        NONE if ask.limits.most_loads is None else ask.limits.most_loads,
    )  # fmt: skip
    bound = _bound(usable, ask, kick)
    found = search(len(usable), choices, room, bound, go_on)
    chosen = [loadings[choice.mask] for choice in found.chosen]
    dropped = _dropped(usable, found, room, ask, kick)
    placed = sum(choice.mask for choice in found.chosen)
    return Plan(
        ask, kick, day_of(chosen, ask, kick), (*refused, *dropped), bound(placed), found.is_proved, _notes(chosen, ask)
    )  # fmt: skip


def _usable(ask: Ask) -> tuple[list[Mold], list[LeftOut]]:
    """The casts that may be made at all today, as warm as each will be found, and the others."""
    usable: list[Mold] = []
    refused: list[LeftOut] = []
    times: dict[str, int] = {}
    for mold in ask.casts:
        before = times.get(mold.id, 0)
        why = _worn(mold, before, ask)
        if why:
            refused.append(LeftOut(mold, why))
            continue
        times[mold.id] = before + 1
        usable.append(_as_found(mold, before, ask))
    return usable, refused


def _worn(mold: Mold, before: int, ask: Ask) -> str:
    """Why a mold may not be cast once more; "" if it may."""
    if mold.retired:
        return "is retired: take `retired` off in shelf.toml if it is to be cast again"
    if fill_ml(mold) <= 0.0 or min(mold.cavity_ml, mold.gate_ml, mold.reservoir_ml) < 0.0:
        return "its volume is not above zero: weigh its water and write cavity_ml into shelf.toml"
    used = ask.used.get(mold.id, mold.casts_before) + before
    if used >= mold.life:
        return f"is worn out: {used} of {mold.life} casts; raise `life` in shelf.toml if it still casts well"
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
    """How warm a mold is at at_t from a cast mixed at mix_t, or as soon as it could be filled again [unix s, C]."""
    out_t = mix_t + due_after_s(mold, ask)
    before_c = ask.temp_c if warm_c is None else warm_c
    last = LastCast(
        fill_ml=fill_ml(mold), wall_mm=mold.wall_mm, rise_k=RISE_K, before_k=max(before_c - ask.temp_c, 0.0),
        kick_t=mix_t, out_t=out_t,
    )  # fmt: skip
    return max(before_c, ask.temp_c + excess_k(last, max(at_t, out_t + ask.hands.ready_s)))


def _loadings(usable: Sequence[Mold], ask: Ask, kick: CupKick) -> dict[int, Loading]:
    """Every allowed load, by the mask of its casts."""
    found: dict[int, Loading] = {}
    for size in range(1, min(ask.limits.most_molds, len(usable)) + 1):
        for indexes in combinations(range(len(usable)), size):
            loading = best_loading([usable[i] for i in indexes], ask, kick)
            if isinstance(loading, Loading):
                found[sum(1 << i for i in indexes)] = loading
    return found


def _bound(usable: Sequence[Mold], ask: Ask, kick: CupKick) -> Callable[[int], int]:
    """A bound on the loads of some casts: molds a load, and seconds of pouring a load."""
    hands = ask.hands
    fill_s = min((hands.pot_fill_s(pot) for pot in ask.pots), default=0.0)
    last_s = min(kick.likely_s - ask.limits.least_margin_s + 0.05, kick.deadline_s)  # margins are kept to 0.1 s
    pouring_s = last_s - hands.mix_s - hands.lid_s - fill_s
    pours_s = [hands.pour_s(mold, ask.label) for mold in usable]

    def least(mask: int) -> int:
        by_count = math.ceil(mask.bit_count() / ask.limits.most_molds)
        total_s = math.fsum(s for i, s in enumerate(pours_s) if mask >> i & 1)
        return max(by_count, math.ceil(total_s / pouring_s - 1e-9) if pouring_s > 0.0 else by_count)

    return least


def _dropped(usable: Sequence[Mold], found: Found, room: Room, ask: Ask, kick: CupKick) -> list[LeftOut]:
    """Why each cast that could be made at all is not in the plan."""
    placed = sum(choice.mask for choice in found.chosen)
    return [
        LeftOut(mold, _why(i, usable, found, room, ask, kick))
        for i, mold in enumerate(usable)
        if not placed >> i & 1
    ]  # fmt: skip


def _why(index: int, usable: Sequence[Mold], found: Found, room: Room, ask: Ask, kick: CupKick) -> str:
    """The first limit in the way: alone, then the resin, then the load of the plan where least is missing."""
    alone = best_loading([usable[index]], ask, kick)
    if isinstance(alone, str):
        return alone
    mask = sum(choice.mask for choice in found.chosen) | 1 << index
    least_g = room.needed_g(mask, max(len(found.chosen), 1))
    if least_g > room.left_g:
        return f"needs {least_g:.0f} g in all, {room.left_g:.0f} g of the lot are left: open another lot"
    whys = []
    for choice in found.chosen:
        molds = [usable[i] for i in range(len(usable)) if choice.mask >> i & 1]
        tried = best_loading([*molds, usable[index]], ask, kick)
        whys.append((choice, tried if isinstance(tried, str) else "would fit, but the search ended before that"))
    spare = max(whys, key=lambda each: each[0].margin_s, default=None)
    if spare is None:
        return "no load is left for it"
    codes = " ".join(usable[i].code for i in range(len(usable)) if spare[0].mask >> i & 1)
    return f"{spare[1]} (with {codes}); a load more would take it"


def _notes(chosen: Sequence[Loading], ask: Ask) -> tuple[str, ...]:
    notes = []
    for loading in chosen:
        if loading.batch.is_small:
            codes = " ".join(part.mold.code for part in loading.parts)
            notes.append(
                f"{codes}: the batch is {loading.batch.batch_g:.0f} g, below 85 g: hard to proportion, heats poorly; "
                "add a mold"
            )
    for mold in {m.id: m for loading in chosen for m in (part.mold for part in loading.parts)}.values():
        used = ask.used.get(mold.id, mold.casts_before)
        if used >= 0.8 * mold.life:
            notes.append(f"{mold.code}: {used} of {mold.life} casts, near its life's end")
    return tuple(notes)
