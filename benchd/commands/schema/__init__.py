"""`benchd schema`: prints the formats of everything written and published, as JSON Schema."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import Any

from benchd.commands.schema.papers import filled
from benchd.core.format.schemas import findings_schema, mark_schema, recording_schema
from benchd.plugins import PLUGINS
from benchd.runtime.mqtt.topics.table import mqtt_schema
from benchd.runtime.printing.terminal import Printed, say_json
from benchd.settings.schema import bench_schema, resin_schema, shelf_schema

HELP = "print a JSON Schema of the files, of the findings, or of a recording"
EXAMPLE = "benchd schema config > bench.schema.json"

SCHEMAS: dict[str, tuple[str, Callable[[], dict[str, Any]]]] = {
    "config": ("bench.toml", lambda: bench_schema(PLUGINS)),
    "shelf": ("shelf.toml", shelf_schema),
    "resin": ("resins/NAME.toml", resin_schema),
    "findings": ("a line of `benchd replay`: a finding, an alert or an utterance", findings_schema),
    "mqtt": ("what is published: topic -> payload", mqtt_schema),
    "mark": ("a mark, as sent to do/VERB or POST /api/v0/marks", mark_schema),
    "recording": ("a line of a recording", recording_schema),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    told = "; ".join(f"{name}: {what}" for name, (what, _) in SCHEMAS.items())
    told += "; papers: standard input with its generated tables brought up to date"
    parser.add_argument("of", choices=(*SCHEMAS, "papers"), help=told)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.of == "papers":
        Printed().write(filled(sys.stdin.read()))
        return 0
    say_json(SCHEMAS[args.of][1](), indent=2)
    return 0
