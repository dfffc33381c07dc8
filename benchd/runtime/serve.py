"""How is the HTTP interface served?  uvicorn on a socket of our own, its signals left to us."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import ssl
from collections.abc import AsyncIterator
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from benchd.errors import SourceError

SOCKET_MODE = 0o660
CLOSE_WITHIN_S = 2.0
SILENT_PEER_MS = 20_000


class _Config(uvicorn.Config):
    """uvicorn's settings with a TLS context of our own, which can be given a renewed certificate while it serves."""

    tls: ssl.SSLContext | None = None

    def load(self) -> None:
        super().load()
        self.ssl = self.tls


class _Server(uvicorn.Server):
    """A uvicorn server that leaves signals to the daemon."""

    @contextlib.contextmanager
    def capture_signals(self):  # type: ignore[no-untyped-def]  # uvicorn's own is untyped
        yield


def unix_socket(path: Path) -> socket.socket:
    """A listening unix socket at path, mode 0660.  A dead daemon's leftover is replaced; a live one's is refused."""
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
    if hasattr(socket, "TCP_USER_TIMEOUT"):  # taken over by each connection: a peer that reads nothing is let go
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, SILENT_PEER_MS)
    listener.setblocking(False)
    return listener


@contextlib.asynccontextmanager
async def serving(app: ASGIApp, listener: socket.socket, tls: ssl.SSLContext | None = None) -> AsyncIterator[None]:
    """Serve app on listener for the length of the block; with `tls`, over nothing but TLS."""
    config = _Config(
        app, log_config=None, access_log=False, lifespan="off", timeout_graceful_shutdown=1, server_header=False,
        h11_max_incomplete_event_size=64 * 1024, limit_concurrency=64, ws="none",
    )  # fmt: skip
    config.tls = tls
    server = _Server(config)
    task = asyncio.create_task(server.serve(sockets=[listener]), name="http")
    try:
        while not server.started and not task.done():  # noqa: ASYNC110 - uvicorn offers no event
            await asyncio.sleep(0.005)
        yield
    finally:
        server.should_exit = True
        done, _ = await asyncio.wait({task}, timeout=CLOSE_WITHIN_S)
        if not done:
            task.cancel()
            await asyncio.wait({task})
        listener.close()
