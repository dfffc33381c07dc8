"""Do paired phones and the console stay answered while strangers hold connections and say nothing or too little?"""

from __future__ import annotations

import contextlib
import select
import socket
import ssl
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon import Daemon, wait_for
from mosquitto import free_port
from paired_daemon import NAME, PairedDaemon
from some_of import some_of

from benchd.runtime.http.local_client import ask

pytest.importorskip("cryptography", reason="cryptography is not installed: pip install -e '.[test]'")

GONE_WITHIN_S = 40.0
PART_OF_A_HEAD = b"GET /pair HTTP/1.1\r\nHost: bench.lan\r\nX-Slow: "
PART_OF_A_BODY = (
    b"POST /api/v0/pair HTTP/1.1\r\nHost: bench.lan\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{"
)


@pytest.fixture
def paired(tmp_path: Path) -> Iterator[PairedDaemon]:
    made = PairedDaemon(tmp_path)
    with made.started():
        made.code()  # the page is up once there is one
        yield made


def stranger(port: int, number: int, stack: contextlib.ExitStack) -> socket.socket:
    """A connection that stops half-way: before TLS, in its first bytes, after it, in a request's head, in its body."""
    plain = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=20))
    stage = number % 5
    if stage == 0:
        return plain
    if stage == 1:
        plain.sendall(b"\x16\x03\x01\x02\x00\x01")  # a ClientHello's first bytes (RFC 8446, section 5.1)
        return plain
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE  # a stranger trusts nobody
    try:
        over_tls = stack.enter_context(context.wrap_socket(plain, server_hostname=NAME))
        over_tls.sendall({2: b"", 3: PART_OF_A_HEAD, 4: PART_OF_A_BODY}[stage])
    except OSError:  # let go for another stranger already
        return plain
    return over_tls


def let_go(connections: list[socket.socket], within_s: float) -> int:
    """How many of the connections the other side has ended, waiting for all of them."""
    waiting = {connection.fileno(): connection for connection in connections if connection.fileno() >= 0}
    ended = len(connections) - len(waiting)
    deadline_s = time.monotonic() + within_s
    while waiting and time.monotonic() < deadline_s:
        for number in select.select(list(waiting), [], [], 0.2)[0]:
            try:
                is_over = waiting[number].recv(4096) == b""
            except (TimeoutError, ssl.SSLWantReadError):
                is_over = False
            except OSError:
                is_over = True
            if is_over:
                del waiting[number]
                ended += 1
    return ended


def listening(daemon: PairedDaemon, token: str, stack: contextlib.ExitStack) -> ssl.SSLSocket:
    """A paired phone's event stream, begun."""
    context = ssl.create_default_context(cafile=str(daemon.authority))
    plain = stack.enter_context(socket.create_connection(("127.0.0.1", daemon.page_port), timeout=20))
    stream = stack.enter_context(context.wrap_socket(plain, server_hostname=NAME))
    head = f"GET /api/v0/stream HTTP/1.1\r\nHost: {NAME}\r\nCookie: __Host-benchd={token}\r\n\r\n"
    stream.sendall(head.encode())
    assert b"200 OK" in stream.recv(65536)
    return stream


def heard_until(stream: socket.socket, word: bytes) -> bytes:
    """What the stream says up to and with a word."""
    heard = b""
    while word not in heard:
        more = stream.recv(65536)
        assert more, "the stream has ended"
        heard += more
    return heard


def test_a_few_slow_strangers_keep_no_paired_phone_waiting(paired: PairedDaemon) -> None:
    """One stopped at each stage of TLS and HTTP: phone, open stream and console are answered beside them."""
    bearer = {"Authorization": f"Bearer {paired.token()}"}
    with contextlib.ExitStack() as stack:
        stream = listening(paired, paired.token("tablet"), stack)
        for number in range(10):
            stranger(paired.page_port, number, stack)
        assert paired.ask("GET", "/api/v0/state", bearer)[0] == 200
        assert ask("GET", "/api/v0/state", path=paired.socket)[0] == 200
        heard_until(stream, b"event: beat")
    assert "Traceback" not in paired.stderr


@pytest.mark.wide
@pytest.mark.parametrize("count", [70, 300])
def test_slow_tls_strangers_take_the_page_from_no_paired_phone(paired: PairedDaemon, count: int) -> None:
    """With strangers stopped at every stage of TLS and HTTP, phone, open stream and console are answered; they go."""
    bearer = {"Authorization": f"Bearer {paired.token()}"}
    with contextlib.ExitStack() as stack:
        stream = listening(paired, paired.token("tablet"), stack)
        strangers = [stranger(paired.page_port, number, stack) for number in range(count)]
        for _ in range(5):
            assert paired.ask("GET", "/api/v0/state", bearer)[0] == 200
        assert ask("GET", "/api/v0/state", path=paired.socket)[0] == 200
        listening(paired, paired.token("second tablet"), stack)
        assert let_go(strangers, GONE_WITHIN_S) == count
        heard_until(stream, b"event: beat")  # the rest of what waits is read too: it is never cut
        assert paired.ask("GET", "/api/v0/state", bearer)[0] == 200
    assert "Traceback" not in paired.stderr


@pytest.mark.wide
@pytest.mark.parametrize("count", some_of([70, 300], 1))
def test_slow_plain_strangers_take_the_page_from_no_browser_of_this_machine(tmp_path: Path, count: int) -> None:
    """Without pairing the page is this machine's own: a stopped request of another program must not close it."""
    port = free_port()
    made = Daemon(tmp_path, extra=f'\n[page]\nlisten = "127.0.0.1:{port}"\n', serves_page=True)
    with made.started(), contextlib.ExitStack() as stack:
        stream = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=20))
        stream.sendall(f"GET /api/v0/stream HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        heard_until(stream, b"200 OK")
        strangers = []
        for number in range(count):
            plain = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=20))
            with contextlib.suppress(OSError):
                plain.sendall((b"", PART_OF_A_HEAD, PART_OF_A_BODY)[number % 3])
            strangers.append(plain)
        with socket.create_connection(("127.0.0.1", port), timeout=20) as browser:
            browser.sendall(f"GET /api/v0/state HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            assert browser.recv(15) == b"HTTP/1.1 200 OK"
        assert ask("GET", "/api/v0/state", path=made.socket)[0] == 200
        assert let_go(strangers, GONE_WITHIN_S) == count
        heard_until(stream, b"event: beat")


@pytest.mark.wide
def test_a_request_begun_on_an_answered_connection_has_no_longer_than_the_first(paired: PairedDaemon) -> None:
    """A stranger who was answered once and then sends the next head byte by byte is let go as well."""
    with contextlib.ExitStack() as stack:
        plain = stack.enter_context(socket.create_connection(("127.0.0.1", paired.page_port), timeout=20))
        context = ssl.create_default_context(cafile=str(paired.authority))
        slow = stack.enter_context(context.wrap_socket(plain, server_hostname=NAME))
        slow.sendall(f"GET /healthz HTTP/1.1\r\nHost: {NAME}\r\n\r\n".encode())
        assert slow.recv(9) == b"HTTP/1.1 "

        def is_over() -> bool:
            try:
                slow.sendall(b"G")
                slow.settimeout(0.2)
                while slow.recv(4096):
                    pass
            except TimeoutError:
                return False
            except OSError:
                return True
            return True

        wait_for(is_over, GONE_WITHIN_S)
