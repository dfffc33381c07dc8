"""Decides whether molds may share a cup and a load, in which order, and how much time that leaves.

The clock from first contact of A with B:  mix, one pour after another, lid, fill; then the pot is at pressure.  The
order: thinnest first, of equals the one with more traps, thick ones last; thick molds that are still warm change the
kick by when they are filled, so then every order is tried and the one that leaves most time is taken.

A load has to be at pressure a margin before the likely kick, and is held to the late edge of its last gel
(core/learned/load_clock, as the calls at the bench have both); its molds have to fit the pot and be different ones.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations

from benchd.core.bench import Mold, Pot
from benchd.core.bench.recipe import resin_share
from benchd.core.learned import load_clock
from benchd.physics.section_rule import gel_s, hard_s
from benchd.shelf.amounts import CUP_FILM, Amounts, amounts, fill_ml, shot_g
from benchd.shelf.plan.ask import Ask
from benchd.shelf.plan.kick import CupKick, may_kick_early, mold_share

PACKED = 0.6  # of a pot's floor that standing blocks can cover, with room for fingers; common practice, no source
GREEN_SHARE = 0.8  # of the way to hard, as the demold watcher takes it without a table


@dataclass(frozen=True, slots=True)
class PlannedPart:
    """One mold of a load: seconds from the mix until it is filled and until its part is due."""

    mold: Mold
    pour_s: float
    filled_s: float
    due_s: float
    warm_c: float | None


@dataclass(frozen=True, slots=True)
class Loading:
    """One load as it would run, seconds from the mix.  `kick_of`: "cup", or the code of the mold that kicks first."""

    pot: Pot
    parts: tuple[PlannedPart, ...]
    batch: Amounts
    lid_s: float
    fill_s: float
    at_pressure_s: float
    kick: CupKick
    kick_of: str
    margin_s: float
    hold_s: float
    open_s: float
    ask: Ask = field(compare=False, repr=False)
    """The day as asked of the lot it is poured from."""
    cup: CupKick = field(compare=False, repr=False)
    """When that lot kicks in the cup, whatever is in the pot."""

    @property
    def mold_ids(self) -> tuple[str, ...]:
        """Its molds in pouring order."""
        return tuple(part.mold.id for part in self.parts)


def best_loading(molds: Sequence[Mold], ask: Ask, kick: CupKick) -> Loading | str:
    """The load of these molds in the pot that leaves most time, or why there is none."""
    if len({mold.id for mold in molds}) < len(molds):
        return "is cast in that load already"
    if len(molds) > ask.limits.most_molds:
        return f"would be mold {len(molds)} of a load of at most {ask.limits.most_molds}"
    found, whys = [], []
    for pot in ask.pots:
        tried = loading_in(molds, pot, ask, kick)
        if isinstance(tried, Loading):
            found.append(tried)
        else:
            whys.append(tried)
    if found:
        return max(found, key=lambda loading: (loading.margin_s, -loading.open_s))
    return whys[0] if whys else "there is no pot: write a [pot.NAME] table into bench.toml"


def loading_in(molds: Sequence[Mold], pot: Pot, ask: Ask, kick: CupKick) -> Loading | str:
    """The load of these molds in this pot, or why it cannot be."""
    tight = too_big(molds, pot)
    if tight:
        return tight
    hands = ask.hands
    at_s = ask.stir_s + math.fsum(hands.pour_s(m, ask.label) for m in molds) + hands.lid_s + hands.pot_fill_s(pot)
    late = _too_late(at_s, kick, ask)
    if late:  # by the cup alone: no mold kicks later than it
        return late
    ordered, first, share = _order(molds, ask, kick)
    own = kick.sooner(share)
    return _too_late(at_s, own, ask) or _timed(ordered, pot, ask, kick, (own, first), at_s)


def _too_late(at_s: float, kick: CupKick, ask: Ask) -> str:
    """Why being at pressure then is too late [s after the mix]; "" if it is not."""
    margin_s = round(kick.likely_s - at_s, 1)
    needed_s = kick.likely_s - kick.up_by_s(ask.limits.least_margin_s)
    if margin_s >= round(needed_s, 1):
        return ""
    left = f"would leave {margin_s:.0f} s" if margin_s >= 0 else f"would be {-margin_s:.0f} s after the kick"
    why = "" if needed_s <= ask.limits.least_margin_s else " while this lot's kick is known no better"
    return f"{left}, {math.ceil(needed_s)} needed{why}"


def _order(molds: Sequence[Mold], ask: Ask, kick: CupKick) -> tuple[list[Mold], str, float]:
    """(pouring order, what kicks first, when over when the cup does)."""
    usual = sorted(molds, key=pouring_key)
    if not any(may_kick_early(mold, ask.warm_c(mold), ask.temp_c) for mold in molds):
        return usual, "cup", 1.0
    pours_s = {mold.id: ask.hands.pour_s(mold, ask.label) for mold in usual}
    best: tuple[list[Mold], str, float] | None = None
    last = [mold for mold in usual if mold.reserve]
    for wanted in permutations(usual[: len(usual) - len(last)]):  # the usual one comes first, and wins a tie
        order = (*wanted, *last)
        first, share = _first_kick(order, pours_s, ask, kick)
        if best is None or share > best[2] + 1e-6:
            best = (list(order), first, share)
    assert best is not None
    return best


def _first_kick(order: Sequence[Mold], pours_s: Mapping[str, float], ask: Ask, kick: CupKick) -> tuple[str, float]:
    """(what kicks first, when over when the cup does) with the molds filled in this order."""
    first, least, t_s = "cup", 1.0, ask.stir_s
    for mold in order:
        t_s += pours_s[mold.id]
        share = mold_share(mold, ask.warm_c(mold), ask.temp_c, t_s, kick.likely_s)
        if share < least:
            first, least = mold.code, share
    return first, least


def _timed(
    ordered: Sequence[Mold], pot: Pot, ask: Ask, cup: CupKick, first_kick: tuple[CupKick, str], at_s: float
) -> Loading:
    (kick, first), hands, label = first_kick, ask.hands, ask.label
    parts, t_s = [], ask.stir_s
    for mold in ordered:
        pour = hands.pour_s(mold, label)
        t_s += pour
        mold_c = ask.warm_c(mold)
        due_s = due_after_s(mold, ask) * kick.slow
        parts.append(PlannedPart(mold, pour, t_s, due_s, mold_c if mold_c > ask.temp_c else None))
    life_s = label.pot_life_s * kick.slow
    late = 1.0 + load_clock.GEL_LATE_SHARE
    gels = [late * gel_s(life_s, mold.thin_mm, ask.warm_c(mold)) for mold in ordered]
    hold_s = max(at_s, cup.late_s, *gels)
    return Loading(
        pot, tuple(parts), amounts(ordered, label), hands.lid_s, hands.pot_fill_s(pot), at_s, kick, first,
        round(kick.likely_s - at_s, 1),
        hold_s, hold_s + hands.vent_s, ask, cup,
    )  # fmt: skip


def due_after_s(mold: Mold, ask: Ask) -> float:
    """When its part is due to be pulled [s after the mix], green or hard as the shelf says."""
    due_s, _ = hard_s(ask.label.demold_s, mold.thin_mm, mold.thick_mm, ask.warm_c(mold))
    share = GREEN_SHARE if mold.pull == "green" else 1.0
    return due_s * share * ask.due_factor.get(mold.id, 1.0)


def pouring_key(mold: Mold) -> tuple[bool, float, int, float, str]:
    """Sorts thinnest first, of equals the one with more traps, thick ones last; what takes the surplus after all."""
    traps = len([word for word in mold.traps.split(",") if word.strip() not in ("", "none")])
    return mold.reserve, mold.thin_mm, -traps, mold.thick_mm, mold.id


def budget_g(mold: Mold, ask: Ask) -> float:
    """Grams of the lot one mold takes, its share of the cup film included; a load takes remains.LEAST_G besides."""
    return shot_g(mold, ask.label.density_cured_g_ml) * (1.0 + CUP_FILM) * resin_share(ask.label)


# ------------------------------------------------------------------------------------------------------------- space


def block_cm(mold: Mold) -> float:
    """The side of a mold's silicone block taken as a cube: its fill's cube root and a wall on each side [cm]."""
    return math.cbrt(fill_ml(mold)) + 0.2 * mold.wall_mm


def footprint_cm2(mold: Mold) -> float:
    """The floor area a mold covers: as typed, else its block's."""
    return mold.footprint_cm2 if mold.footprint_cm2 is not None else block_cm(mold) ** 2


