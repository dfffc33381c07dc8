"""`benchd learn`: learns a resin's cure on this bench from its own past pours, and writes it into the resin's file.

The result goes into the [cure] table of resins/NAME.toml, with its spread and the pours it came from, and only if it
would have predicted this bench's pours better than the values there before.  `--undo` restores those.
"""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Mapping
from math import expm1
from pathlib import Path
from typing import Any

import tomlkit

from benchd.commands.learn.prior import offer_to, prior_from, told_of
from benchd.core.bench import Resin
from benchd.core.learned.cure_lessons import LearnedCure, learn, spread_of
from benchd.errors import BenchdError, no_such
from benchd.plugins import load_settings
from benchd.runtime.history.lessons import lessons_of
from benchd.runtime.journal.asked import there, to_read
from benchd.runtime.printing.terminal import Progress, complain, say
from benchd.settings import Loaded
from benchd.settings.config_option import add_config
from benchd.settings.edits import EditedFile, read_toml, save_toml

HELP = "learn how a resin cures from this bench's own past pours"
EXAMPLE = "benchd learn harbour-fast"


class LearnRefused(BenchdError):
    """Nothing was learned, and why; the resin's file is unchanged."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("resin", metavar="RESIN", help="the resin's id: the name of its file in resins/")
    add_config(parser)
    parser.add_argument("--journal", type=Path, help="the journal's file, if not the one bench.toml names")
    other = parser.add_mutually_exclusive_group()
    other.add_argument("--offer", type=Path, metavar="FILE", help="write what was learned here for other benches")
    other.add_argument(
        "--prior", nargs="+", metavar="OFFER", help='take what others learned: their files, or "shop" to ask the shop'
    )
    other.add_argument("--undo", action="store_true", help="put back the times from before the last learn")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    loaded = load_settings(args.config)
    resin = _resin(loaded, args.resin)
    places = loaded.places
    if args.offer is not None:
        say(offer_to(args.offer, resin))
        return 0
    file = read_toml(places.resins / f"{resin.id}.toml", follows=not places.keeps_resins)
    if args.undo:
        return _undo(file, args.config)
    if args.prior is not None:
        prior = prior_from(args.prior, loaded, resin)
        _write(file, {**prior, "before": {k: v for k, v in resin.cure.items() if k != "before"}}, args.config)
        say(*told_of(prior), f"Written to {file.path}; `benchd learn {resin.id} --undo` takes it back.")
        return 0
    path = args.journal or loaded.journal_path
    there(path)
    learned = asyncio.run(_learn(path, loaded, resin))
    _tell(resin, learned)
    if not learned.is_better:
        complain("Not better than what is known: left as it was.")
        return 1
    before = {k: v for k, v in resin.cure.items() if k != "before"}
    _write(file, {**learned.table, "spread": _rounded(spread_of(learned.table)), "before": before}, args.config)
    say(f"Written to {file.path}; `benchd learn {resin.id} --undo` takes it back.")
    return 0


def _resin(loaded: Loaded, id: str) -> Resin:
    found = loaded.bench.resin(id)
    if found is None:
        raise LearnRefused(no_such("resin", id, [r.id for r in loaded.bench.resins], "resins/ is empty"))
    return found


async def _learn(path: Path, loaded: Loaded, resin: Resin) -> LearnedCure:
    async with to_read(path) as journal:
        lessons = await lessons_of(journal, loaded.bench, resin)
    if not lessons:
        raise LearnRefused(f"no pour of {resin.id} with a marked mix and a known kick is in the journal yet")
    with Progress() as progress:
        learned = learn(loaded.bench, resin, lessons, lambda n: progress.show(f"pour {n} of {len(lessons)}"))
    if not learned.used:
        raise LearnRefused(f"none of {len(lessons)} pours has a curve to learn from: {', '.join(learned.refused)}")
    return learned


def _tell(resin: Resin, learned: LearnedCure) -> None:
    say(f"{resin.name}: learned from {len(learned.used)} pours: {', '.join(learned.used)}.")
    if learned.by_mark:
        say(f"By their marked kick alone, no law follows their curves: {', '.join(learned.by_mark)}.")
    if learned.refused:
        say(f"Left out, their curves fit no resin: {', '.join(learned.refused)}.")
    for lot, (speed, sd, pours) in learned.table.get("lots", {}).items():
        say(f"  lot {lot}: {100.0 * expm1(speed):+.0f} % speed, +-{100.0 * sd:.0f} %, {pours} pours")
    if learned.old_error is not None and learned.new_error is not None:
        of = f"{learned.judged} pours it had not seen" if learned.judged else "that one pour itself"
        old, new = 100.0 * learned.old_error, 100.0 * learned.new_error
        say(f"Kick forecast at half time, mean error over {of}: {old:.1f} % before, {new:.1f} % now.")


def _undo(file: EditedFile, config: Path) -> int:
    cure = file.values.get("cure")
    if not isinstance(cure, Mapping) or "before" not in cure:
        raise LearnRefused(f"{file.path}: nothing was learned that could be undone")
    before = tomlkit.item(dict(cure["before"])).unwrap()
    _write(file, before, config)
    say(f"{file.path}: " + ("back to what was learned before." if before else "back to the label."))
    return 0


def _write(file: EditedFile, cure: Mapping[str, Any], config: Path) -> None:
    """Write a [cure] table at the end of the resin's file (none if it is empty), if the whole still loads."""
    file.values.pop("cure", None)
    if cure:
        file.values["cure"] = dict(cure)
    save_toml(file, read_toml, lambda _: None)
    load_settings(config)


def _rounded(spread: Mapping[str, float]) -> dict[str, float]:
    return {name: float(f"{value:.3g}") for name, value in spread.items()}
