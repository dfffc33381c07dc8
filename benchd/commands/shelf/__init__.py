"""`benchd shelf`: shows and edits the molds and lots; comments in shelf.toml are kept."""

from __future__ import annotations

import argparse
import asyncio
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

from benchd.commands.shelf.spent import spent_so_far
from benchd.core.bench import Bench, Lot, Mold
from benchd.core.bench.recipe import Recipe
from benchd.core.units import QuantityError, parse_quantity
from benchd.errors import BenchdError, no_such
from benchd.plugins import load_settings
from benchd.runtime.http.local_client import NoDaemonError
from benchd.runtime.http.running import ask
from benchd.runtime.printing.terminal import say
from benchd.settings.config_option import add_config
from benchd.settings.edits import EditedFile, EditError
from benchd.settings.places import places_of
from benchd.settings.shelf_edits import add, change, entry, read_shelf, save, typed
from benchd.shelf.amounts import fill_ml
from benchd.shelf.remains import Spent, is_past, left_g
from benchd.shelf.volumes import volume_from_casting_ml, volume_from_water_ml

HELP = "show the molds and lots, or add, change, retire one"
EXAMPLE = 'benchd shelf add mold M09 name="Harbour gull" thin_mm=3 thick_mm=12 --water "940 g" "880 g" "20 C"'
ACTIONS = ("show", "add", "change", "retire", "restore")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("action", nargs="?", choices=ACTIONS, default="show")
    parser.add_argument("kind", nargs="?", choices=("mold", "lot"), help="for add and change")
    parser.add_argument("code", nargs="?", help="M09, R-08")
    parser.add_argument("keys", nargs="*", metavar="KEY=VALUE", help="as in shelf.toml; an empty value removes the key")
    add_config(parser)
    parser.add_argument("--shelf", type=Path, help="shelf.toml, if not the bench's own")
    volume = parser.add_mutually_exclusive_group()
    volume.add_argument("--water", nargs=3, metavar=("FULL", "EMPTY", "TEMP"), help="the mold full of water, and empty")
    volume.add_argument("--casting", metavar="WEIGHT", help="a good casting with its gates and vents on")
    parser.add_argument("--of", metavar="LOT", help="the lot that casting is of (default: the mold's own resin)")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.action == "show":
        loaded, now_t = load_settings(args.config, args.shelf), time.time()
        say(*shown(loaded.bench, asyncio.run(spent_so_far(loaded, now_t)), now_t))
        return 0
    if args.kind is None or args.code is None:
        args.parser.error(f"{args.action}: say which, as in: benchd shelf {args.action} mold M09")
    places = places_of(args.config, args.shelf)
    file = read_shelf(places.shelf, follows=not places.keeps_shelf)
    keys = dict(_pair(word) for word in args.keys) | _switched(args)
    if args.water or args.casting:
        keys["cavity_ml"] = _cavity_ml(args, file, keys)
    if args.action == "add":
        add(file, args.kind, {"code": args.code, **keys})
    else:
        change(file, args.kind, args.code, keys)
    save(file, lambda new: load_settings(args.config, new))
    say(f"{file.path}: {args.kind} {args.code} written; {taken_up()}")
    return 0


def _pair(word: str) -> tuple[str, object]:
    key, equals, value = word.partition("=")
    if not equals or not key:
        raise EditError(f'{word!r}: write KEY=VALUE, as life=60 or warm="40 C"')
    return key, typed(key, value)


def _switched(args: argparse.Namespace) -> dict[str, object]:
    if args.action not in ("retire", "restore"):
        return {}
    if args.kind != "mold":
        raise EditError('a lot is not retired: mark it, as in: benchd shelf change lot R-05 suspect="part B foams"')
    return {"retired": True if args.action == "retire" else None}


