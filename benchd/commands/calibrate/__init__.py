"""`benchd calibrate`: calibrate a channel against ice, boiling water, an open pot or a value you trust."""

from __future__ import annotations

import argparse
import datetime
import os
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from benchd.commands.calibrate.history import Entry, Written, append, in_use, read_history, to_undo
from benchd.commands.calibrate.job import Job, refuse_closed, refuse_far, tell_class, typed
from benchd.commands.calibrate.live import listen, refuse_unsteady
from benchd.commands.calibrate.points import CalibrationRefused, Points, combined, effect, refuse_odd, uncorrected
from benchd.commands.calibrate.target import Target, shown, target
from benchd.core.intake.sensor import off_as_made_c
from benchd.errors import no_such
from benchd.plugins import load_settings
from benchd.runtime.http.local_client import NoDaemonError
from benchd.runtime.http.running import ask, asked_socket
from benchd.runtime.printing.terminal import asked, say
from benchd.settings.config_option import add_config
from benchd.settings.edits import date, pairs, read_toml, save_toml, set_keys

HELP = "calibrate a channel by ice, boiling water, an open pot or values you trust; shown first, dated, undoable"
EXAMPLE = "benchd calibrate cup-1-temperature ice boil --pressure '100.3 kPa'"
OVER_S = 10.0
LONGEST_S = 600.0
AGAIN = "to use it: systemctl kill -s HUP benchd, or stop it and run it again"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("channel", metavar="CHANNEL", help="its id, as benchd check names it")
    parser.add_argument(
        "against", metavar="TRUE", nargs="*", help='ice, boil, zero, or a true value such as "42 psi"; none: show'
    )
    add_config(parser)
    parser.add_argument("--shelf", type=Path, help="shelf.toml, if not the bench's own")
    parser.add_argument("--over", type=float, default=OVER_S, metavar="S", help="seconds to average (default 10)")
    parser.add_argument("--pressure", help="today's air pressure at the bench, not at sea level: '100.3 kPa'")
    parser.add_argument("--value", action="append", default=[], help="what it reads now, when no benchd is running")
    parser.add_argument("--keep", action="store_true", help="keep the points there are and add these")
    parser.add_argument("--undo", action="store_true", help="put back the points from before the last calibration")
    parser.add_argument("--yes", action="store_true", help="do not ask before writing")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if not 0.0 < args.over <= LONGEST_S:  # not a number fails too
        raise CalibrationRefused(f"--over {args.over:g} is not between 0 and {LONGEST_S:g} s")
    file = read_toml(args.config)
    loaded = load_settings(args.config, args.shelf)
    ids = [c.id for c in loaded.bench.channels]
    if args.channel not in ids:
        raise CalibrationRefused(no_such("channel", args.channel, ids))
    index = ids.index(args.channel)
    job = Job(args, file, loaded, loaded.bench.channels[index], file.values["channel"][index])
    if (args.against or args.undo) and not os.access(file.path.parent, os.W_OK):
        raise CalibrationRefused(f"{file.path}: you may not write there; run the command as its owner or with sudo")
    if args.undo:
        return _undo(job)
    _show(job)
    return _calibrate(job) if args.against else 0


# ---------------------------------------------------------------------------------------------------------- telling


def _show(job: Job) -> None:
    channel = job.channel
    say(f"{channel.id}: {channel.role.replace('_', ' ')}{f' of {channel.of}' if channel.of else ''}")
    off_c = off_as_made_c(channel.sensor, 23.0) if channel.sensor is not None else None
    if channel.sensor is not None and off_c is not None:
        kind = f"type {channel.sensor.type}, IEC 60584-1 class {channel.sensor.iec_class}"
        say(f"  as made      within {off_c:g} C ({kind}), the amplifier's own error not counted")
    say(f"  points now   {_told(job.now())}")


def _told(written: Written) -> str:
    rows = ", ".join(f"reads {read} at {true}" for read, true in written.calibration) or "none"
    return rows + (f" ({written.calibrated})" if written.calibrated else "")


def _tell_change(job: Job, after: Written, new: Points) -> None:
    old = job.channel.calibration
    say(f"  points then  {_told(after)}")
    told = [
        f"{shown(job.bench, job.unit, now)} -> {shown(job.bench, job.unit, then)}"
        for now, then in effect(old, new, job.unit)
    ]
    say(f"  so it shows  {'   '.join(told)}")


def _agreed(args: argparse.Namespace, question: str) -> bool:
    if args.yes:
        return True
    try:
        return asked(f"{question} [y/N] ").strip().lower() in ("y", "yes")
    except EOFError:
        return False


# -------------------------------------------------------------------------------------------------------- measuring


