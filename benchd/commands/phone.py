"""`benchd phone`: tests whether the phone receives the bench's alerts, and which signals show the loss of benchd."""

from __future__ import annotations

import argparse
import asyncio
import time
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from benchd.commands.check.loss_signals import HOW_TO_TEST, NAMES, NOTE, last_tested, signals, told, when_tested
from benchd.commands.pair import told_of_page
from benchd.core.casting.desk.notes import PHONE_TEST, PHONE_TESTED
from benchd.plugins import load_settings
from benchd.runtime.http.local_client import NoDaemonError
from benchd.runtime.http.running import ask
from benchd.runtime.journal.asked import to_read
from benchd.runtime.printing.terminal import say
from benchd.settings.config_option import add_config

HELP = "test the way to the phone, and list how the loss of the watch would be noticed"
EXAMPLE = "benchd phone --test"
LOOK_EVERY_S = 0.5
NOW_ROUNDED_S = 0.1  # what /api/v0/state rounds its time to: up, it would be later than an answer within 50 ms


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    parser.add_argument("--test", action="store_true", help='say a test sentence and wait for "Heard" from the phone')
    parser.add_argument("--wait", type=float, default=60.0, metavar="S", help="how long to wait for it (60)")
    parser.add_argument("--tested", choices=NAMES, help="record that this loss signal was tried now, and came")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    loaded = load_settings(args.config)
    zone = ZoneInfo(loaded.timezone)
    if args.tested:
        note(f"{NOTE}{args.tested}")
        say(f"noted: {args.tested} tested")
        return 0
    code = test(loaded.journal_path, args.wait, zone) if args.test else 0
    tested = last_tested(loaded.journal_path)
    say(f"phone: {when_tested(tested.get('phone'), zone)}")
    for line in [*_delivered(zone), *told_of_page()]:
        say(line)
    found = signals(loaded, tested)
    say("", "If benchd itself were gone:")
    for signal, line in zip(found, told(found, zone), strict=True):
        say(f"  {'+' if signal.exists else '-'} {line}")
        if signal.exists and signal.tested_t is None:
            say(f"      to test it: {HOW_TO_TEST[signal.name]}; then: benchd phone --tested {signal.name}")
    return code


def note(text: str) -> Any:
    """Send a `note` mark to the running daemon; returns its answer.  Raises NoDaemonError."""
    return ask("POST", "/api/v0/marks", {"verb": "note", "text": text, "by": "cli:phone"})[1]


def test(journal: Path, wait_s: float, zone: ZoneInfo) -> int:
    """Send a test utterance through every outlet; only `heard`, pressed on the phone, proves that it arrived."""
    _, state = ask("GET", "/api/v0/state")
    asked_t = float(state["now"]) - NOW_ROUNDED_S
    answer = note(PHONE_TEST)
    if answer.get("ok") is not True:
        say(f"not tested: {answer.get('why')}")
        return 1
    say(f'The bench says "Phone test. Press heard." Press heard on the phone within {wait_s:.0f} s.')
    heard = asyncio.run(await_heard(journal, asked_t, wait_s))
    if heard is None:
        say("No phone answered. A broker's or a service's receipt below proves only that it got that far.")
        return 1
    say(f"The phone answered at {datetime.fromtimestamp(heard, zone):%H:%M:%S}.")
    return 0


async def await_heard(path: Path, since_t: float, within_s: float) -> float | None:
    """When the phone's `heard` in answer to the test was accepted [unix s], None if it was not."""
    until_s = time.monotonic() + within_s
    sql = "SELECT min(t) FROM effects WHERE kind = 'answer' AND name = 'heard' AND t >= ? AND body LIKE ?"
    while True:
        async with to_read(path) as journal:  # opened for each look: an older one may go on seeing what it saw
            ((t,),) = await journal.rows(sql, (since_t, f'%"{PHONE_TESTED}"%'))
        if t is not None:
            return float(t)
        if time.monotonic() >= until_s:
            return None
        await asyncio.sleep(LOOK_EVERY_S)


def _delivered(zone: ZoneInfo) -> list[str]:
    """Each outlet and when it last delivered an utterance, according to the running daemon."""
    try:
        health = ask("GET", "/api/v0/state")[1]["health"]
    except NoDaemonError:
        return ["benchd is not running: what it last delivered is not known"]
    lines = [f"{way}: last delivered {datetime.fromtimestamp(t, zone):%H:%M:%S}" for way, t in
             sorted(health.get("delivered", {}).items())]  # fmt: skip
    return lines or ["no outlet has delivered anything since benchd started"]
