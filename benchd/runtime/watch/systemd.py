"""Notifies the service manager of the watch: ready, status, stopping, and the watchdog's keepalive.

Implements the sd_notify protocol directly: datagrams of KEY=VALUE lines to the unix socket named in NOTIFY_SOCKET
(sd_notify(3) of systemd's manual); a leading @ stands for a Linux abstract socket.  Without that variable nothing is
sent.

The watchdog is notified only while the engine steps, which the ticker and the sensors' lines make it do each second,
and the journal commits or has reported that it cannot.  An unplugged board and a full disk do not count, on purpose:
both are reported on every channel the caster has, a restart fixes neither, and a restart in mid-pour costs seconds of
watching.
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
MEALS = 3.0  # keepalives per watchdog time: a single late one does no harm


class Notifier:
    """Notifies the service manager.  `watchdog_s` is its watchdog time, None when it does not watch."""

    def __init__(self, environment: Mapping[str, str] = os.environ, pid: int | None = None) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self.watchdog_s = _watchdog_s(environment, os.getpid() if pid is None else pid)

    @property
    def is_managed(self) -> bool:
        """Whether a service manager listens, which would restart the daemon."""
        return bool(self._address)

    def ready(self, status: str) -> None:
        """Report that the watch has started."""
        self._send("READY=1", f"STATUS={_one_line(status)}")

    def status(self, status: str) -> None:
        """Report a status line."""
        self._send(f"STATUS={_one_line(status)}")

    def stopping(self) -> None:
        """Report that the watch is ending."""
        self._send("STOPPING=1", "STATUS=stopping")

    def feed(self) -> None:
        """Send the watchdog's keepalive."""
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
    """The parts that withhold the watchdog's keepalive [now_s: time.monotonic]; empty = send it."""
    still = stalled(health, now_s, FED_BY)
    return [part for part in still if part != "journal" or health.journal_ok]


async def feed_watchdog(
    notifier: Notifier, health: Health, monotonic: Callable[[], float], tell: Callable[[str], None]
) -> None:
    """Send keepalives until cancelled; `tell` is called once with the reason for withholding them.

    Returns at once without a watchdog.
    """
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
