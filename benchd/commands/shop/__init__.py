"""`benchd shop`: shows all benches of a shop on one screen, and its books."""

from __future__ import annotations

import argparse
import asyncio
import logging
import sys
from functools import partial
from pathlib import Path
from typing import Any

from benchd.errors import SourceError
from benchd.runtime.http import local_client
from benchd.runtime.printing.log_lines import LEVELS, logging_to
from benchd.runtime.watch.systemd import Notifier
from benchd.workshop import its_libraries

HELP = "show all benches of a shop on one screen, and its books; --demo plays three"
EXAMPLE = "benchd shop --demo"
CONFIG = Path("config/workshop.toml")

log = logging.getLogger("benchd")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("-c", "--config", type=Path, default=CONFIG, metavar="FILE", help=f"workshop.toml ({CONFIG})")
    parser.add_argument("--pair", action="store_true", help="pair a screen with the running `benchd shop`")
    parser.add_argument("--demo", action="store_true", help="play three simulated benches, with nothing to install")
    parser.add_argument("--seconds", type=float, metavar="S", help="with --demo: end after so many seconds")
    parser.add_argument("--port", type=int, help="with --demo: where the page listens (default: any free port)")
    parser.add_argument("--log-level", choices=LEVELS, default="info", help="least level written (default info)")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.demo:
        from benchd.commands.shop.demo import play

        with logging_to(sys.stderr, "warning"):
            return asyncio.run(play(args.port, args.seconds))
    with its_libraries():
        from benchd.workshop.database.postgres import Postgres
        from benchd.workshop.page.serving import SOCKET, serve
        from benchd.workshop.settings import load_workshop
    workshop = load_workshop(args.config)
    if args.pair:
        return _pair(workshop.state / SOCKET)
    with logging_to(sys.stderr, args.log_level):
        try:
            asyncio.run(serve(workshop, Postgres(workshop.database.dsn, "benchd shop"), Notifier()))
        except (SourceError, OSError) as error:
            log.error("%s", error)
            return 1
    return 0


def _pair(socket: Path) -> int:
    from benchd.commands.pair import answered, show_code

    asked: Any = partial(local_client.ask, path=socket)
    show_code(answered("POST", "/api/v0/pairing", {}, asked))
    return 0
