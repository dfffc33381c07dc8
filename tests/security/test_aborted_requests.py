"""Does a request that breaks off leave one line in the log, and no traceback?"""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Iterator

import pytest
from daemon import Daemon, wait_for
from mosquitto import free_port

HALF_A_REQUEST = (
    "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\n"
    'Content-Length: 100\r\n\r\n{{"verb": "no'
)
RESET = struct.pack("ii", 1, 0)  # SO_LINGER of nothing: close() sends a reset


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Daemon, int]]:
    port = free_port()
    extra = f'\n[page]\nlisten = "127.0.0.1:{port}"\n'
    made = Daemon(tmp_path_factory.mktemp("bench"), extra=extra, serves_page=True)
    with made.started():
        yield made, port


def is_answered(port: int) -> bool:
    with socket.create_connection(("127.0.0.1", port), timeout=10) as plain:
        plain.sendall(f"GET /api/v0/state HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        return plain.recv(15) == b"HTTP/1.1 200 OK"


@pytest.mark.parametrize("how", ["closed", "reset"])
@pytest.mark.parametrize(
    ("method", "path"), [("POST", "/api/v0/marks"), ("PUT", "/api/v0/shelf"), ("PUT", "/api/v0/plan")]
)
def test_a_client_gone_in_mid_body_is_one_line(served: tuple[Daemon, int], method: str, path: str, how: str) -> None:
    daemon, port = served
    before = len(daemon.stderr.splitlines())
    with socket.create_connection(("127.0.0.1", port), timeout=10) as plain:
        plain.sendall(HALF_A_REQUEST.format(method=method, path=path, port=port).encode())
        with contextlib.suppress(TimeoutError):  # until the daemon waits for the rest, or has refused
            plain.settimeout(0.5)
            plain.recv(4096)
        if how == "reset":
            plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
    assert is_answered(port)
    wait_for(lambda: f"{method} {path}" in "\n".join(daemon.stderr.splitlines()[before:]))
    new = daemon.stderr.splitlines()[before:]
    assert "Traceback" not in daemon.stderr
    assert len(new) == 1, new


def test_a_stream_that_is_reset_is_no_error(served: tuple[Daemon, int]) -> None:
    daemon, port = served
    with socket.create_connection(("127.0.0.1", port), timeout=10) as plain:
        plain.sendall(f"GET /api/v0/stream HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        assert b"200 OK" in plain.recv(4096)
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
    assert is_answered(port)
    wait_for(lambda: is_answered(port))
    assert "Traceback" not in daemon.stderr
    assert "rror" not in daemon.stderr
