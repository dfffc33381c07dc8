"""`benchd backup`: copy the journal, the settings and the shelf into one file, while the bench runs."""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from pathlib import Path

from benchd.plugins import load_settings
from benchd.runtime.journal.backup import write_backup
from benchd.runtime.printing.terminal import say
from benchd.settings.config_option import add_config
from benchd.settings.places import Places

HELP = "write journal, settings, shelf and resins into one file, while the bench runs"
EXAMPLE = "benchd backup bench.zip"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument(
        "file", type=Path, help="the file to write; an older one of that name is replaced once the new one is complete"
    )
    add_config(parser)
    parser.add_argument("--shelf", type=Path, help="shelf.toml, if not the bench's own")
    parser.add_argument(
        "--keys", action="store_true", help="include the page's keys: keep that file where nobody else can read it"
    )


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    loaded = load_settings(args.config, args.shelf)
    made = write_backup(args.file, loaded.journal_path, dict(_config(loaded.places)), time.time(), args.keys)
    size_mb = args.file.stat().st_size / 1e6
    keys = "" if args.keys else "; without the page's keys"
    say(f"{args.file}: {len(made.sums)} files, {size_mb:.1f} MB{keys}")
    say(f"bring it back with: benchd restore {args.file} --to FOLDER")
    return 0


def _config(places: Places) -> Iterator[tuple[str, Path]]:
    yield "bench.toml", places.bench
    if places.shelf.exists():
        yield "shelf.toml", places.shelf
    for path in sorted(places.resins.glob("*.toml")):
        yield f"resins/{path.name}", path
