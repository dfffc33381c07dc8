"""Does the page beyond loopback ask who is there, over TLS and nothing else?  A real daemon, asked as a phone would."""

from __future__ import annotations

import contextlib
import json
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon import Daemon, wait_for
from paired_daemon import JSON, NAME, PairedDaemon
from phone_page import FLAGS, spki
from some_of import some_of

pytest.importorskip("cryptography", reason="cryptography is not installed: pip install -e '.[test]'")


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PairedDaemon]:
    made = PairedDaemon(tmp_path_factory.mktemp("bench"))
    with made.started():
        made.code()  # the page is up once there is one
        yield made


def run_pair(daemon: PairedDaemon, *words: str) -> subprocess.CompletedProcess[str]:
    env = {"RUNTIME_DIRECTORY": str(daemon.folder / "run"), "PATH": "", "PYTHONIOENCODING": "utf-8"}
    command = [sys.executable, "-m", "benchd", "pair", *words]
    return subprocess.run(command, capture_output=True, text=True, env=env, timeout=20)


ROUTES = ["/api/v0/state", "/api/v0/stream", "/api/v0/history", "/api/v0/book", "/api/v0/openapi.json", "/nowhere"]


@pytest.mark.parametrize("path", ROUTES)
def test_a_stranger_is_asked_for_a_token_on_every_route(daemon: PairedDaemon, path: str) -> None:
    status, headers, _ = daemon.ask("GET", path)
    assert status == 401
    assert headers["www-authenticate"].startswith("Bearer")
    assert "frame-ancestors 'none'" in headers["content-security-policy"]


def test_a_stranger_cannot_mark(daemon: PairedDaemon) -> None:
    assert daemon.ask("POST", "/api/v0/marks", JSON, {"verb": "mix"})[0] == 401


@pytest.mark.parametrize("path", ["/pair", "/pair.js", "/style.css", "/page.js", "/icon.svg", "/authority.crt"])
def test_what_a_phone_needs_to_be_paired_is_open(daemon: PairedDaemon, path: str) -> None:
    assert daemon.ask("GET", path)[0] == 200


def test_health_is_open_and_the_bench_sends_a_stranger_to_the_pairing_page(daemon: PairedDaemon) -> None:
    assert daemon.ask("GET", "/healthz")[0] in (200, 503)
    status, headers, _ = daemon.ask("GET", "/")
    assert (status, headers["location"]) == (303, "/pair")


@pytest.mark.parametrize("path", ["/api/v0/pairing", "/api/v0/phones", "/api/v0/phones/revoke"])
def test_the_consoles_routes_are_not_on_the_port(daemon: PairedDaemon, path: str) -> None:
    bearer = {"Authorization": f"Bearer {daemon.token()}"}
    assert daemon.ask("GET", path, bearer)[0] == 404


def test_a_code_is_exchanged_once_for_a_cookie_no_script_can_read(daemon: PairedDaemon) -> None:
    """RFC 6265bis: __Host-, Secure, HttpOnly, SameSite=Strict, Path=/, no Domain."""
    code = daemon.code()["code"]
    status, headers, body = daemon.ask("POST", "/api/v0/pair", JSON, {"code": code, "name": "studio phone"})
    assert (status, json.loads(body)) == (200, {"ok": True})
    cookie, *flags = [part.strip() for part in headers["set-cookie"].split(";")]
    assert cookie.startswith("__Host-benchd=")
    assert {flag.lower() for flag in flags} >= {"secure", "httponly", "samesite=strict", "path=/"}
    assert not any(flag.lower().startswith("domain") for flag in flags)
    assert daemon.ask("GET", "/api/v0/state", {"Cookie": cookie})[0] == 200
    assert daemon.ask("GET", "/", {"Cookie": cookie})[0] == 200
    again = daemon.ask("POST", "/api/v0/pair", JSON, {"code": code, "name": "another"})
    assert again[0] == 403
    assert "code" in json.loads(again[2])["why"]


def test_a_script_gets_a_bearer_token_and_none_works_in_a_url(daemon: PairedDaemon) -> None:
    token = daemon.token()
    assert daemon.ask("GET", "/api/v0/state", {"Authorization": f"Bearer {token}"})[0] == 200
    assert daemon.ask("GET", f"/api/v0/state?token={token}&access_token={token}")[0] == 401


