"""The option that names a bench: one for every command, and one rule for what it means when it is left out."""

from __future__ import annotations

import argparse
from pathlib import Path

CONFIG = Path("config/bench.toml")
"""Where bench.toml lies when nobody says otherwise, as `benchd init` lays it out."""
MEANING = f"its bench.toml (default: of the bench running here, else {CONFIG})"


def add_config(parser: argparse.ArgumentParser, is_followed: bool = True) -> None:
    """Add -c; the command line fills `config` in when it was left out (`is_followed`), and `is_bench_named` always."""
    text = MEANING if is_followed else f"bench.toml (default: {CONFIG})"
    parser.add_argument("-c", "--config", type=Path, metavar="FILE", help=text)
    parser.set_defaults(is_config_followed=is_followed)
