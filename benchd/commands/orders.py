"""`benchd orders`: keeps what was ordered, and shows how far each order is and what it still needs."""

from __future__ import annotations

import argparse
import asyncio
import math
import time
from collections.abc import Iterator, Mapping
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

from benchd.errors import BenchdError, no_such
from benchd.plugins import load_settings
from benchd.runtime.files.beside import ORDERS
from benchd.runtime.files.whole_file import not_written
from benchd.runtime.http.local_client import NoDaemonError
from benchd.runtime.http.running import ask
from benchd.runtime.journal.asked import to_read
from benchd.runtime.printing.terminal import complain, say, say_json
from benchd.runtime.watch.orders_file import change_orders, order_book, read_orders
from benchd.settings import Loaded
from benchd.settings.config_option import add_config
from benchd.shelf.orders.book import OrderBook
from benchd.shelf.orders.edit import ACTIONS, Asked, OrderRefused
from benchd.shelf.orders.shown import book_body

HELP = "keep the orders: how many figures, by when; what is to cast, cast, trimmed, done"
EXAMPLE = "benchd orders add Q7 M01 M02x2 M03 --figures 24 --by 2026-01-30 --price 480"
ROUTE = "/api/v0/orders"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    parser.add_argument("action", nargs="?", choices=("show", *ACTIONS), default="show")
    parser.add_argument("code", nargs="?", help="the order's own, as Q7")
    parser.add_argument("molds", nargs="*", metavar="MOLD", help="what one figure takes: M01, or M02x2 for two casts")
    parser.add_argument("--figures", type=int, metavar="N", help="how many figures (default: 1)")
    parser.add_argument("--by", metavar="DAY", help='the last day, as 2026-01-30; "" takes it off')
    parser.add_argument("--price", type=float, metavar="MONEY", help="for the whole order")
    parser.add_argument("--json", action="store_true", help="as JSON")
    add_config(parser)
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.action != "show" and args.code is None:
        args.parser.error(f"{args.action}: say which, as in: benchd orders {args.action} Q7")
    shown = orders_now(args.config) if args.action == "show" else _changed(args)
    only = args.code if args.action == "show" else None
    if args.json:
        say_json({"v": 0, **shown}, indent=1)
    else:
        say(*lines_of(shown, only))
    return 0


def orders_now(config: Path) -> dict[str, Any]:
    """The book of orders as the daemon has it, else from the files of this bench.toml.  Raises BenchdError."""
    try:
        return _answered(*ask("GET", ROUTE))
    except NoDaemonError:
        if not config.exists():
            raise
    loaded = load_settings(config)
    return book_body(asyncio.run(_from_files(loaded, None)), loaded.bench)


def _changed(args: argparse.Namespace) -> dict[str, Any]:
    asked = Asked(
        action=args.action, code=args.code, molds=tuple(args.molds), figures=args.figures, by=args.by, price=args.price
    )
    body = {"do": asked.action, "code": asked.code, "molds": list(asked.molds)}
    body |= {k: v for k in ("figures", "by", "price") if (v := getattr(asked, k)) is not None}
    if asked.price is not None and not math.isfinite(asked.price):
        raise OrderRefused("price", f"{asked.price:g} is no price: give 0 or more, for the whole order")
    try:
        return _answered(*ask("PUT", ROUTE, body))
    except NoDaemonError:
        if not args.config.exists():
            raise
    loaded = load_settings(args.config)
    try:
        book = asyncio.run(_from_files(loaded, asked))
    except OSError as error:
        raise BenchdError(not_written(loaded.journal_path.parent / ORDERS, error)) from error
    complain("benchd is not running: written into the file")
    return book_body(book, loaded.bench)


def _answered(status: int, answer: Mapping[str, Any]) -> dict[str, Any]:
    if "orders" in answer:
        return {key: answer[key] for key in ("orders", "more", "a_day", "today", "tomorrow") if key in answer}
    why = answer.get("why") or f"the daemon answered {status}; is it of this version?"
    raise OrderRefused(str(answer.get("field", "")), str(why))


async def _from_files(loaded: Loaded, asked: Asked | None) -> OrderBook:
    folder, now_t = loaded.journal_path.parent, time.time()
    async with AsyncExitStack() as stack:
        there = loaded.journal_path.exists()
        journal = await stack.enter_async_context(to_read(loaded.journal_path)) if there else None
        if asked is not None:
            folder.mkdir(parents=True, exist_ok=True)
            return await change_orders(folder, journal, loaded.bench, asked, now_t)
        return await order_book(journal, loaded.bench, read_orders(folder), now_t)


def lines_of(shown: Mapping[str, Any], only: str | None = None) -> Iterator[str]:
    """The book as printed lines; `only` one order's, by its code.  Raises OrderRefused when there is no such order."""
    orders = [o for o in shown["orders"] if only is None or o["code"].lower() == only.lower()]
    if only is not None and not orders:
        raise OrderRefused("code", no_such("order", only, [o["code"] for o in shown["orders"]], "there is none"))
    if not orders:
        yield "No order is kept.  Write one: benchd orders add Q7 M01 M02x2 --figures 24"
        return
    for order in orders:
        yield from _order_lines(order)
    if only is None:
        yield f"Today for the orders: {' '.join(shown['today']) or 'nothing'}   (benchd plan --orders)"
        yield f"Tomorrow: {' '.join(shown['tomorrow']) or 'nothing'}"
        if shown["more"]:
            yield f"{shown['more']} more are done."


def _order_lines(order: Mapping[str, Any]) -> Iterator[str]:
    by = f", by {order['by']}" if order["by"] else ""
    price = "" if order["price"] is None else f", {order['price']:.2f}"
    last = f", last cast {order['cast_by']}" if order["cast_by"] else ""
    figures = f"{order['figures']} figure{'' if order['figures'] == 1 else 's'}"
    yield f"{order['code']}: {figures}{by}{price}: {order['state']}{last}"
    if order["state"] != "done":
        for part in order["parts"]:
            name = f"{part['code']} {part['name']}"
            yield (
                f"  {name[:34]:34} {part['wanted']:4} wanted {part['good']:4} good {part['curing']:3} curing "
                f"{part['to_cast']:4} to cast {part['trimmed']:4} trimmed"
            )
    for why in order["warnings"]:
        yield f"  Mind: {why}"
    yield ""