def _calibrate(job: Job) -> int:
    state = {} if job.args.value else _state(job)
    typed_kpa = None if job.args.pressure is None else typed(job.args.pressure, "kPa", "--pressure")
    targets = [target(word, job.channel, job.bench, state, typed_kpa) for word in job.args.against]
    if job.args.value and len(job.args.value) != len(targets):
        raise CalibrationRefused(f"{len(targets)} true values need as many --value; {len(job.args.value)} given")
    if any(t.by == "zero" for t in targets):
        refuse_closed(job, state)
    reads = _typed_reads(job, targets) if job.args.value else _heard_reads(job, targets)
    for point, read in zip(targets, reads, strict=True):
        refuse_far(job, point, read)
        tell_class(job, point, read)
    measured = tuple((read, point.true) for point, read in zip(targets, reads, strict=True))
    points = combined(job.channel.calibration, measured, job.unit, keep=job.args.keep)
    refuse_odd(points, job.unit)
    rows = tuple((shown(job.bench, job.unit, r, 4), shown(job.bench, job.unit, t, 4)) for r, t in points)
    today = datetime.datetime.now(ZoneInfo(job.loaded.timezone)).date().isoformat()
    after = Written(rows, today)
    _tell_change(job, after, points)
    _write(job, Entry(time.time(), job.channel.id, job.now(), after, " ".join(job.args.against)))
    return 0


def _state(job: Job) -> dict[str, Any]:
    try:
        state = ask("GET", "/api/v0/state")[1]
    except NoDaemonError as error:
        raise CalibrationRefused(f"{error}; or say what the channel reads with --value") from error
    watched = state.get("about", {}).get("bench", job.bench.id)
    if watched != job.bench.id:
        raise CalibrationRefused(f"the benchd that runs watches {watched}, not the {job.bench.id} of {job.file.path}")
    return state


def _typed_reads(job: Job, targets: Sequence[Target]) -> list[float]:
    """The typed readings, which were shown with the points now in the file."""
    for point in targets:
        say(f"  {point.by}: {point.bring}.")
    return [uncorrected(job.channel.calibration, typed(v, job.unit, "--value")) for v in job.args.value]


def _heard_reads(job: Job, targets: Sequence[Target]) -> list[float]:
    points, reads = _points_in_use(job), []
    over_s = max(job.args.over, 6.0 * job.channel.period_s)
    for at, point in enumerate(targets):
        say(f"  {point.by}: {point.bring}.")
        if point.by == "zero" or len(targets) > 1:
            _wait_for_enter(job, point, at)
        heard = listen(lambda: ask("GET", "/api/v0/state")[1], job.channel.id, over_s)
        refuse_unsteady(heard, job.unit, job.channel.resolution)
        told = shown(job.bench, job.unit, heard.mean)
        say(f"  {point.by}: shows {told} over {heard.count} readings, scatter {heard.scatter:.2g} {job.unit}")
        reads.append(uncorrected(points, heard.mean))
    return reads


def _wait_for_enter(job: Job, point: Target, at: int) -> None:
    """Wait for Enter; with --yes the first point needs none, but someone must bring the probe to the others."""
    if job.args.yes and at == 0:
        return
    try:
        asked(f"  {point.by}: when that is done and the reading is steady, press Enter ")
    except EOFError as error:
        say()
        raise CalibrationRefused(
            "nobody pressed Enter: run it in a terminal, or give a --value for each point"
        ) from error


def _points_in_use(job: Job) -> Points:
    """The running daemon's points; it may have started before the last calibration."""
    try:
        started_t = asked_socket().stat().st_mtime
        is_ours = job.file.path.stat().st_mtime <= started_t
    except OSError as error:
        raise CalibrationRefused(f"benchd went away: {error.strerror}") from error
    history = read_history(job.history)
    is_ours = is_ours or bool(history and history[-1].file == job.file.digest)
    used = in_use(history, job.channel.id, job.now(), started_t, is_ours)
    if used is None:
        problem = "was changed since benchd started, so it is not known what it reads by"
        raise CalibrationRefused(f"{job.file.path} {problem}; restart it first")
    return tuple(
        (typed(read, job.unit, "calibration"), typed(true, job.unit, "calibration")) for read, true in used.calibration
    )


# ---------------------------------------------------------------------------------------------------------- writing


def _undo(job: Job) -> int:
    entry = to_undo(read_history(job.history), job.channel.id)
    if entry is None:
        raise CalibrationRefused(f"no calibration of {job.channel.id} is there to be undone (looked in {job.history})")
    if job.now().calibration != entry.after.calibration:
        raise CalibrationRefused(f"the points of {job.channel.id} were changed by hand since; change them back there")
    _show(job)
    before = entry.before
    points = tuple(
        (typed(r, job.unit, "calibration"), typed(t, job.unit, "calibration")) for r, t in before.calibration
    )
    _tell_change(job, before, points)
    _write(job, Entry(time.time(), job.channel.id, job.now(), before, "undo", undoes=entry.t))
    return 0


def _write(job: Job, entry: Entry) -> None:
    """Write to the history first, so that the change can always be undone, then to bench.toml."""
    if not _agreed(job.args, f"write this into {job.file.path}?"):
        say("  nothing is written")
        return
    rows = entry.after.calibration
    set_keys(job.table, {"calibration": pairs(rows) if rows else None, "calibrated": date(entry.after.calibrated)})

    def judge(new: Path) -> None:
        places = job.loaded.places
        load_settings(new, places.shelf if places.shelf.exists() else None, places.resins)

    save_toml(job.file, judge, lambda digest: append(job.history, replace(entry, file=digest)))
    say(f"  written into {job.file.path}; {AGAIN}.  benchd calibrate {job.channel.id} --undo takes it back")