@pytest.mark.parametrize("host", ["evil.example", "192.168.7.99", f"{NAME}.evil.example"])
def test_another_name_is_refused_before_anything_else(daemon: PairedDaemon, host: str) -> None:
    bearer = {"Authorization": f"Bearer {daemon.token()}"}
    for path in ("/api/v0/state", "/pair", "/healthz"):
        assert daemon.ask("GET", path, bearer, host=host)[0] == 421


def test_a_change_from_another_site_is_refused_whatever_cookie_it_brings(daemon: PairedDaemon) -> None:
    cookie = {"Cookie": f"__Host-benchd={daemon.token()}", "Origin": "https://evil.example"}
    assert daemon.ask("POST", "/api/v0/marks", JSON | cookie, {"verb": "mix"})[0] == 403


def test_plain_http_gets_no_answer(daemon: PairedDaemon) -> None:
    with socket.create_connection(("127.0.0.1", daemon.page_port), timeout=5) as plain:
        plain.sendall(b"GET /pair HTTP/1.1\r\nHost: bench.lan\r\n\r\n")
        plain.settimeout(5)
        heard = b""
        with contextlib.suppress(ConnectionError):
            while chunk := plain.recv(4096):
                heard += chunk
    assert b"HTTP" not in heard


def test_a_phone_let_go_is_cut_off_in_the_middle_of_its_stream_and_forgets_its_cookie(daemon: PairedDaemon) -> None:
    token = daemon.token("tablet")
    phone = next(p for p in daemon.get("/api/v0/phones")["phones"] if p["name"] == "tablet")
    context = ssl.create_default_context(cafile=str(daemon.authority))
    plain = socket.create_connection(("127.0.0.1", daemon.page_port), timeout=8)
    with context.wrap_socket(plain, server_hostname=NAME) as stream:
        head = f"GET /api/v0/stream HTTP/1.1\r\nHost: {NAME}\r\nAuthorization: Bearer {token}\r\n\r\n"
        stream.sendall(head.encode())
        assert b"200 OK" in stream.recv(65536)
        done = run_pair(daemon, "--revoke", phone["id"])
        assert done.returncode == 0, done.stderr
        began_s = time.monotonic()
        with contextlib.suppress(ConnectionError, ssl.SSLError):
            while stream.recv(65536):
                assert time.monotonic() - began_s < 60  # cut off, not left to end
    status, headers, _ = daemon.ask("GET", "/api/v0/state", {"Cookie": f"__Host-benchd={token}"})
    assert status == 401
    assert "Max-Age=0" in headers["set-cookie"]
    assert "Traceback" not in daemon.stderr


def test_the_console_shows_code_steps_fingerprint_and_phones_and_writes_the_certificate(
    daemon: PairedDaemon, tmp_path: Path
) -> None:
    shown = run_pair(daemon)
    assert shown.returncode == 0, shown.stderr
    fingerprint = daemon.code()["fingerprint"]
    assert f"https://{NAME}:{daemon.page_port}/pair" in shown.stdout
    assert "".join(shown.stdout.split()).count("".join(fingerprint.split())[:47]) == 1
    assert "Code:  " in shown.stdout
    assert "Android" in shown.stdout
    daemon.token("studio phone 2")
    assert "studio phone 2" in run_pair(daemon, "--list").stdout
    written = run_pair(daemon, "--certificate", str(tmp_path / "bench.crt"))
    assert fingerprint in written.stdout
    assert (
        ssl.DER_cert_to_PEM_cert((tmp_path / "bench.crt").read_bytes()).strip() == daemon.authority.read_text().strip()
    )


def test_neither_code_nor_token_is_logged(daemon: PairedDaemon) -> None:
    code = daemon.code()["code"]
    token = daemon.token()
    daemon.ask("GET", "/api/v0/state", {"Authorization": f"Bearer {token}"})
    said = daemon.stderr
    assert "fingerprint" in said  # the log is written at all
    assert not any(secret in said for secret in (code, code.replace("-", ""), token))
    assert token.encode() not in b"".join(p.read_bytes() for p in daemon.folder.rglob("*") if p.is_file())


def test_a_daemon_without_pairing_says_what_to_write(tmp_path: Path) -> None:
    made = Daemon(tmp_path)
    with made.started():
        answer = made._ask("POST", "/api/v0/pairing", {})
        assert not answer["ok"]
        assert "pairing = true" in answer["why"]


