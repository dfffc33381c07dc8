"""`benchd plan`: plans which molds share a load today, in which order, and with how much time to spare."""

from __future__ import annotations

import argparse
import asyncio
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchd.commands.orders import orders_now
from benchd.commands.plan.words import lines_of
from benchd.commands.shelf.spent import spent_so_far
from benchd.core.units import QuantityError, parse_quantity
from benchd.plugins import load_settings
from benchd.runtime.history.past import learned_from
from benchd.runtime.http.local_client import NoDaemonError
from benchd.runtime.http.running import ask
from benchd.runtime.printing.terminal import Progress, complain, say, say_json
from benchd.runtime.watch.sheet_file import read_sheet
from benchd.settings import Loaded
from benchd.settings.config_option import add_config
from benchd.shelf.plan import plan
from benchd.shelf.plan.prep import with_prep
from benchd.shelf.plan.sheet import Sheet, sheet_body, sheet_from_body, sheet_of
from benchd.shelf.plan.slip import told
from benchd.shelf.plan.wish import CannotPlan, Wish, ask_of

HELP = "plan the day: which molds share a load, in which order, how many grams; without molds, the day as kept"
EXAMPLE = "benchd plan M01 M02x2 M03 --temp 21.5C --keep"
ROUTE = "/api/v0/plan"
SEARCH_S = 5.0  # used only beyond 12 casts, where the best plan found in this time is taken


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("molds", nargs="*", metavar="MOLD", help="a mold's code; M02x2 for two casts of it")
    parser.add_argument(
        "--lot", help="this lot and no other (default: the newest good one, and others where it does not do)"
    )
    parser.add_argument("--temp", metavar="T", help='the room, as "21.5C" or "70F" (default: the room\'s probe)')
    parser.add_argument(
        "--loads", type=int, metavar="N", help="at most this many loads; what is left out is listed with the reason"
    )
    parser.add_argument(
        "--pour", action="append", default=[], metavar="MOLD=S", help="seconds to fill a mold, where you know better"
    )
    parser.add_argument("--keep", action="store_true", help="give it to the running daemon, which follows it")
    parser.add_argument("--orders", action="store_true", help="what the orders want of today")
    parser.add_argument("--drop", action="store_true", help="discard the kept sheet")
    parser.add_argument("--json", action="store_true", help="the run sheet as JSON")
    add_config(parser)
    parser.add_argument("--shelf", type=Path, help="plan from this shelf.toml, not by the running daemon")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.drop and (args.molds or args.keep):
        args.parser.error("--drop stands alone: it puts the kept sheet away")
    if args.orders and not args.molds:
        args.molds = orders_now(args.config)["today"]
        if not args.molds:
            say("The orders want nothing of today; `benchd orders` shows them.")
            return 0
    if args.keep and not args.molds:
        args.parser.error("--keep needs molds: benchd plan M01 M02 --keep")
    if args.keep and args.shelf:
        args.parser.error("--keep is planned by the running daemon, from its own files: leave --shelf out")
    if args.drop:
        _asked("PUT", {"sheet": None})
        say("The sheet is put away.")
        return 0
    sheet, zone = _kept(args) if not args.molds else _planned(args)
    if args.json:
        say_json({"v": 0, "sheet": None if sheet is None else sheet_body(sheet)}, indent=1)
    else:
        say(*lines_of(sheet, zone, is_kept=args.keep or not args.molds))
    return 0 if sheet is None or sheet.loads or not args.molds else 1


def _kept(args: argparse.Namespace) -> tuple[Sheet | None, str | None]:
    """The current run sheet: the daemon's, else the one beside the journal."""
    try:
        return _asked("GET", None), None
    except NoDaemonError:
        if not args.config.exists():
            raise
    loaded = load_settings(args.config, args.shelf)
    sheet = read_sheet(loaded.journal_path.parent)
    return (None if sheet is None else told(sheet)), loaded.timezone


def _planned(args: argparse.Namespace) -> tuple[Sheet, str | None]:
    temp_c, pours_s = _temp_c(args), _pours_s(args)
    if args.shelf is None:
        body: dict[str, Any] = {"molds": args.molds, "dry": not args.keep, "pours": pours_s}
        body |= {k: v for k, v in (("lot", args.lot), ("temp_c", temp_c), ("loads", args.loads)) if v is not None}
        try:
            found = _asked("PUT", body)
            assert found is not None  # the daemon answers a plan with its sheet
            return found, None
        except NoDaemonError:
            if args.keep or not args.config.exists():
                raise
            complain("benchd is not running: planned from the files")
    loaded = load_settings(args.config, args.shelf)
    wish = Wish(
        molds=tuple(args.molds), lot=args.lot, temp_c=temp_c, loads=args.loads, pours_s=pours_s, start_t=time.time()
    )
    return asyncio.run(_from_files(loaded, wish)), loaded.timezone


async def _from_files(loaded: Loaded, wish: Wish) -> Sheet:
    bench, now_t = loaded.bench, wish.start_t
    used = await spent_so_far(loaded, now_t)
    learned = await learned_from(loaded.journal_path, now_t, bench) if loaded.journal_path.exists() else None
    asked = ask_of(wish, bench, used, learned)
    until_s = time.monotonic() + SEARCH_S

    def go_on(branches: int) -> bool:
        if branches % 256:
            return True
        progress.show(f"{branches} days looked at")
        return time.monotonic() < until_s

    with Progress() as progress:
        made = plan(asked, None, go_on)
    return with_prep(sheet_of(made, now_t), bench, now_t)


def _asked(method: str, body: Mapping[str, Any] | None) -> Sheet | None:
    """The sheet in the daemon's answer.  Raises NoDaemonError, CannotPlan."""
    _, answer = ask(method, ROUTE, body, timeout_s=30.0)
    if answer.get("ok") is False or "sheet" not in answer:
        field = str(answer.get("field", ""))
        raise CannotPlan(field, str(answer.get("why") or "the daemon sent no plan; is it of this version?"))
    sheet = sheet_from_body(answer["sheet"])
    if sheet is None and answer["sheet"] is not None:
        raise CannotPlan("sheet", "the daemon's plan cannot be read; is it of this version?")
    return sheet


def _temp_c(args: argparse.Namespace) -> float | None:
    if args.temp is None:
        return None
    try:
        return float(args.temp)
    except ValueError:
        pass
    try:
        return parse_quantity(args.temp, "temperature")
    except QuantityError as error:
        args.parser.error(f"--temp: {error.problem}; {error.remedy}")
        raise


def _pours_s(args: argparse.Namespace) -> dict[str, float]:
    pours: dict[str, float] = {}
    for word in args.pour:
        code, _, seconds = word.partition("=")
        try:
            pours[code] = float(seconds.removesuffix("s"))
        except ValueError:
            args.parser.error(f"--pour {word!r} is not MOLD=SECONDS, as in --pour M02=15")
    return pours
