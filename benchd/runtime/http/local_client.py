"""HTTP requests from a command to the running daemon over its unix socket, and the rule for where that socket is."""

from __future__ import annotations

import http.client
import json
import os
import socket
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchd.errors import BenchdError

SYSTEM_SOCKET = Path("/run/benchd/benchd.sock")
ANSWER_WITHIN_S = 10.0  # the daemon itself gives up on a mark after 5 s
NOT_BENCHD = "not a benchd server: no sensible answer from {}; stop what listens there"
LARGEST_ANSWER_BYTES = 4 * 2**20


class NoDaemonError(BenchdError):
    """No benchd answers on its socket; the text says which paths were tried and what to do."""


def socket_path() -> Path:
    """The path on which a daemon started now listens: in the supervisor's directory, else in the user's own."""
    given = os.environ.get("RUNTIME_DIRECTORY")
    if given:
        return Path(given.split(":")[0]) / "benchd.sock"
    own = os.environ.get("XDG_RUNTIME_DIR")
    home = Path(own) / "benchd" if own else Path(tempfile.gettempdir()) / f"benchd-{os.getuid()}"
    return home / "benchd.sock"


def daemon_socket() -> Path:
    """The path where a running daemon is expected: this user's own socket if there is one, else the service's."""
    own = socket_path()
    return own if own.exists() or not SYSTEM_SOCKET.exists() else SYSTEM_SOCKET


class _UnixConnection(http.client.HTTPConnection):
    """http.client over a unix socket."""

    def __init__(self, path: Path, timeout_s: float) -> None:
        super().__init__("localhost", timeout=timeout_s)
        self._path = path
        self._timeout_s = timeout_s

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self._timeout_s)
        self.sock.connect(str(self._path))


def ask(
    method: str,
    route: str,
    body: Mapping[str, Any] | None = None,
    path: Path | None = None,
    timeout_s: float = ANSWER_WITHIN_S,
) -> tuple[int, dict[str, Any]]:
    """Send one request to a daemon's socket: (HTTP status, the JSON object in the answer).  Raises NoDaemonError."""
    where = path or daemon_socket()
    connection = _UnixConnection(where, timeout_s)
    try:
        data = None if body is None else json.dumps(body, allow_nan=False).encode()
        connection.request(method, route, data, {"Content-Type": "application/json"} if data else {})
        response = connection.getresponse()
        answer = json.loads(response.read(LARGEST_ANSWER_BYTES))
    except (ConnectionRefusedError, FileNotFoundError) as error:
        raise NoDaemonError(f"benchd is not running: nothing answers at {where}; start it with: benchd run") from error
    except PermissionError as error:
        raise NoDaemonError(f"{where}: not allowed; join the group that owns it, or use sudo") from error
    except TimeoutError as error:
        raise NoDaemonError(f"{where}: benchd did not answer within {timeout_s:.0f} s; see its log") from error
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise NoDaemonError(f"{NOT_BENCHD.format(where)} ({error or type(error).__name__})") from error
    finally:
        connection.close()
    if not isinstance(answer, dict):
        raise NoDaemonError(NOT_BENCHD.format(where))
    return response.status, answer