def _cavity_ml(args: argparse.Namespace, file: EditedFile, keys: dict[str, object]) -> float:
    """The cavity's volume: the whole weighed volume less gate and reservoir, which have keys of their own."""
    known = {} if args.action == "add" else entry(file, args.kind, args.code)
    try:
        if args.water:
            full_g, empty_g = (parse_quantity(text, "mass") for text in args.water[:2])
            whole_ml = volume_from_water_ml(full_g, empty_g, parse_quantity(args.water[2], "temperature"))
        else:
            whole_ml = volume_from_casting_ml(parse_quantity(args.casting, "mass"), _cured_g_ml(args, known, keys))
    except (QuantityError, ValueError) as error:
        raise EditError(f"--{'water' if args.water else 'casting'}: {error}") from error
    rest = [float(str(keys.get(key, known.get(key, 0.0)) or 0.0)) for key in ("gate_ml", "reservoir_ml")]
    if whole_ml <= sum(rest):
        raise EditError(f"{whole_ml:.1f} ml is no more than gate and reservoir together ({sum(rest):g} ml)")
    return round(whole_ml - sum(rest), 1)


def _cured_g_ml(args: argparse.Namespace, known: Mapping[str, object], keys: Mapping[str, object]) -> float:
    """The density of the casting: from its lot, else from the mold's own resin, else from the default one."""
    bench = load_settings(args.config, args.shelf).bench
    if args.of is not None:
        lot = bench.lot(args.of.lower())
        if lot is None:
            codes = [each.code for each in bench.lots]
            raise EditError(f"--of: {no_such('lot', args.of.upper(), codes, 'the shelf has none')}")
        return lot.label.density_cured_g_ml
    own = keys.get("resin", known.get("resin"))
    label = bench.label_for(None) if own is None else bench.resin(str(own))
    if label is None:
        raise EditError(
            f"--casting: no resin {own} in resins/ says how dense the cast is"
            if own is not None
            else "--casting: which resin is it of?  Give --of LOT, the mold's resin=, or a default_resin in bench.toml"
        )
    return label.density_cured_g_ml


def taken_up() -> str:
    """Ask the running daemon to reload its files; returns the result as a sentence."""
    try:
        status, answer = ask("POST", "/api/v0/reread", {})
    except NoDaemonError:
        return "no benchd runs here: it is read at the next start"
    except BenchdError as error:
        return f"benchd did not answer ({error}): it is read at its next start"
    return (
        "benchd has taken it up" if status == 200 else f"benchd goes on with the old one: {answer.get('why', status)}"
    )


def shown(bench: Bench, used: Spent, now_t: float) -> Iterator[str]:
    """The shelf as a table; casts and grams from the journal."""
    yield f"{'mold':8} {'name':28} {'fill':>8} {'thin/thick':>12} {'pull':>6} {'casts/life':>11}"
    yield from (_mold_line(mold, used, now_t) for mold in bench.molds)
    yield ""
    yield f"{'lot':8} {'resin':28} {'pot life':>8} {'left':>12} {'a kg':>6}"
    yield from (_lot_line(lot, used, now_t) for lot in bench.lots)
    if bench.recipes:
        yield ""
        yield f"{'recipe':8} {'name':28} {'pigment':>8} {'filler':>12}   to 100 of A and B"
        yield from (_recipe_line(recipe) for recipe in bench.recipes)


def _mold_line(mold: Mold, used: Spent, now_t: float) -> str:
    casts = mold.casts_before + used.casts.get(mold.id, 0)
    sections, life = f"{mold.thin_mm:g}/{mold.thick_mm:g} mm", f"{casts}/{mold.life}"
    more = " retired" if mold.retired else " reserve" if mold.reserve else ""
    more += " past its last day" if is_past(mold, now_t) else ""
    return f"{mold.code:8} {mold.name:28} {fill_ml(mold):5.0f} ml {sections:>12} {mold.pull:>6} {life:>11}{more}"


def _recipe_line(recipe: Recipe) -> str:
    pigment, filler = (f"{phr:.1f}" if phr else "-" for phr in (recipe.pigment_phr, recipe.filler_phr))
    return f"{recipe.code:8} {recipe.name:28} {pigment:>8} {filler:>12}"


def _lot_line(lot: Lot, used: Spent, now_t: float) -> str:
    left = left_g(lot, used)
    grams = "-" if left is None else f"{left:.0f} g"
    cost = "-" if lot.cost_kg is None else f"{lot.cost_kg:.2f}"
    more = f" {lot.suspect}" if lot.suspect else ""
    more += " past its shelf end" if is_past(lot, now_t) else ""
    return f"{lot.code:8} {lot.label.name:28} {lot.label.pot_life_s:6.0f} s {grams:>12} {cost:>6}{more}"
