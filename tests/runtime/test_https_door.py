"""Does the page wait for a valid certificate, and take a renewed one while it serves?"""

from __future__ import annotations

import asyncio
import socket
import ssl
import sys
import time
from pathlib import Path

import pytest

x509 = pytest.importorskip("cryptography.x509", reason="cryptography is not installed: pip install -e '.[test]'")

from starlette.applications import Starlette  # noqa: E402

from benchd.runtime.http import https as https_door  # noqa: E402
from benchd.runtime.http.https import HttpsDoor  # noqa: E402
from benchd.runtime.http.local_ca import CertificateError, Credentials, LocalAuthority  # noqa: E402
from benchd.runtime.http.serve import tcp_socket  # noqa: E402

NAME = "bench.lan"


class SteppedClock:
    def __init__(self) -> None:
        self.behind_s = 0.0

    def __call__(self) -> float:
        return time.time() - self.behind_s


async def shown(port: int, authority: Path) -> bytes:
    """The certificate a phone is shown, judged by OpenSSL."""
    context = ssl.create_default_context(cafile=str(authority))
    _, writer = await asyncio.open_connection("127.0.0.1", port, ssl=context, server_hostname=NAME)
    certificate = writer.get_extra_info("ssl_object").getpeercert(binary_form=True)
    writer.close()
    await writer.wait_closed()
    return bytes(certificate)


async def until_found(door: HttpsDoor) -> Credentials:
    async with asyncio.timeout(5):
        while door.found is None:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    return door.found


def port_of(listener: socket.socket) -> int:
    return int(listener.getsockname()[1])


async def test_a_clock_not_set_yet_means_no_page_and_a_set_one_opens_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(https_door, "AGAIN_AFTER_S", 0.05)
    clock, told = SteppedClock(), list[str]()
    clock.behind_s = time.time()  # 1970, as a board without a clock of its own wakes up
    door = HttpsDoor(LocalAuthority(tmp_path, (NAME,), clock), told.append)
    listener = tcp_socket("127.0.0.1", 0)
    port = port_of(listener)
    async with door.opened(Starlette(), listener):
        await asyncio.sleep(0.3)
        assert door.found is None
        assert len(told) == 1  # once, not at each try
        assert "1970-01-01" in told[0]
        clock.behind_s = 0.0
        found = await until_found(door)
        assert told[1:] == [""]
        assert found.authority is not None
        assert await shown(port, found.authority)
    with pytest.raises(OSError, match="Connect call failed"):
        await asyncio.open_connection("127.0.0.1", port)


async def test_a_renewed_certificate_is_shown_and_open_connections_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(https_door, "LOOK_EVERY_S", 0.2)
    told: list[str] = []
    door = HttpsDoor(LocalAuthority(tmp_path, (NAME,), time.time), told.append)
    listener = tcp_socket("127.0.0.1", 0)
    port = port_of(listener)
    async with door.opened(Starlette(), listener):
        found = await until_found(door)
        assert found.authority is not None
        before = await shown(port, found.authority)
        context = ssl.create_default_context(cafile=str(found.authority))
        reader, writer = await asyncio.open_connection("127.0.0.1", port, ssl=context, server_hostname=NAME)
        (tmp_path / "page.crt").unlink()  # what 30 days before its end comes to: a new one is made
        async with asyncio.timeout(5):
            while await shown(port, found.authority) == before:  # noqa: ASYNC110
                await asyncio.sleep(0.1)
        writer.write(b"GET /nowhere HTTP/1.1\r\nHost: bench.lan\r\nConnection: close\r\n\r\n")
        assert b"404" in await reader.readline()
        writer.close()
        await writer.wait_closed()


async def test_a_certificate_gone_bad_while_serving_is_told_and_the_old_one_goes_on(tmp_path: Path) -> None:
    told: list[str] = []
    clock = SteppedClock()
    door = HttpsDoor(LocalAuthority(tmp_path, (NAME,), clock), told.append)
    context = await door._context()
    assert context is not None
    clock.behind_s = time.time()
    await door.renew(context)
    assert "set the clock" in told[-1]
    assert door.found is not None
    clock.behind_s = 0.0
    await door.renew(context)
    assert told[-1] == ""


def test_without_the_library_there_is_no_page_but_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "cryptography", None)
    with pytest.raises(CertificateError, match=r"benchd\[https\]"):
        LocalAuthority(tmp_path, (NAME,), time.time).ready()
