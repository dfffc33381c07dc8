"""`benchd amounts`: grams and ml of A and B for a set of molds, marks for cups, and the effect of mixing errors."""

from __future__ import annotations

import argparse
import asyncio
import json
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from benchd.commands.shelf.spent import spent_so_far
from benchd.core.bench import WITNESS_G, Bench, Lot, Mold, Resin
from benchd.core.bench.local_day import DAY_S
from benchd.core.bench.recipe import DOUBT_SD, JOIN, base_of
from benchd.core.format.printed import tidy
from benchd.core.learned.cure_belief import OPENED_DAYS
from benchd.core.units import QuantityError, parse_quantity, shown_pressure
from benchd.errors import BenchdError, no_such
from benchd.plugins import load_settings
from benchd.runtime.printing.terminal import say
from benchd.settings.config_option import add_config
from benchd.shelf.amounts import (
    SMALL_BATCH_G,
    Amounts,
    amounts,
    excess_b_if_weighed_by_volume,
    fill_ml,
    shot_g,
)
from benchd.shelf.remains import Spent, is_past, left_g, lots_in_order
from benchd.shelf.volumes import cup_height_mm, largest_pocket_ml, pocket_share

HELP = "work out how much of A and B a set of molds takes: by weight, by volume and by cup marks"
EXAMPLE = "benchd amounts M02 M03 M06 M01 --lot R-07 --cup 70mm"
SLIP = 0.005  # a difference between the ratios that no scale would show