def height_cm(mold: Mold) -> float:
    """How tall a mold is: as typed, else its block's side."""
    return mold.height_cm if mold.height_cm is not None else block_cm(mold)


def floor_cm2(pot: Pot) -> float:
    """A pot's floor: as typed, else by its inner diameter, else that of a cylinder as high as wide [cm2]."""
    return pot.floor_cm2 if pot.floor_cm2 is not None else math.pi / 4.0 * _width_cm(pot) ** 2


def inside_cm(pot: Pot) -> float:
    """Its inner height: volume over floor [cm]."""
    return 1000.0 * pot.volume_l / floor_cm2(pot)


def _width_cm(pot: Pot) -> float:
    if pot.inside_cm is not None:
        return pot.inside_cm
    return math.cbrt(4.0 * 1000.0 * pot.volume_l / math.pi)


def too_big(molds: Sequence[Mold], pot: Pot) -> str:
    """Why these molds don't fit side by side in this pot; "" if they do."""
    high = max(molds, key=height_cm)
    if height_cm(high) > inside_cm(pot):
        return (
            f"{high.code} stands {height_cm(high):.0f} cm high, {pot.name} is {inside_cm(pot):.0f} cm inside: "
            "use a deeper pot"
        )
    needed, there = math.fsum(footprint_cm2(mold) for mold in molds), PACKED * floor_cm2(pot)
    if needed > there:
        return f"needs {needed:.0f} cm2 of floor, {pot.name} has {there:.0f}: fewer molds, or a wider pot"
    return ""
