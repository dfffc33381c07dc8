"""Which running bench answers a command: the one -c names, never another studio's."""

from __future__ import annotations

import http.server
import json
import socket
import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchd import cli
from benchd.runtime.http import local_client
from benchd.runtime.http.local_client import NoDaemonError
from benchd.runtime.http.running import ask, asked_socket, for_bench, running_config


class Server(socketserver.ThreadingMixIn, socketserver.UnixStreamServer):
    """Stands in for a daemon that says which bench.toml it watches; None: one too old to say."""

    daemon_threads = True
    config: str | None = None

    def get_request(self) -> tuple[socket.socket, tuple[str, int]]:
        request, _ = super().get_request()
        return request, ("here", 0)  # http.server wants a peer with a name


class Handler(http.server.BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        assert isinstance(self.server, Server)
        is_known = self.path == "/api/v0/bench" and self.server.config is not None
        told = {"v": 0, "config": self.server.config} if is_known else {"who": self.server.server_address}
        body = json.dumps(told).encode()
        self.send_response(200 if is_known or self.path != "/api/v0/bench" else 404)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        pass


@contextmanager
def watching(path: Path, config: Path | None) -> Iterator[None]:
    with Server(str(path), Handler) as server:
        server.config = None if config is None else str(config)
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield
        server.shutdown()
        thread.join(5)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """This user's own socket and the service's are both below here."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(local_client, "SYSTEM_SOCKET", tmp_path / "system.sock")
    return tmp_path


def test_without_c_the_running_bench_is_meant(home: Path) -> None:
    with watching(home / "benchd.sock", home / "a.toml"):
        assert running_config() == home / "a.toml"
        assert asked_socket() == home / "benchd.sock"
    assert running_config() is None


def test_with_c_the_bench_is_found_on_whichever_socket_it_has(home: Path) -> None:
    with watching(home / "benchd.sock", home / "a.toml"), watching(home / "system.sock", home / "b.toml"):
        with for_bench(home / "b.toml"):
            assert asked_socket() == home / "system.sock"
        with for_bench(home / "x" / ".." / "a.toml"):
            assert asked_socket() == home / "benchd.sock"


def test_another_studio_never_answers(home: Path) -> None:
    with (
        watching(home / "benchd.sock", home / "a.toml"),
        for_bench(home / "b.toml"),
        pytest.raises(NoDaemonError) as caught,
    ):
        ask("GET", "/api/v0/state")
    said = f"{home}/b.toml is not watched now: the bench that runs here is {home}/a.toml; "
    assert str(caught.value).startswith(said)
    assert f"benchd run -c {home}/b.toml" in str(caught.value)


def test_a_daemon_too_old_to_say_answers_as_it_did(home: Path) -> None:
    with watching(home / "benchd.sock", None), for_bench(home / "b.toml"):
        assert ask("GET", "/api/v0/state")[0] == 200


def test_every_command_of_a_running_bench_refuses_another(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with watching(home / "benchd.sock", home / "a.toml"):
        for words in (["mark", "repeat"], ["pair"], ["plan", "--drop"]):
            assert cli.main([*words[:1], "-c", str(home / "b.toml"), *words[1:]]) == 1, words
            assert "is not watched now" in capsys.readouterr().err, words


def test_a_file_command_takes_the_running_bench_and_says_so(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "config").mkdir()
    (home / "config" / "bench.toml").write_text("")
    monkeypatch.chdir(home)
    with watching(home / "benchd.sock", home / "a.toml"):
        assert cli.main(["log"]) == 78
    said = capsys.readouterr().err
    assert f"for the bench that runs here, {home}/a.toml; -c config/bench.toml for the one in this folder" in said
    assert f"{home}/a.toml" in said.splitlines()[1]
