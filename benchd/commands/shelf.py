"""`benchd shelf`: the molds and lots, shown and edited; comments in shelf.toml stay."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

from benchd.core.bench import Bench, Lot, Mold
from benchd.core.units import QuantityError, parse_quantity
from benchd.errors import BenchdError
from benchd.plugins import load_settings
from benchd.runtime.local_client import NoDaemonError, ask
from benchd.settings.edits import EditError, TomlFile
from benchd.settings.shelf_edits import add, change, entry, read_shelf, save, typed
from benchd.shelf.amounts import fill_ml
from benchd.shelf.volumes import volume_from_casting_ml, volume_from_water_ml

HELP = "show the molds and lots, or add, change, retire one"
EXAMPLE = 'benchd shelf add mold M09 name="Harbour gull" thin_mm=3 thick_mm=12 --water "940 g" "880 g" "20 C"'
ACTIONS = ("show", "add", "change", "retire", "restore")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("action", nargs="?", choices=ACTIONS, default="show")
    parser.add_argument("kind", nargs="?", choices=("mold", "lot"), help="for add and change")
    parser.add_argument("code", nargs="?", help="M09, R-08")
    parser.add_argument("keys", nargs="*", metavar="KEY=VALUE", help="as in shelf.toml; an empty value takes it away")
    parser.add_argument("-c", "--config", type=Path, default=Path("config/bench.toml"), help="bench.toml")
    parser.add_argument("--shelf", type=Path, help="shelf.toml, if not beside bench.toml")
    volume = parser.add_mutually_exclusive_group()
    volume.add_argument("--water", nargs=3, metavar=("FULL", "EMPTY", "TEMP"), help="the mold full of water, and empty")
    volume.add_argument("--casting", metavar="WEIGHT", help="a good casting with its gates and vents on")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    if args.action == "show":
        print("\n".join(shown(load_settings(args.config, args.shelf).bench)))
        return 0
    if args.kind is None or args.code is None:
        args.parser.error(f"{args.action}: say which, as in: benchd shelf {args.action} mold M09")
    file = read_shelf(args.shelf or args.config.parent / "shelf.toml")
    keys = dict(_pair(word) for word in args.keys) | _switched(args)
    if args.water or args.casting:
        keys["cavity_ml"] = _cavity_ml(args, file, keys)
    if args.action == "add":
        add(file, args.kind, {"code": args.code, **keys})
    else:
        change(file, args.kind, args.code, keys)
    save(file, lambda new: load_settings(args.config, new))
    print(f"{file.path}: {args.kind} {args.code} written; {taken_up()}")
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


def _cavity_ml(args: argparse.Namespace, file: TomlFile, keys: dict[str, object]) -> float:
    """The cavity from the whole volume weighed, less the gate and reservoir that stand beside it."""
    try:
        if args.water:
            full_g, empty_g = (parse_quantity(text, "mass") for text in args.water[:2])
            whole_ml = volume_from_water_ml(full_g, empty_g, parse_quantity(args.water[2], "temperature"))
        else:
            whole_ml = volume_from_casting_ml(parse_quantity(args.casting, "mass"), _cured_g_ml(args))
    except (QuantityError, ValueError) as error:
        raise EditError(f"--{'water' if args.water else 'casting'}: {error}") from error
    known = {} if args.action == "add" else entry(file, args.kind, args.code)
    rest = [float(str(keys.get(key, known.get(key, 0.0)) or 0.0)) for key in ("gate_ml", "reservoir_ml")]
    if whole_ml <= sum(rest):
        raise EditError(f"{whole_ml:.1f} ml is no more than gate and reservoir together ({sum(rest):g} ml)")
    return round(whole_ml - sum(rest), 1)


def _cured_g_ml(args: argparse.Namespace) -> float:
    label = load_settings(args.config, args.shelf).bench.label_for(None)
    if label is None:
        raise EditError("--casting: no default_resin in bench.toml says how dense the cast is")
    return label.density_cured_g_ml


def taken_up() -> str:
    """Ask the running daemon to read its files again, and say how that went."""
    try:
        status, answer = ask("POST", "/api/v0/reread", {})
    except NoDaemonError:
        return "no benchd runs here: it is read at the next start"
    except BenchdError as error:
        return f"benchd did not answer ({error}): it is read at its next start"
    return (
        "benchd has taken it up" if status == 200 else f"benchd goes on with the old one: {answer.get('why', status)}"
    )


def shown(bench: Bench) -> Iterator[str]:
    """The shelf as a table."""
    yield f"{'mold':8} {'name':28} {'fill':>8} {'thin/thick':>12} {'pull':>6} {'casts/life':>11}"
    yield from (_mold_line(mold) for mold in bench.molds)
    yield ""
    yield f"{'lot':8} {'resin':28} {'pot life':>8} {'bought':>12} {'a kg':>6}"
    yield from (_lot_line(lot) for lot in bench.lots)


def _mold_line(mold: Mold) -> str:
    sections, casts = f"{mold.thin_mm:g}/{mold.thick_mm:g} mm", f"{mold.casts_before}/{mold.life}"
    more = " retired" if mold.retired else " reserve" if mold.reserve else ""
    return f"{mold.code:8} {mold.name:28} {fill_ml(mold):5.0f} ml {sections:>12} {mold.pull:>6} {casts:>11}{more}"


def _lot_line(lot: Lot) -> str:
    bought = "-" if lot.bought_g is None else f"{lot.bought_g:.0f} g"
    cost = "-" if lot.cost_kg is None else f"{lot.cost_kg:.2f}"
    more = f" {lot.suspect}" if lot.suspect else ""
    return f"{lot.code:8} {lot.label.name:28} {lot.label.pot_life_s:6.0f} s {bought:>12} {cost:>6}{more}"