class AmountsError(BenchdError):
    """The amounts cannot be calculated: which mold, lot or figure is wrong and what to do."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("molds", nargs="+", metavar="MOLD", help="codes on the shelf")
    add_config(parser)
    parser.add_argument("--shelf", type=Path, help="shelf.toml, if not the bench's own")
    parser.add_argument("--lot", help="the lot to weigh out (default: the one opened last that is not suspect)")
    parser.add_argument("--recipe", help="a [[recipe]] of the shelf: pigment and filler, too (or --lot R-07+grey)")
    parser.add_argument("--witness", default=f"{WITNESS_G:g} g", help="poured first into the witness cup")
    parser.add_argument("--cup", metavar="WIDTH", help='inside width of two like straight cups: "70 mm"')
    parser.add_argument("--json", action="store_true", help="as numbers")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    loaded, now_t = load_settings(args.config, args.shelf), time.time()
    bench, used = loaded.bench, asyncio.run(spent_so_far(loaded, now_t))
    molds = [mold_of(bench, code) for word in args.molds for code in word.split(",") if code]
    chosen, label = label_of(bench, args.lot, used, now_t)
    if args.recipe is not None:
        chosen, label = _with_recipe(bench, chosen, args.recipe)
    made = amounts(molds, label, _quantity("--witness", args.witness, "mass"))
    lot = chosen.code if chosen else label.name
    left = left_g(chosen, used)
    caution = [] if chosen is None else _of_lot(bench, chosen, used, made.resin_g, now_t)
    width_mm = None if args.cup is None else _quantity("--cup", args.cup, "length")
    if args.json:
        rest = {"left_g": left, "left_after_g": None if left is None else left - made.resin_g}
        say(json.dumps(tidy("", as_plain(bench, molds, lot, label, made, width_mm) | rest)))
    else:
        say(*lines(bench, molds, lot, label, made, width_mm), *caution)
    return 0


def _of_lot(bench: Bench, lot: Lot, used: Spent, batch_g: float, now_t: float) -> list[str]:
    """Lines on what is left of a lot and any warnings.  Raises AmountsError when more is wanted than is left."""
    left, out = left_g(lot, used), []
    if left is not None and left < batch_g:
        others = [x for x in lots_in_order(bench, used, now_t) if x is not lot and _holds(x, used, batch_g)]
        remedy = f"take --lot {others[0].code}, or fewer molds" if others else "open another lot, or take fewer molds"
        raise AmountsError(f"{lot.code} has {left:.0f} g left, {batch_g:.0f} g are wanted: {remedy}")
    if left is not None:
        out.append(f"{lot.code}: {left:.0f} g left by the shelf and the log, {left - batch_g:.0f} g after this")
    if lot.suspect:
        out.append(f"mind: {lot.code} is marked: {lot.suspect}; a witness pour first, or bin it")
    days = 0.0 if lot.opened is None else (now_t - lot.opened) / DAY_S
    if days > OPENED_DAYS:
        out.append(f"mind: {lot.code}, {days:.0f} days open, may be slow and may foam: a witness pour first")
    if is_past(lot, now_t):
        out.append(f"mind: {lot.code} is past its shelf end; a witness pour first, or bin it")
    return out


def _with_recipe(bench: Bench, lot: Lot | None, code: str) -> tuple[Lot, Resin]:
    """The lot with a recipe, and its label.  Raises AmountsError for an unknown recipe, or where there is no lot."""
    if bench.recipe(code.lower()) is None:
        known = [recipe.code for recipe in bench.recipes]
        raise AmountsError(no_such("recipe", code, known, "write a [[recipe]] table into shelf.toml"))
    mixed = None if lot is None else bench.lot(f"{base_of(lot.id)}{JOIN}{code.lower()}")
    if mixed is None:
        raise AmountsError("--recipe: of which lot? name one with --lot, from a [[lot]] of shelf.toml")
    return mixed, mixed.label


def _holds(lot: Lot, used: Spent, batch_g: float) -> bool:
    left = left_g(lot, used)
    return left is None or left >= batch_g


def _quantity(flag: str, written: str, dimension: str) -> float:
    try:
        value = parse_quantity(written, dimension)  # type: ignore[arg-type]  # one of the dimensions' names
    except QuantityError as error:
        raise AmountsError(f"{flag}: {error}") from error
    if value < 0.0 or (value == 0.0 and flag == "--cup"):
        raise AmountsError(f"{flag}: {written} is not above zero")
    return value


def mold_of(bench: Bench, code: str) -> Mold:
    """The mold with this code.  Raises AmountsError for an unknown or retired one."""
    mold = bench.mold(code.lower())
    if mold is None:
        raise AmountsError(no_such("mold", code.upper(), [m.code for m in bench.molds], "the shelf is empty"))
    if mold.retired:
        raise AmountsError(f"{mold.code} is retired: leave it out, or take `retired` off it in shelf.toml")
    return mold


def label_of(bench: Bench, code: str | None, used: Spent, now_t: float) -> tuple[Lot | None, Resin]:
    """The lot and its label; without a code, the newest lot that is not suspect, empty or past its shelf end."""
    if code is None:
        first = next(iter(lots_in_order(bench, used, now_t)), None) or bench.lot_in_use()
        label = first.label if first else bench.label_for(None)
        if label is None:
            raise AmountsError("no lot to weigh out: add one to shelf.toml, or name a default_resin in bench.toml")
        return first, label
    lot = bench.lot(code.lower())
    if lot is None:
        raise AmountsError(no_such("lot", code.upper(), [x.code for x in bench.lots], "the shelf has none"))
    return lot, lot.label


def lines(
    bench: Bench, molds: Sequence[Mold], lot: str, label: Resin, made: Amounts, width_mm: float | None
) -> Iterator[str]:
    """The answer in words."""
    for mold, grams in zip(molds, made.shots_g, strict=True):
        yield f"{mold.code:8} {mold.name:28} {fill_ml(mold):7.1f} ml  {grams:7.1f} g"
    yield f"{'':8} {'cup film':28} {'':7}     {made.film_g:7.1f} g"
    yield f"{'':8} {'witness cup':28} {'':7}     {made.witness_g:7.1f} g"
    yield ""
    yield f"mix {made.batch_g:.0f} g of {lot}:  A {made.a_g:.1f} g  B {made.b_g:.1f} g" + "".join(
        f"  {what} {grams:.1f} g" for what, grams in (("pigment", made.pigment_g), ("filler", made.filler_g)) if grams
    )
    yield from _recipe(label)
    yield f"by volume:  A {made.a_ml:.1f} ml  B {made.b_ml:.1f} ml"
    if width_mm is not None:
        a_mm, b_mm = cup_height_mm(made.a_ml, width_mm), cup_height_mm(made.b_ml, width_mm)
        yield f"marks in two like cups {width_mm:.0f} mm wide inside:  A {a_mm:.1f} mm  B {b_mm:.1f} mm"
        yield "check the marks with weighed water, never swap the cups, and add a touch more A for what clings"
    excess = excess_b_if_weighed_by_volume(label)
    if abs(excess) > SLIP:
        side = "B" if excess > 0 else "A"
        yield f"weighed as if the volume ratio were by weight, {abs(excess) * 100:.0f} % too much {side} would go in"
    yield from _small(bench, molds, label, made)
    yield from _reservoirs(bench, molds)


def _recipe(label: Resin) -> Iterator[str]:
    """What the recipe changes, and with which doubt."""
    if not label.recipe:
        return
    rise, doubt = 100.0 * label.rise_share, 100.0 * DOUBT_SD
    yield f"mixture {label.density_cured_g_ml:.3f} g/ml, heats to {rise:.0f} % of the bare resin's rise"
    yield f"kick about {label.slowing:.2f} times later by the heat alone, +-{doubt:.0f} %: a witness pour first"
    yield "dry the filler, stir pigment and filler into B, then add A (common practice)"


def _small(bench: Bench, molds: Sequence[Mold], label: Resin, made: Amounts) -> Iterator[str]:
    if made.is_small:
        yield f"below {SMALL_BATCH_G:.0f} g a batch is hard to proportion and heats poorly: mix at least that much"
    spare = max(0.0, SMALL_BATCH_G - made.batch_g)
    for mold in bench.molds:
        grams = shot_g(mold, label.density_cured_g_ml)
        if mold.reserve and not mold.retired and mold not in molds:
            fits = "takes what is left over" if grams <= max(spare, made.witness_g) else "stands ready for a surplus"
            yield f"reserve: {mold.code} {mold.name} ({grams:.0f} g) {fits}"


def _reservoirs(bench: Bench, molds: Sequence[Mold]) -> Iterator[str]:
    pot = bench.pots[0] if bench.pots else None
    if pot is None:
        return
    share = pocket_share(pot.target_kpa, bench.p_atm_kpa)
    at = shown_pressure(pot.target_kpa, bench.pressure_unit)
    yield f"at {at} a trapped pocket falls to {share * 100:.0f} % of its volume; resin follows from above:"
    for mold in molds:
        if mold.reservoir_ml > 0.0:
            most_ml = largest_pocket_ml(mold.reservoir_ml, pot.target_kpa, bench.p_atm_kpa)
            yield f"  {mold.code}: its {mold.reservoir_ml:g} ml reservoir makes up for a pocket of {most_ml:.1f} ml"
        else:
            yield f"  {mold.code}: no reservoir_ml on the shelf; its level will drop by what is trapped in it"


def as_plain(
    bench: Bench, molds: Sequence[Mold], lot: str, label: Resin, made: Amounts, width_mm: float | None
) -> dict[str, object]:
    """The answer as numbers."""
    keys = (
        "fill_g",
        "film_g",
        "witness_g",
        "batch_g",
        "a_g",
        "b_g",
        "a_ml",
        "b_ml",
        "is_small",
        "pigment_g",
        "filler_g",
    )
    out: dict[str, object] = {"lot": lot} | {key: getattr(made, key) for key in keys}
    out["molds"] = [
        {"code": mold.code, "fill_ml": fill_ml(mold), "shot_g": grams}
        for mold, grams in zip(molds, made.shots_g, strict=True)
    ]
    out["excess_b_if_weighed_by_volume"] = excess_b_if_weighed_by_volume(label)
    if width_mm is not None:
        out |= {"a_mm": cup_height_mm(made.a_ml, width_mm), "b_mm": cup_height_mm(made.b_ml, width_mm)}
    return out
