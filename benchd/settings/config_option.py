"""The option that names a bench's configuration: one default and one help text for every command."""

from __future__ import annotations

import argparse
from pathlib import Path

CONFIG = Path("config/bench.toml")
"""Where bench.toml lies when nobody says otherwise, as `benchd init` lays it out."""


def add_config(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-c", "--config", type=Path, default=CONFIG, help=f"bench.toml (default: {CONFIG})")
