"""Pings a monitor outside while the watch is alive, so that someone notices a dead bench computer.

The monitor rings when the pings stop; benchd only requests its address each `every_s`.  A ping is sent only if source,
engine and journal moved within the last seconds (the same test as /healthz): silence is the message.  The address is a
secret, for whoever knows it can keep the monitor quiet: it is read from a private file and never logged.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from benchd.errors import OutletError
from benchd.runtime.contracts import Tools
from benchd.runtime.files.private_file import read_private
from benchd.runtime.health import stalled
from benchd.runtime.http.aside import aside

ANSWER_WITHIN_S = 3.0  # a slower monitor is asked again with the next ping
NAME = "deadman"

log = logging.getLogger(__name__)


class Settings(BaseModel):
    """The `[deadman]` table."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", json_schema_extra={"examples": [{"url_file": "/etc/benchd/deadman.url"}]}
    )

    kind: Literal["deadman"] = "deadman"
    url_file: Path
    """A file (mode 0600) whose first line is the monitor's address."""
    method: Literal["GET", "POST"] = "GET"
    every_s: float = Field(default=60.0, ge=0.1, le=3600.0)


def make(settings: Settings, tools: Tools) -> DeadmanOutlet:
    """The outlet; no I/O."""
    return DeadmanOutlet(settings, tools)


class DeadmanOutlet:
    """One monitor; `asleep` counts the pings that were not sent because the watch had stopped."""

    def __init__(self, settings: Settings, tools: Tools, monotonic: Callable[[], float] = time.monotonic) -> None:
        self.asleep = 0
        self._settings = settings
        self._tools = tools
        self._monotonic = monotonic
        self._failing = False

    async def run(self) -> None:
        """Ping until cancelled.  Raises OutletError when the file can't be used."""
        url = read_url(self._settings.url_file)
        while True:
            if stalled(self._tools.health, self._monotonic()):
                self.asleep += 1
            else:
                self._note(await aside(ping, url, self._settings.method))
            await asyncio.sleep(self._settings.every_s)

    def _note(self, trouble: str) -> None:
        """Record when the monitor last answered; report a failure once, until it answers again."""
        if not trouble:
            self._tools.health.delivered[NAME] = self._tools.clock.now()
        elif not self._failing:
            log.warning("deadman: %s", trouble)
            self._tools.health.last_error = f"deadman: {trouble}"
        self._failing = bool(trouble)


def read_url(path: Path) -> str:
    """The address in a private file.  Raises OutletError, whose text leaves the address out."""
    url = read_private(path, NAME).strip().split("\n")[0].strip()
    if not url.startswith(("http://", "https://")) or any(sign <= " " for sign in url):
        raise OutletError(f"{NAME}: the first line of {path} is not an http:// or https:// address")
    return url


def ping(url: str, method: str) -> str:
    """Request the monitor's address once; what went wrong, in words without the address, "" if nothing.

    Blocks; runs in a thread.
    """
    import urllib.error
    import urllib.request

    request = urllib.request.Request(url, data=b"" if method == "POST" else None, method=method)
    try:
        with urllib.request.urlopen(request, timeout=ANSWER_WITHIN_S) as answer:
            answer.read(1024)
    except urllib.error.HTTPError as error:
        with error:
            return f"the monitor answers {error.code}"
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        return f"the monitor cannot be reached ({type(reason).__name__})"
    return ""
