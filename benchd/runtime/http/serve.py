"""The HTTP interface's server: uvicorn on a socket of our own; the daemon handles its signals and limits its callers.

Connections are accepted here and not by asyncio's server, which reports one only after the TLS handshake and until then
would neither count nor time it.  For the time limits, and which caller is closed when there are too many, see
callers.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
import ssl
from collections.abc import AsyncIterator
from functools import partial
from pathlib import Path

import uvicorn
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from benchd.errors import SourceError
from benchd.runtime.http.callers import CALLER, HEAD_WITHIN_S, Caller, Callers, caller_of

SOCKET_MODE = 0o660
CLOSE_WITHIN_S = 2.0
SILENT_PEER_MS = 20_000
MOST_AT_CONSOLE = 64  # uvicorn answers 503 past it; the socket's users are trusted, but a script may run wild
DATE_EVERY_S = 1.0
ACCEPT_AGAIN_S = 0.5  # out of descriptors or memory: connections end meanwhile, and fewer tries mean fewer log lines

log = logging.getLogger(__name__)


class _Connection(H11Protocol):
    """uvicorn's connection, which reports to its caller when it opens and closes."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn's own
        super().connection_made(transport)
        self.app_state[CALLER].cut = transport.abort

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        self.app_state[CALLER].gone()


class _Server(uvicorn.Server):
    """A uvicorn server that leaves signals to the daemon and takes connections one by one."""

    def __init__(self, config: uvicorn.Config, listener: socket.socket, tls: ssl.SSLContext | None) -> None:
        super().__init__(config)
        self._tls, self._listener = tls, listener
        self._is_console = listener.family == socket.AF_UNIX
        self._loop = asyncio.get_running_loop()
        self._callers = Callers(self._loop.call_later)
        self._opening: set[asyncio.Task[bool]] = set()
        self.ending = asyncio.Event()

    @contextlib.contextmanager
    def capture_signals(self):  # type: ignore[no-untyped-def]  # uvicorn's own is untyped
        yield

    async def main_loop(self) -> None:
        """Wait for the end, renewing the answers' date each second; uvicorn's own looks ten times as often."""
        while not await self.on_tick(0):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(DATE_EVERY_S):
                    await self.ending.wait()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await self.lifespan.startup()
        self.servers = []
        self._accepting = asyncio.create_task(self._accept(), name="http accept")
        self.started = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        for task in (self._accepting, *self._opening):
            task.cancel()
        await asyncio.gather(self._accepting, *self._opening, return_exceptions=True)
        await super().shutdown(sockets)
        self._callers.close()

    async def _accept(self) -> None:
        is_failing = False
        while True:
            try:
                sock, peer = await self._loop.sock_accept(self._listener)
            except OSError as error:
                if not is_failing:
                    log.error("http: no connection can be taken: %s", error.strerror or error)
                is_failing = True
                await asyncio.sleep(ACCEPT_AGAIN_S)
                continue
            is_failing = False
            self._open(sock, peer[0] if isinstance(peer, tuple) else "")
            await asyncio.sleep(0)  # sock_accept does not yield while more callers wait

    def _open(self, sock: socket.socket, address: str) -> None:
        caller = self._callers.arrived(address, lambda: task.cancel())
        if self._is_console:
            caller.known()
        task = self._loop.create_task(self._connect(sock, caller), name="http connection")
        self._opening.add(task)
        task.add_done_callback(partial(self._opened, sock, caller))

    async def _connect(self, sock: socket.socket, caller: Caller) -> bool:
        """Whether the connection was made; a failed handshake is not worth a log line."""

        def made() -> _Connection:
            return _Connection(self.config, self.server_state, {CALLER: caller}, self._loop)

        within_s = None if self._tls is None else HEAD_WITHIN_S
        try:
            await self._loop.connect_accepted_socket(made, sock, ssl=self._tls, ssl_handshake_timeout=within_s)
        except OSError:
            return False
        return True

    def _opened(self, sock: socket.socket, caller: Caller, task: asyncio.Task[bool]) -> None:
        """If there is no connection by now there will be none: free its place and close its socket."""
        self._opening.discard(task)
        if task.cancelled() or not task.result():
            caller.gone()
            sock.close()


def _timed(app: ASGIApp) -> ASGIApp:
    """`app`, reporting to its callers when a request begins and ends; a request that breaks off only logs a line."""

    async def answer(scope: Scope, receive: Receive, send: Send) -> None:
        caller = caller_of(scope)
        if caller is None:
            await app(scope, receive, send)
            return
        caller.asked()
        try:
            await app(scope, receive, send)
        except (ClientDisconnect, ConnectionResetError) as error:
            why = str(error) or "the other side broke off"
            log.info("http: %s %s from %s: %s", scope["method"], scope["path"][:80], caller.address or "socket", why)
            caller.cut()
            await caller.is_gone.wait()  # tells uvicorn that nobody waits for an answer
        finally:
            caller.answered()

    return answer


def unix_socket(path: Path) -> socket.socket:
    """A listening unix socket at path, mode 0660.  A dead daemon's leftover is replaced; a live one's is an error."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
    if path.exists():
        _refuse_if_alive(path)
        path.unlink()
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(path))
    os.chmod(path, SOCKET_MODE)
    listener.listen(64)
    listener.setblocking(False)
    return listener


def _refuse_if_alive(path: Path) -> None:
    probe = socket.socket(socket.AF_UNIX)
    probe.settimeout(1.0)
    try:
        probe.connect(str(path))
    except OSError:
        return
    finally:
        probe.close()
    raise SourceError(f"{path}: another benchd already watches here; stop it first, or set RUNTIME_DIRECTORY")


def tcp_socket(host: str, port: int) -> socket.socket:
    """A listening TCP socket.  Raises OSError when the address is taken."""
    listener = socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    if hasattr(socket, "TCP_USER_TIMEOUT"):  # inherited by each connection: a peer that reads nothing is dropped
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, SILENT_PEER_MS)
    listener.setblocking(False)
    return listener


@contextlib.asynccontextmanager
async def serving(app: ASGIApp, listener: socket.socket, tls: ssl.SSLContext | None = None) -> AsyncIterator[None]:
    """Serve app on listener for the duration of the block; with `tls`, over TLS only.

    A listener on a unix socket is the console's: whoever may open its file is authorised from the start.
    """
    config = uvicorn.Config(
        _timed(app), log_config=None, access_log=False, lifespan="off", timeout_graceful_shutdown=1,
        server_header=False, h11_max_incomplete_event_size=64 * 1024, ws="none",
        limit_concurrency=MOST_AT_CONSOLE if listener.family == socket.AF_UNIX else None,
    )  # fmt: skip
    server = _Server(config, listener, tls)
    task = asyncio.create_task(server.serve(sockets=[listener]), name="http")
    try:
        while not server.started and not task.done():  # noqa: ASYNC110 - uvicorn offers no event
            await asyncio.sleep(0.005)
        yield
    finally:
        server.should_exit = True
        server.ending.set()
        done, _ = await asyncio.wait({task}, timeout=CLOSE_WITHIN_S)
        if not done:
            task.cancel()
            await asyncio.wait({task})
        listener.close()
