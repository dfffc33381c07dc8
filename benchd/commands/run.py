"""`benchd run`: watches a bench until stopped."""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import signal
import sys
import time
from collections.abc import Callable
from functools import partial
from itertools import count
from pathlib import Path

from benchd import __version__
from benchd.app import Doors, Watch
from benchd.app.journal_ends import last_saved_t
from benchd.errors import Complaint, JournalError, JournalInUse, SettingsError, SourceError
from benchd.plugins import load_settings
from benchd.runtime.clock import BenchClock
from benchd.runtime.history.past import taught_before
from benchd.runtime.http.local_client import socket_path
from benchd.runtime.journal.lock import JournalLock
from benchd.runtime.printing.log_lines import LEVELS, logging_to, pairs
from benchd.runtime.shelf_desk import ShelfDesk
from benchd.runtime.watch.recovery import Recovered
from benchd.runtime.watch.supervise import PartState
from benchd.runtime.watch.systemd import Notifier, feed_watchdog
from benchd.settings import Loaded
from benchd.settings.config_option import add_config
from benchd.settings.move_in import move_in
from benchd.settings.places import Places, places_of
from benchd.settings.restart import kept_until_restart

HELP = "watch the bench until stopped (Ctrl-C or SIGTERM)"
EXAMPLE = "benchd run -c /etc/benchd/bench.toml"
CAUTION = "benchd is no safety device: watch the dial, keep the relief valve free, follow the SDS and the pot's mark."

TURN_S = 60.0  # below the unit's TimeoutStartSec; an import takes seconds

log = logging.getLogger("benchd")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser, is_followed=False)
    parser.add_argument("--shelf", type=Path, help="shelf.toml, if not the bench's own")
    parser.add_argument(
        "--rate", type=float, default=1.0, help="bench seconds per second, for boards that send their own time"
    )
    parser.add_argument("--no-page", action="store_true", help="do not serve the page's port")
    parser.add_argument("--log-level", choices=LEVELS, default="info", help="least level written (default info)")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if not 0.0 < args.rate < 1e6:
        args.parser.error("--rate must be above zero; write for example --rate 20")
    read = partial(settled, args.config, args.shelf)
    with logging_to(sys.stderr, args.log_level):
        loaded = read()
        for warning in loaded.warnings:
            log.warning("%s", warning)
        try:
            shelf = partial(shelf_desk, args.config, args.shelf)
            asyncio.run(watch(loaded, args.rate, not args.no_page, read, shelf))
        except (SourceError, OSError) as error:
            log.error("%s", error)
            return 1
    return 0


def settled(config: Path, shelf: Path | None) -> Loaded:
    """The files as they are now; a service's are in its state directory.  Raises SettingsError."""
    loaded = load_settings(config, shelf)
    _refuse_anothers(loaded.places)
    moved = move_in(loaded.places)
    for line in moved.copied:
        log.info("%s", line)
    if moved.trouble:
        log.warning("%s", moved.trouble)
    return load_settings(config, shelf) if moved.copied else loaded


def _refuse_anothers(places: Places) -> None:
    """Refuse to run on a service's files: files written by another user would be closed to it."""
    if places.is_service and "STATE_DIRECTORY" not in os.environ and places.state.stat().st_uid != os.geteuid():
        problem = f"is watched by a service, which keeps its files in {places.state}"
        raise SettingsError(Complaint(str(places.bench), "file", problem, "start it with: systemctl start benchd"))


def shelf_desk(config: Path, shelf: Path | None) -> ShelfDesk:
    """The desk that edits the shelf's file for the page."""
    from benchd.settings.shelf_form import ShelfForm

    places = places_of(config, shelf)
    return ShelfForm(
        places.shelf, lambda new: load_settings(config, new), places.resins, follows=not places.keeps_shelf
    )


async def watch(
    loaded: Loaded, rate: float, page: bool, read: Callable[[], Loaded], shelf: Callable[[], ShelfDesk]
) -> None:
    """Watch until SIGTERM or SIGINT; SIGHUP reloads the files.  Raises JournalInUse when another benchd is watching."""
    manager = Notifier()
    await take_turn(loaded.journal_path, manager)
    clock = BenchClock(rate, not_before_s=await last_saved_t(loaded.journal_path))
    doors = Doors(socket=socket_path(), page=page)
    if page:
        log.info("page %s", loaded.page.url)
    bench = Watch(loaded, clock, doors, on_ready=lambda found: _ready(loaded, doors, found, manager), on_part=_part)
    bench.reread, bench.shelf = partial(reread, bench, loaded, read), shelf
    bench.learned = await taught_before(loaded.journal_path, clock.now())
    stop = asyncio.Event()

    def end() -> None:
        manager.stopping()
        stop.set()

    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, end)
    loop.add_signal_handler(signal.SIGHUP, reread, bench, loaded, read)
    feeding = asyncio.create_task(feed_watchdog(manager, bench.health, time.monotonic, log.error), name="watchdog")
    try:
        await bench.run(stop)
    finally:
        feeding.cancel()
    log.info("stopped")


async def take_turn(journal: Path, manager: Notifier, most_s: float = TURN_S) -> None:
    """Make sure that no other benchd has the journal before anything in it is read.  Raises JournalInUse.

    When started by a person it reports this at once.  A service waits a while: if it ended at once it would be
    restarted every two seconds beside the watched bench; and when the other one ends, the bench must not be left
    unwatched.
    """
    for second in count():
        lock = JournalLock(journal)
        try:
            lock.take()
        except JournalInUse as error:
            if not manager.is_managed or second >= most_s:
                raise
            if second == 0:
                log.error("%s; waiting for it", error)
            manager.status(f"waits: {error}")
            await asyncio.sleep(1.0)
        except JournalError:
            return  # the watch reports it, and continues without the journal
        else:
            lock.release()
            return


def reread(bench: Watch, started: Loaded, read: Callable[[], Loaded]) -> str:
    """Reload the files; if anything in them is wrong, return it and keep the old ones in force.

    Settings that need a restart stay as they were when `started`, and the log says which of them have changed.
    """
    try:
        fresh = read()
    except SettingsError as error:
        for complaint in error.complaints:
            log.error("not taken: %s", complaint)
        return str(error)
    for warning in fresh.warnings:
        if warning not in bench.loaded.warnings:
            log.warning("%s", warning)
    kept, waiting = kept_until_restart(started, fresh)
    bench.take(kept)
    log.info("the files were read again")
    if waiting:
        log.warning("restart needed for %s; all else is in force", "; ".join(waiting))
    return ""


def _ready(loaded: Loaded, doors: Doors, found: Recovered, manager: Notifier) -> None:
    bench = loaded.bench
    watched = ", ".join(c.id for c in bench.channels) or "nothing yet"
    manager.ready(f"watches {bench.name}: {watched}")
    log.info("benchd %s watches %s: %s", __version__, bench.name, watched)
    if found.since_t:
        log.info("picked up where the journal ends (%s)", found.how)
    for notice in found.notices:
        log.warning("%s", notice)
    if "mqtt" not in loaded.outlets:
        log.warning("no [mqtt] broker is configured: no phone hears this bench")
    places = loaded.places
    for name, path in (("shelf", places.shelf), ("resins", places.resins)):
        log.info("%s %s%s", name, path, places.instead_of(path))
    log.info("journal %s, socket %s", loaded.journal_path, doors.socket)
    log.info(CAUTION)


def _part(state: PartState) -> None:
    if state.retry_s is not None:
        log.warning("%s failed", state.name, extra=pairs(part=state.name, why=state.why, retry_s=state.retry_s))
