"""What does the service manager hear of the watch?  Ready, status, stopping, and the watchdog's food.

The sd_notify protocol by hand: datagrams of KEY=VALUE lines to the unix socket named in NOTIFY_SOCKET (sd_notify(3) of
systemd's manual); an @ in front stands for Linux' abstract names.  Without that variable nothing is sent.

The watchdog is fed only while the engine steps, which the ticker and the sensors' lines make it do each second, and the
journal commits or has told that it cannot.  Left out on purpose: a board that is unplugged and a disk that is full.
Both are told on every channel the caster has, a restart mends neither, and one in mid-pour costs seconds of watching.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Callable, Mapping

from benchd.core.format.plain_text import printable
from benchd.runtime.contracts import Health
from benchd.runtime.health import stalled

FED_BY = ("engine", "journal")
MEALS = 3.0  # a watchdog time holds so many: one late meal is no hunger


class Notifier:
    """Speaks to the service manager.  `watchdog_s` is how long it waits for food, None when it does not watch."""

    def __init__(self, environment: Mapping[str, str] = os.environ, pid: int | None = None) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self.watchdog_s = _watchdog_s(environment, os.getpid() if pid is None else pid)

    @property
    def is_managed(self) -> bool:
        """Does a service manager listen, which starts again what has ended?"""
        return bool(self._address)

    def ready(self, status: str) -> None:
        self._send("READY=1", f"STATUS={_one_line(status)}")

    def status(self, status: str) -> None:
        self._send(f"STATUS={_one_line(status)}")

    def stopping(self) -> None:
        self._send("STOPPING=1", "STATUS=stopping")

    def feed(self) -> None:
        self._send("WATCHDOG=1")

    def _send(self, *lines: str) -> None:
        """Never waits and never raises: a manager that does not listen must not hold up the watch."""
        if self._address[:1] not in ("/", "@"):
            return
        where = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.setblocking(False)
                out.sendto("\n".join(lines).encode(), where)
        except (OSError, ValueError):
            return


def _watchdog_s(environment: Mapping[str, str], pid: int) -> float | None:
    """The manager's watchdog time, if it is meant for this process (sd_watchdog_enabled(3))."""
    try:
        wanted_s = int(environment["WATCHDOG_USEC"]) / 1e6
        for_pid = int(environment.get("WATCHDOG_PID", pid))
    except (KeyError, ValueError):
        return None
    return wanted_s if wanted_s > 0.0 and for_pid == pid else None


def _one_line(text: str) -> str:
    return " ".join(printable(text).split())[:200]


def starved_by(health: Health, now_s: float) -> list[str]:
    """The parts for whose sake the watchdog gets nothing [now_s: time.monotonic]; empty = feed it."""
    still = stalled(health, now_s, FED_BY)
    return [part for part in still if part != "journal" or health.journal_ok]


async def feed_watchdog(
    notifier: Notifier, health: Health, monotonic: Callable[[], float], tell: Callable[[str], None]
) -> None:
    """Feed until cancelled; `tell` hears once why food is withheld.  Returns at once where no watchdog waits."""
    if notifier.watchdog_s is None:
        return
    told = False
    while True:
        await asyncio.sleep(notifier.watchdog_s / MEALS)
        still = starved_by(health, monotonic())
        if not still:
            notifier.feed()
        elif not told:
            tell(f"{' and '.join(still)} stand still: the watchdog is not fed")
        told = bool(still)
