"""`benchd restore`: restores a backup into a new folder, completely or not at all."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from benchd.runtime.journal.backup import JOURNAL, restore
from benchd.runtime.printing.terminal import say

HELP = "unpack a backup into a new folder; nothing is overwritten"
EXAMPLE = "benchd restore bench.zip --to restored"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("file", type=Path, help="the file `benchd backup` wrote")
    parser.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="the new folder to make")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    backup = restore(args.file, args.to)
    made = datetime.fromtimestamp(backup.made_t, UTC).strftime("%Y-%m-%d %H:%M UTC")
    say(f"{args.to}: {len(backup.sums)} files of {made}, benchd {backup.version}")
    say(f"the journal is {args.to / JOURNAL}, the settings are in {args.to / 'config'}")
    say(f'to go on with it, name it in bench.toml: [journal] path = "{(args.to / JOURNAL).resolve()}"')
    return 0
