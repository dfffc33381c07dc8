"""How do tests look at the page as a phone does?  Debian's Chromium at phone size, a daemon whose page is served."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import os
import shutil
import tempfile
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from daemon import Daemon
from mosquitto import free_port

from benchd.core.intake.wire import encode

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run", "--autoplay-policy=no-user-gesture-required",
)  # fmt: skip
PHONE = {"width": 390, "height": 844}

# What a page would do to the phone is noted instead: headless Chromium has no voice and no screen to keep on.
SPIES = """
window.did = {spoken: [], awake: [], shaken: [], tones: 0};
if (window.speechSynthesis) window.speechSynthesis.speak = (u) => window.did.spoken.push(u.text);
navigator.vibrate = (pattern) => { window.did.shaken.push(pattern); return true; };
if (navigator.wakeLock) navigator.wakeLock.request = async (kind) => {
  window.did.awake.push(kind); return {released: false, addEventListener() {}, release: async () => {}}; };
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (...rest) { window.did.tones += 1; return start.apply(this, rest); };
window.confirm = () => { throw new Error("no dialog"); };
"""


EVIL = '<img src=x onerror="window.pwned=1">'


def with_evil_mold(folder: Path) -> PageDaemon:
    """A daemon, not started, one of whose molds has a hostile name."""
    shelf = (Path(__file__).parents[1] / "config" / "shelf.toml").read_text("utf-8")
    (folder / "shelf.toml").write_text(shelf.replace('"Keeper cloak"', json.dumps(EVIL)), "utf-8")
    return PageDaemon(folder)


@contextlib.contextmanager
def chromium(*more_flags: str) -> Iterator[Any]:
    """A headless Chromium in a profile of its own; skips the test, saying so, where it is not installed."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed: pip install -e '.[test]'"
    )
    if CHROMIUM is None:
        pytest.skip("chromium is not installed: apt-get install chromium")
    with tempfile.TemporaryDirectory() as profile, playwright.sync_playwright() as driver:
        context = driver.chromium.launch_persistent_context(
            profile, env=os.environ | {"PULSE_RUNTIME_PATH": profile},  # else it leaves a folder for its sound
            executable_path=CHROMIUM, headless=True, args=[*FLAGS, *more_flags], viewport=PHONE, timeout=120_000,
            has_touch=True, is_mobile=True, device_scale_factor=2,
        )  # fmt: skip
        context.set_default_navigation_timeout(120_000)
        context.add_init_script(SPIES)
        try:
            yield context
        finally:
            context.close()


class PageDaemon(Daemon):
    """A daemon whose page is served on a free port, to `names` besides loopback's own."""

    page_port: int = 0
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self.page_port = free_port()
        names = f"names = {json.dumps(self.names)}\n" if self.names else ""
        self.extra += f'\n[page]\nlisten = "127.0.0.1:{self.page_port}"\n{names}'
        self.serves_page = True
        super().__post_init__()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.page_port}"


class Board:
    """Writes whole lines to a daemon's port four times a second on a thread of its own, until closed.

    `values` are name -> (value, unit); raw text in `extra` is sent once, checksummed, whatever it is.
    """

    def __init__(self, daemon: Daemon) -> None:
        self._daemon, self._seq = daemon, 0
        self.values: dict[str, tuple[float, str]] = {
            "cup": (22.0, "Cel"), "pot": (0.0, "Pa"), "room": (21.5, "Cel"), "rh": (44.0, "%RH"),
            "tank": (700_000.0, "Pa"), "tankt": (22.0, "Cel"),
        }  # fmt: skip
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._talk, name="board", daemon=True)

    def __enter__(self) -> Board:
        self._thread.start()
        return self

    def __exit__(self, *problem: object) -> None:
        self._over.set()
        self._thread.join(5)

    def _talk(self) -> None:
        while not self._over.wait(0.25):
            self._seq += 1
            records = [(name, value, None, unit) for name, (value, unit) in self.values.items()]
            self._daemon.port.write(encode(records, board="b1-", seq=self._seq))

    def send(self, text: str) -> None:
        """One line of any text, with a right checksum."""
        self._daemon.port.write(f"{text} {zlib.crc32(text.encode()):08x}\n".encode())


def spki(certificate: Path) -> str:
    """A page's key as Chromium's switch names it: base64 of SHA-256 of the SubjectPublicKeyInfo (RFC 7469)."""
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    leaf = x509.load_pem_x509_certificate(certificate.read_bytes())
    key = leaf.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    return base64.b64encode(hashlib.sha256(key).digest()).decode()


def outside_requests(context: Any) -> list[str]:
    """The list to which every request that leaves the daemon will be added."""
    asked: list[str] = []

    def note(request: Any) -> None:
        if not request.url.startswith(("http://127.0.0.1", "http://localhost", "data:", "blob:")):
            asked.append(request.url)

    context.on("request", note)
    return asked


def word(page: Any) -> str:
    return str(page.inner_text("#word"))


def until(page: Any, condition: Callable[[], bool], within_s: float = 30.0) -> float:
    """Wait until it holds, the page going on meanwhile; the seconds it took."""
    began_s = time.monotonic()
    while not condition():
        assert time.monotonic() - began_s < within_s, (
            f"not within {within_s} s; {word(page)!r}, {page.inner_text('#answer')!r}"
        )
        page.wait_for_timeout(50)
    return time.monotonic() - began_s


def repository(name: str) -> Path:
    return Path(__file__).parents[1] / name
