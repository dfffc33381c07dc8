"""The commands' way to the daemon: a unix socket in the right place, and clear words when nobody is there."""

from __future__ import annotations

import http.server
import json
import os
import socket
import socketserver
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.runtime.http import local_client
from benchd.runtime.http.local_client import NoDaemonError, ask, daemon_socket, socket_path


class Handler(http.server.BaseHTTPRequestHandler):
    """Answers with what it was asked; /broken answers with no JSON, /list with a list, /slow not at all."""

    def do_POST(self) -> None:
        sent = self.rfile.read(int(self.headers["Content-Length"]))
        told = {"method": self.command, "path": self.path, "host": self.headers["Host"], "sent": json.loads(sent)}
        self._answer(json.dumps(told).encode())

    def do_GET(self) -> None:
        if self.path == "/slow":
            self.server.release.wait(5)  # type: ignore[attr-defined]
        self._answer({"/broken": b"<html>", "/list": b"[]"}.get(self.path, b'{"ok":true}'))

    def _answer(self, body: bytes) -> None:
        self.send_response(409)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        pass


class Server(socketserver.ThreadingMixIn, socketserver.UnixStreamServer):
    daemon_threads = True

    def get_request(self) -> tuple[socket.socket, tuple[str, int]]:
        request, _ = super().get_request()
        return request, ("here", 0)  # http.server wants a peer with a name


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Path]:
    path = tmp_path / "b.sock"
    with Server(str(path), Handler) as server:
        server.release = threading.Event()  # type: ignore[attr-defined]
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield path
        server.release.set()  # type: ignore[attr-defined]
        server.shutdown()
        thread.join(5)


def test_a_request_goes_over_and_its_answer_comes_back(served: Path) -> None:
    status, answer = ask("POST", "/api/v0/marks", {"verb": "mix", "a_g": 159.5}, path=served)
    assert status == 409
    assert answer == {
        "method": "POST", "path": "/api/v0/marks", "host": "localhost", "sent": {"verb": "mix", "a_g": 159.5},
    }  # fmt: skip
    assert ask("GET", "/api/v0/state", path=served) == (409, {"ok": True})


@pytest.mark.parametrize("route", ["/broken", "/list"])
def test_what_is_no_benchd_is_told(served: Path, route: str) -> None:
    with pytest.raises(NoDaemonError, match="not a benchd server"):
        ask("GET", route, path=served)


def test_a_daemon_that_hangs_is_told(served: Path) -> None:
    with pytest.raises(NoDaemonError, match="did not answer within 0 s"):
        ask("GET", "/slow", path=served, timeout_s=0.1)


def test_no_socket_and_a_dead_socket_say_how_to_start_it(tmp_path: Path) -> None:
    with pytest.raises(NoDaemonError, match=r"benchd is not running: nothing answers at .*benchd run"):
        ask("GET", "/", path=tmp_path / "none.sock")
    dead = socket.socket(socket.AF_UNIX)
    dead.bind(str(tmp_path / "dead.sock"))
    dead.close()
    with pytest.raises(NoDaemonError, match="benchd is not running"):
        ask("GET", "/", path=tmp_path / "dead.sock")


def test_the_supervisors_directory_comes_first_then_the_users(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/benchd:/run/other")
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/run/user/1000")
    assert socket_path() == Path("/run/benchd/benchd.sock")
    monkeypatch.delenv("RUNTIME_DIRECTORY")
    assert socket_path() == Path("/run/user/1000/benchd/benchd.sock")
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert socket_path().parent.name == f"benchd-{os.getuid()}"


def test_a_user_without_a_daemon_of_their_own_reaches_the_services(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    service = tmp_path / "system.sock"
    monkeypatch.setattr(local_client, "SYSTEM_SOCKET", service)
    own = tmp_path / "benchd" / "benchd.sock"
    assert daemon_socket() == own
    service.touch()
    assert daemon_socket() == service
    own.parent.mkdir()
    own.touch()
    assert daemon_socket() == own
