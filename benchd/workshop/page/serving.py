"""Runs the shop's page: the wall's subscription at the broker, the database's books, and the doors to both."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
from contextlib import AsyncExitStack

from starlette.applications import Starlette
from starlette.types import ASGIApp

from benchd.page.doors import BY_CONSOLE, LOOPBACK_NAMES, Doorkeeper
from benchd.page.pairing import console_routes, pairing_at
from benchd.runtime.http.serve import serving, tcp_socket, unix_socket
from benchd.runtime.mqtt.link import MqttLink
from benchd.runtime.watch.systemd import MEALS, Notifier
from benchd.workshop.database.contract import Database
from benchd.workshop.page.site import ShopSite
from benchd.workshop.page.wall import Wall
from benchd.workshop.settings import Workshop

SOCKET = "shop.sock"

log = logging.getLogger("benchd")


async def serve(workshop: Workshop, database: Database, manager: Notifier) -> None:
    """Serve until SIGTERM or SIGINT.  Raises SourceError, OSError when a door cannot be opened."""
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    wall = Wall(workshop.broker.prefix)
    site = ShopSite(wall, database, workshop.shop.name, workshop.shop.pressure)
    async with AsyncExitStack() as stack:
        stack.callback(database.close)
        await _doors(stack, workshop, site)
        await stack.enter_async_context(watching(workshop, wall).opened())
        manager.ready(f"shows {workshop.shop.name}")
        log.info("page %s", workshop.page.url)
        feeding = asyncio.create_task(_feed(manager), name="watchdog")
        await stop.wait()
        feeding.cancel()
        manager.stopping()
    log.info("stopped")


def watching(workshop: Workshop, wall: Wall) -> MqttLink:
    """The link that fills the wall: it subscribes and never publishes."""
    link = MqttLink(workshop.broker, f"benchd-shop-{workshop.name}-{os.getpid()}", on_trouble=_trouble)
    for topic_filter in wall.filters:
        link.subscribe(topic_filter, wall.take)
    return link


def _trouble(why: str) -> None:
    log.warning("broker: %s", why)


async def _doors(stack: AsyncExitStack, workshop: Workshop, site: ShopSite) -> None:
    address, state = workshop.page, workshop.state
    hosts = (*LOOPBACK_NAMES, address.host, *address.names)
    if not address.pairing:
        listener = tcp_socket(address.host, address.port)
        await stack.enter_async_context(serving(site.app(hosts), listener))
        return
    state.mkdir(parents=True, exist_ok=True, mode=0o700)
    door, desk = pairing_at(state / "https", address, lambda why: _trouble_of_page(why))
    console: ASGIApp = Doorkeeper(Starlette(routes=console_routes(desk)), LOOPBACK_NAMES, BY_CONSOLE)
    await stack.enter_async_context(serving(console, unix_socket(state / SOCKET)))
    stack.callback((state / SOCKET).unlink, missing_ok=True)
    app = site.app(hosts, desk.phone_routes(), desk.gate)
    await stack.enter_async_context(door.opened(app, tcp_socket(address.host, address.port)))


def _trouble_of_page(why: str) -> None:
    if why:
        log.warning("page: %s", why)


async def _feed(manager: Notifier) -> None:
    if manager.watchdog_s is None:
        return
    while True:
        manager.feed()
        await asyncio.sleep(manager.watchdog_s / MEALS)
