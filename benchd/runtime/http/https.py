"""Serves the page over HTTPS only, whatever happens to certificate and clock.  Without a certificate, there is no page.

While there are no valid credentials (an expired certificate, a clock not set yet) the port gives no answer, the reason
is reported once, and the credentials are checked again each minute; the watch continues meanwhile.  A certificate
renewed while the daemon runs is in use within the hour, without a connection lost.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from starlette.types import ASGIApp

from benchd.runtime.http.local_ca import CertificateError, Credentials, Keeper, load_into, tls_context
from benchd.runtime.http.serve import serving

log = logging.getLogger(__name__)

AGAIN_AFTER_S = 60.0
LOOK_EVERY_S = 3600.0
WIDE = (
    "%s: made by benchd 0.1.0, it goes on; but its key, stolen, could vouch for any mail address and URI too. "
    "For a narrower one delete this file, restart `benchd run` and install the new one on each phone"
)


class HttpsDoor:
    """The page's TLS port; `found` are the credentials in use, `trouble` is why there are none (or outdated ones).

    `tell` is called with each new problem, and with "" when it is solved.
    """

    def __init__(self, keeper: Keeper, tell: Callable[[str], None]) -> None:
        self._keeper, self._tell = keeper, tell
        self.found: Credentials | None = None
        self.trouble = ""

    @asynccontextmanager
    async def opened(self, app: ASGIApp, listener: socket.socket) -> AsyncIterator[None]:
        """Serve app on listener for the duration of the block, whenever there are valid credentials."""
        task = asyncio.create_task(self._serve(app, listener), name="https")
        try:
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            listener.close()

    async def _serve(self, app: ASGIApp, listener: socket.socket) -> None:
        while (context := await self._context()) is None:  # noqa: ASYNC110 - setting the clock sends no event
            await asyncio.sleep(AGAIN_AFTER_S)
        async with serving(app, listener, context):
            while True:
                await asyncio.sleep(LOOK_EVERY_S)
                await self.renew(context)

    async def _context(self) -> ssl.SSLContext | None:
        try:
            found = await asyncio.to_thread(self._keeper.ready)
            context = tls_context(found)
        except CertificateError as error:
            self._note(str(error))
            return None
        self._take(found)
        return context

    async def renew(self, context: ssl.SSLContext) -> None:
        """Check the credentials again; new connections use the ones found, or else the ones before."""
        try:
            found = await asyncio.to_thread(self._keeper.ready)
            load_into(context, found)
        except CertificateError as error:
            self._note(str(error))
        else:
            self._take(found)

    def _take(self, found: Credentials) -> None:
        if self.found is None or found.fingerprint != self.found.fingerprint:
            news = ": new, so each phone has to install it" if found.is_new_authority else ""
            if found.is_wide:
                log.warning(WIDE, found.authority)
            log.info("the page's %s has the SHA-256 fingerprint %s%s", _kind(found), found.fingerprint, news)
        self.found = found
        self._note("")

    def _note(self, trouble: str) -> None:
        if trouble != self.trouble:
            self.trouble = trouble
            self._tell(trouble)


def _kind(found: Credentials) -> str:
    return "own certificate" if found.authority is None else "authority"