def test_an_expired_certificate_means_no_page_not_plaintext_and_the_watch_goes_on(tmp_path: Path) -> None:
    from benchd.runtime.http.certificates import made_authority, made_leaf, store_pair

    long_ago_t = time.time() - 500 * 86400
    pair = made_leaf((NAME,), *made_authority((NAME,), long_ago_t), long_ago_t)
    store_pair(tmp_path / "own.crt", tmp_path / "own.key", *pair)
    made = PairedDaemon(tmp_path)
    text = (tmp_path / "bench.toml").read_text("utf-8")
    text = text.replace("pairing = true", 'pairing = true\ncertificate = "own.crt"\nkey = "own.key"')
    (tmp_path / "bench.toml").write_text(text, "utf-8")
    with made.started():
        answer = wait_for(lambda: made._ask("POST", "/api/v0/pairing", {}))
        assert not answer["ok"]
        wait_for(lambda: "expired on" in made._ask("POST", "/api/v0/pairing", {})["why"])
        assert "expired on" in made.stderr
        with socket.create_connection(("127.0.0.1", made.page_port), timeout=5) as plain:
            plain.sendall(b"GET /pair HTTP/1.1\r\nHost: bench.lan\r\n\r\n")
            plain.settimeout(0.5)
            with pytest.raises(TimeoutError):
                plain.recv(10)
        assert made.get("/api/v0/state")["v"] == 0


@pytest.mark.parametrize("what", some_of(["codes", "tokens"], 1))
def test_fifty_wrong_guesses_and_the_address_is_answered_429(tmp_path: Path, what: str) -> None:
    """RFC 6585 section 4: 429 with Retry-After.  A right token is still heard, a right code is not."""
    made = PairedDaemon(tmp_path)
    with made.started():
        token = made.token()

        def guess(n: int) -> int:
            if what == "tokens":
                return made.ask("GET", "/api/v0/state", {"Authorization": f"Bearer guess-{n}"})[0]
            return made.ask("POST", "/api/v0/pair", JSON, {"code": f"{n:08d}", "name": "x", "script": True})[0]

        assert [guess(n) for n in range(50)] == [401 if what == "tokens" else 403] * 50
        assert guess(50) == 429
        bearer = {"Authorization": f"Bearer {token}"}
        assert made.ask("GET", "/api/v0/state", bearer)[0] == 200
        body = {"code": made.code()["code"], "name": "x", "script": True}
        status, headers, answer = made.ask("POST", "/api/v0/pair", JSON, body)
        if what == "codes":
            assert status == 429
            assert 0 < int(headers["retry-after"]) <= 900
            assert "min" in json.loads(answer)["why"]
        else:
            assert status == 200  # guessing tokens does not keep the owner from pairing
        assert made.mark("note", text="still watching")["ok"]


@pytest.mark.wide
def test_a_browser_pairs_at_the_lan_name(daemon: PairedDaemon, tmp_path: Path) -> None:
    """Debian's Chromium, the LAN name mapped to loopback, the authority trusted by the hash of the page's key alone."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed: pip install -e '.[test]'"
    )
    from phone_page import CHROMIUM, PHONE

    if CHROMIUM is None:
        pytest.skip("chromium is not installed: apt-get install chromium")
    mapping = [
        f"--host-resolver-rules=MAP {NAME} 127.0.0.1",
        f"--ignore-certificate-errors-spki-list={spki(daemon.folder / 'https' / 'page.crt')}",
    ]
    with playwright.sync_playwright() as driver:
        context = driver.chromium.launch_persistent_context(
            str(tmp_path), executable_path=CHROMIUM, headless=True, args=[*FLAGS, *mapping], viewport=PHONE,
            is_mobile=True, has_touch=True,
        )  # fmt: skip
        try:
            page = context.new_page()
            failures: list[str] = []
            page.on("pageerror", lambda error: failures.append(str(error)))
            page.goto(f"https://{NAME}:{daemon.page_port}/")
            assert page.url.endswith("/pair")
            page.fill("#code", "0000-0000")
            page.click("button[type=submit]")
            page.wait_for_function("document.getElementById('code-wrong').textContent.includes('not the code')")
            page.goto("about:blank")
            page.goto(f"https://{NAME}:{daemon.page_port}/pair#{daemon.code()['code']}")
            page.wait_for_function("location.hash === ''")
            page.fill("#name", "test browser")
            page.click("button[type=submit]")
            page.wait_for_selector("#paired:not([hidden])")
            page.click("#paired a")
            page.wait_for_function("window.isSecureContext && document.getElementById('title') !== null")
            page.wait_for_function("fetch('/api/v0/state').then((answer) => answer.ok)")
            assert page.evaluate("document.cookie") == ""
            assert failures == []
        finally:
            context.close()
