"""`benchd gather`: collects what the benches of a shop send into its database."""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.runtime.printing.log_lines import LEVELS, logging_to
from benchd.runtime.watch.systemd import MEALS, Notifier
from benchd.workshop import its_libraries

HELP = "collect what the benches of a shop send into its database"
EXAMPLE = "benchd gather -c config/workshop.toml"
CONFIG = Path("config/workshop.toml")

if TYPE_CHECKING:
    from benchd.workshop.database.postgres import Postgres
    from benchd.workshop.settings import Workshop

log = logging.getLogger("benchd")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("-c", "--config", type=Path, default=CONFIG, metavar="FILE", help=f"workshop.toml ({CONFIG})")
    parser.add_argument("--prepare", action="store_true", help="bring the database's tables up to date, then end")
    parser.add_argument(
        "--leave", action="store_true", help="take what waits for this gatherer, then end its session at the broker"
    )
    parser.add_argument("--log-level", choices=LEVELS, default="info", help="least level written (default info)")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    with its_libraries():
        from benchd.workshop.database.postgres import Postgres
        from benchd.workshop.settings import load_workshop
    workshop = load_workshop(args.config)
    database = Postgres(workshop.database.dsn, f"benchd gather {workshop.name}")
    with logging_to(sys.stderr, args.log_level):
        if args.prepare:
            database.prepare()
            database.close()
            log.info("the database is up to date")
            return 0
        return _gather(workshop, database, args.leave)


def _gather(workshop: Workshop, database: Postgres, leaves: bool) -> int:
    from benchd.workshop.gathering.gatherer import Gatherer
    from benchd.workshop.gathering.ways_in import leaving, way_in

    stop, manager = threading.Event(), Notifier()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    fed_s = 0.0

    def beat() -> None:
        nonlocal fed_s
        if manager.watchdog_s is not None and time.monotonic() - fed_s > manager.watchdog_s / MEALS:
            fed_s = time.monotonic()
            manager.feed()

    door = way_in(workshop)
    gatherer = Gatherer(door, database, beat)
    manager.ready(f"gathers as {workshop.name}")
    log.info("gathers as %s", workshop.name)
    if leaves:
        leaving(door, gatherer, stop.is_set)
    else:
        gatherer.run(stop.is_set)
    manager.stopping()
    done = gatherer.counts
    log.info("%d messages in %d commits, %d refused", done.messages, done.commits, done.refused)
    return 0
