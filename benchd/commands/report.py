"""`benchd report`: writes what was cast and how it went, as text, JSON or a page to print."""

from __future__ import annotations

import argparse
import asyncio
import json
import time
from pathlib import Path

from benchd.core.bench import Bench
from benchd.errors import BenchdError
from benchd.plugins import load_settings
from benchd.reports.door import as_json
from benchd.reports.drawing.paper import WIDE
from benchd.reports.index import KINDS, make_report
from benchd.reports.png import png_of
from benchd.reports.writer import Document, to_html, to_text
from benchd.runtime.files.whole_file import not_written, put_page
from benchd.runtime.journal.asked import to_read
from benchd.runtime.journal.reader import Logbook
from benchd.runtime.printing.terminal import say
from benchd.runtime.watch.orders_file import read_orders
from benchd.runtime.watch.sheet_file import read_sheet
from benchd.settings.config_option import add_config

HELP = "how it went: a load, pour, part, day, week, mold, lot, leaks, scrap, orders, trim, cost, what to buy, tomorrow"
EXAMPLE = "benchd report load last --html load.html"
USUAL = {
    "day": "today",
    "scrap": "all",
    "orders": "all",
    "trim": "now",
    "cost": "all",
    "shopping": "now",
    "tomorrow": "next",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("kind", choices=KINDS, metavar="KIND", help=", ".join(KINDS))
    parser.add_argument(
        "id",
        nargs="?",
        help="last, this, today, a date, a number (2, 2@2026-01-05), a code, an id, or MOLD@POUR",
    )
    add_config(parser)
    parser.add_argument("--shelf", type=Path, help="shelf.toml, if not the bench's own")
    parser.add_argument("--journal", type=Path, help="a journal's file itself, and its settings unless -c is given")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as numbers")
    form.add_argument("--html", type=Path, metavar="FILE", help="as one page, with its charts, to read or print")
    form.add_argument("--png", type=Path, metavar="FILE", help="its drawing alone, to hang up (needs the extra png)")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    document = asyncio.run(_made(args))
    if args.json:
        say(json.dumps(as_json(document), allow_nan=False))
    elif args.html is not None or args.png is not None:
        path = args.html or args.png
        body = to_html(document).encode() if args.html is not None else _drawn(document)
        try:
            put_page(path, body)
        except OSError as error:
            raise BenchdError(not_written(path, error)) from error
        say(f"{path}: {document.title}")
    else:
        say(*to_text(document).removesuffix("\n").split("\n"))
    return 0


def _drawn(document: Document) -> bytes:
    drawing = document.drawing
    if drawing is None:
        raise BenchdError(f"{document.title}: the report has no drawing; use --html")
    return png_of((drawing.alone or drawing.draw)(WIDE))


async def _made(args: argparse.Namespace) -> Document:
    bench: Bench | None = None
    path = args.journal
    if path is None or args.is_bench_named or args.shelf is not None:
        loaded = load_settings(args.config, args.shelf)
        bench, path = loaded.bench, path or loaded.journal_path
    async with to_read(path) as journal:
        known = bench or await Logbook(journal).bench_at(time.time(), Bench(id="bench", shop="", name="Bench"))
        id = args.id or USUAL.get(args.kind, "last")
        sheet, orders = read_sheet(path.parent), read_orders(path.parent)
        return await make_report(journal, known, args.kind, id, time.time(), sheet, orders)
