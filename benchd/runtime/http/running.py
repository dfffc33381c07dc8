"""Finds the running bench that a command is for: one rule for all commands.

1. With -c it is the bench of that bench.toml, whichever socket it has; another studio's bench never answers for it.
2. Without -c it is the bench that runs here: this user's own, else the service's.
3. Where none runs, commands that read files take config/bench.toml.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from contextvars import ContextVar
from pathlib import Path
from typing import Any

from benchd.runtime.http import local_client
from benchd.runtime.http.local_client import NoDaemonError, daemon_socket, socket_path

ROUTE = "/api/v0/bench"
LOOK_WITHIN_S = 3.0

_asked: ContextVar[Path | None] = ContextVar("bench asked for", default=None)


@contextlib.contextmanager
def for_bench(config: Path | None) -> Iterator[None]:
    """Within the block `ask` asks this bench.toml's daemon; None: the one that runs here."""
    token = _asked.set(config)
    try:
        yield
    finally:
        _asked.reset(token)


def ask(method: str, route: str, body: Any = None, path: Path | None = None, **more: Any) -> tuple[int, dict[str, Any]]:
    """As `local_client.ask`, of the bench that the command is for.  Raises NoDaemonError where only another runs."""
    return local_client.ask(method, route, body, path or asked_socket(), **more)


def asked_socket() -> Path:
    """The socket of the bench that the command is for.  Raises NoDaemonError when only another bench runs."""
    config = _asked.get()
    if config is None:
        return daemon_socket()
    others = []
    for socket in dict.fromkeys((socket_path(), local_client.SYSTEM_SOCKET)):
        if not socket.exists():
            continue
        watched = watched_at(socket)
        if watched is None or is_same(watched, config):
            return socket
        others.append(watched)
    if others:
        raise NoDaemonError(
            f"{config} is not watched now: the bench that runs here is {others[0]}; "
            f"start this one with: benchd run -c {config}, or leave -c out"
        )
    return daemon_socket()


def running_config() -> Path | None:
    """The bench.toml of the bench that runs here; None where none runs, or its daemon is too old to say."""
    socket = daemon_socket()
    return watched_at(socket) if socket.exists() else None


def watched_at(socket: Path) -> Path | None:
    """The bench.toml that the daemon on this socket watches; None where nobody says."""
    try:
        status, answer = local_client.ask("GET", ROUTE, None, socket, timeout_s=LOOK_WITHIN_S)
    except NoDaemonError:
        return None
    config = answer.get("config")
    return Path(config) if status == 200 and isinstance(config, str) else None


def is_same(one: Path, other: Path) -> bool:
    """Whether two paths are one file."""
    return os.path.realpath(one) == os.path.realpath(other)
