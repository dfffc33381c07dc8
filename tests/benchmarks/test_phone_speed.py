"""How soon is an alert on the phone, and what does the page cost?  Measured, printed and noted; only weights asserted.

Times count from the arrival of the input that raised the alert, as the journal keeps it, so they hold engine and commit
too.  Each is told beside a plain baseline of the same run: a bare event stream into a bare page, a bare publish through
the same broker, a bare polyline.
"""

from __future__ import annotations

import http.server
import json
import socket
import statistics
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import psutil
import pytest
from benchmarks.test_throughput import line, told
from daemon import Daemon, wait_for
from mosquitto import Mosquitto, needs_mosquitto
from mosquitto import running as broker_running
from paho.mqtt.enums import CallbackAPIVersion
from phone_page import Board, PageDaemon, chromium, until

ALERTS = 110
WORDS = "Cup is kicking. Set it down, step back."
STATIC = Path(__file__).parents[2] / "benchd" / "page" / "static"
MOST_PAGE_BYTES = 150_000  # what a smeared phone on a poor network is asked to load, in all

# Every change of the word, with the wall clock's milliseconds, as both processes of this machine read it.
WATCH = """() => { window.words = []; const node = document.querySelector("#word");
  new MutationObserver(() => window.words.push([performance.timeOrigin + performance.now(), node.textContent]))
    .observe(node, {childList: true, characterData: true, subtree: true}); }"""


def p99(values: list[float]) -> float:
    return sorted(values)[min(len(values) - 1, int(0.99 * len(values)))]


def raise_alerts(daemon: Daemon) -> list[float]:
    """One alert a pour, by the mark `kicked` in mid-pour; when each input arrived [unix s], by the journal."""
    for _ in range(ALERTS):
        daemon.mark("mix", molds=["M02"])
        time.sleep(0.1)
        daemon.mark("kicked")
        time.sleep(0.3)
        daemon.mark("heard")
        daemon.mark("end")
        time.sleep(0.1)
    wait_for(lambda: len(_raised(daemon)) == ALERTS)
    return _raised(daemon)


def _raised(daemon: Daemon) -> list[float]:
    rows = daemon.rows("SELECT t, body FROM effects WHERE kind = 'alert' AND name = 'cup-kicking' ORDER BY number")
    alerts = [(t, json.loads(body)) for t, body in rows]
    return [t for t, body in alerts if body["active"] and not body["heard"]]


class BareStream(http.server.BaseHTTPRequestHandler):
    """The baseline: a page of one line and a stream of bare events, told by the wall clock."""

    PAGE = (
        b"<!doctype html><p id=word></p><script>new EventSource('/stream').onmessage ="
        b" (e) => { document.querySelector('#word').textContent = e.data; }</script>"
    )
    sent_s: list[float]

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/event-stream" if self.path == "/stream" else "text/html")
        self.end_headers()
        if self.path != "/stream":
            self.wfile.write(self.PAGE)
            return
        for _ in range(ALERTS):
            time.sleep(0.05)
            self.sent_s.append(time.time())
            self.wfile.write(f"data: {len(self.sent_s)}\n\n".encode())
            self.wfile.flush()

    def log_message(self, *words: object) -> None:
        """Nothing."""


def bare_page_ms(phone: Any) -> list[float]:
    """From a bare server's write to a bare page's word."""
    BareStream.sent_s = []
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), BareStream)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        page = phone.new_page()
        page.add_init_script(f"addEventListener('DOMContentLoaded', {WATCH})")
        page.goto(f"http://127.0.0.1:{server.server_port}/")
        page.wait_for_function(f"window.words.length >= {ALERTS - 1}", timeout=30_000)
        words = page.evaluate("words")
        page.close()
    finally:
        server.shutdown()
        server.server_close()
    return [ms - 1e3 * BareStream.sent_s[int(text) - 1] for ms, text in words]


@pytest.fixture(scope="module")
def phone() -> Iterator[Any]:
    with chromium() as context:
        yield context


@pytest.mark.timeout(300)
def test_from_an_alert_to_its_words_on_the_page(phone: Any, tmp_path: Path, capsys: Any) -> None:
    bare = bare_page_ms(phone)
    daemon = PageDaemon(tmp_path, is_forked=False)
    with daemon.started(), Board(daemon):
        page = phone.new_page()
        page.goto(daemon.url)
        until(page, lambda: page.inner_text("#phase") == "Between pours")
        page.evaluate(WATCH)
        arrived_s: list[float] = []
        raising = threading.Thread(target=lambda: arrived_s.extend(raise_alerts(daemon)))
        raising.start()
        while raising.is_alive():
            page.wait_for_timeout(200)
        shown_ms = [ms for ms, text in page.evaluate("words") if text == WORDS]
        page.close()
    assert len(shown_ms) == len(arrived_s) == ALERTS
    took_ms = [shown - 1e3 * at_s for shown, at_s in zip(shown_ms, arrived_s, strict=True)]
    told(
        capsys,
        f"alert to words on the page, {ALERTS} alerts: p50 {statistics.median(took_ms):.0f}, p99 {p99(took_ms):.0f} ms"
        f" (bare stream to bare page: {statistics.median(bare):.0f}, {p99(bare):.0f} ms)",
    )


class AlertListener:
    """A subscriber that notes when each message arrives [unix s]."""

    def __init__(self, port: int, topic: str) -> None:
        self.heard: list[tuple[float, dict[str, Any]]] = []
        self._is_subscribed = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.on_connect = lambda c, *_: c.subscribe(topic, 1)
        self.client.on_subscribe = lambda *_: self._is_subscribed.set()
        self.client.on_message = lambda c, d, m: self.heard.append((time.time(), json.loads(m.payload)))
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._is_subscribed.wait(5)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def bare_publish_ms(broker: Mosquitto) -> list[float]:
    """From a bare client's publish to a bare subscriber, through the same broker."""
    listener = AlertListener(broker.port, "bare")
    try:
        for _ in range(ALERTS):
            listener.client.publish("bare", json.dumps({"sent": time.time()}), 1)
            time.sleep(0.02)
        wait_for(lambda: len(listener.heard) == ALERTS)
    finally:
        listener.close()
    return [1e3 * (at_s - body["sent"]) for at_s, body in listener.heard]


@needs_mosquitto
@pytest.mark.timeout(300)
def test_from_an_alert_to_a_subscriber_of_the_broker(tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "broker").mkdir()
    with broker_running(tmp_path / "broker") as broker:
        bare = bare_publish_ms(broker)
        daemon = Daemon(tmp_path / "daemon", mqtt_port=broker.port, is_forked=False)
        with daemon.started():
            listener = AlertListener(broker.port, "benchd/v0/quiet-harbour/north/alert-log")
            with Board(daemon):
                commits_ms: list[float] = []
                arrived_s = raise_alerts(daemon)
                for _ in range(20):
                    commits_ms.append(daemon.get("/api/v0/state")["health"]["commit_ms"])
                    time.sleep(0.1)
            listener.close()
    heard = [at_s for at_s, body in listener.heard if body["alert"] == "cup-kicking"]
    begun = [at for at, body in zip(heard, _bodies(listener), strict=True) if body["active"] and not body["heard"]]
    assert len(begun) == ALERTS
    took_ms = [1e3 * (at - arrived) for at, arrived in zip(begun, arrived_s, strict=True)]
    commit_ms = statistics.median(commits_ms)
    told(
        capsys,
        f"alert to a subscriber, {ALERTS} alerts: p50 {statistics.median(took_ms):.1f}, p99 {p99(took_ms):.1f} ms, of"
        f" which a commit {commit_ms:.1f} ms (bare publish: {statistics.median(bare):.1f}, {p99(bare):.1f} ms)",
    )


def _bodies(listener: AlertListener) -> list[dict[str, Any]]:
    return [body for _, body in listener.heard if body["alert"] == "cup-kicking"]


@contextmanager
def listening(port: int) -> Iterator[socket.socket]:
    """A phone's stream, read to nowhere on a thread of its own."""
    with socket.create_connection(("127.0.0.1", port)) as stream:
        stream.sendall(f"GET /api/v0/stream HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        assert b"200 OK" in stream.recv(65536)

        def drain() -> None:
            try:
                while stream.recv(65536):
                    pass
            except OSError:
                pass

        thread = threading.Thread(target=drain, daemon=True)
        thread.start()
        yield stream
        stream.shutdown(socket.SHUT_RDWR)
        thread.join(5)


def share_pct(daemon: Daemon, seq: int, for_s: float) -> float:
    """The daemon's share of a core while five lines a second come."""
    assert daemon.process is not None
    process = psutil.Process(daemon.process.pid)
    before, since_s = sum(process.cpu_times()[:2]), time.monotonic()
    for at in range(int(5 * for_s)):
        daemon.port.write(line(seq + at))
        time.sleep(0.2)
    return 100.0 * float(sum(process.cpu_times()[:2]) - before) / (time.monotonic() - since_s)


@pytest.mark.timeout(180)
def test_what_five_phones_cost(tmp_path: Path, capsys: Any) -> None:
    daemon = PageDaemon(tmp_path, is_forked=False)
    with daemon.started():
        wait_for(lambda: len(list((tmp_path / "tables").glob("*.json"))) >= 3, 90.0)  # solved once, in the background
        share_pct(daemon, 0, 4.0)
        alone = share_pct(daemon, 100, 30.0)
        with ExitStack() as stack:
            for _ in range(5):
                stack.enter_context(listening(daemon.page_port))
            share_pct(daemon, 400, 2.0)
            with_five = share_pct(daemon, 500, 30.0)
    told(capsys, f"five phones at 5 lines/s: {with_five:.1f} % of a core in all (with none: {alone:.1f} %)")
    assert with_five > 0


PAINTED = "performance.getEntriesByName('first-contentful-paint').map(e => e.startTime)[0]"
DRAWN = """async () => {
  const {Plot} = await import("/strip.js");
  const box = document.querySelector("#strip"), SVG = "http://www.w3.org/2000/svg";
  const points = Array.from({length: 800}, (_, i) => [i * 108, 200 + 90 * Math.sin(i / 9)]);
  const minutes = Array.from({length: 1440}, (_, i) => [i * 60, 190, 200, 210]);
  const timed = (make) => { const began = performance.now(); box.replaceChildren(make()); box.getBoundingClientRect();
    return performance.now() - began; };
  const bare = () => { const root = document.createElementNS(SVG, "svg"), line = document.createElementNS(SVG, "path");
    root.setAttribute("viewBox", "0 0 86400 400");
    line.setAttribute("d", "M" + [...points, ...minutes.map((m) => [m[0], m[2]])].map((p) => p.join(" ")).join("L"));
    root.append(line); return root; };
  const all = [...minutes.map((m) => [m[0], m[2]]), ...points];
  const ours = () => new Plot(0, 86400, 0, 450, "a day").limit(372, "limit 54").limit(241, "floor 35").curve(all).root;
  return [timed(ours), timed(bare)]; }"""


def is_between_pours(page: Any) -> bool:
    return bool(page.inner_text("#phase") == "Between pours")


def test_what_the_page_weighs_and_how_soon_it_is_there(phone: Any, tmp_path: Path, capsys: Any) -> None:
    files = sum(path.stat().st_size for path in STATIC.iterdir())
    daemon = PageDaemon(tmp_path, is_forked=False)
    paints, bares, drawings, loaded = [], [], [], 0
    with daemon.started(), Board(daemon):
        for _ in range(5):
            page = phone.new_page()
            page.goto("data:text/html,<p>One line.</p>")
            page.wait_for_function(f"{PAINTED} > 0")
            bares.append(page.evaluate(PAINTED))
            page.goto(daemon.url)
            until(page, partial(is_between_pours, page))
            paints.append(page.evaluate(PAINTED))
            sizes = "performance.getEntries().reduce((n, r) => n + (r.encodedBodySize || 0), 0)"
            loaded = max(loaded, page.evaluate(sizes))
            drawings.append(page.evaluate(DRAWN))
            page.close()
    ours, bare = max(d[0] for d in drawings), max(d[1] for d in drawings)
    told(capsys, f"the page: {files / 1000:.0f} kB of files, {loaded / 1000:.0f} kB loaded with its first data")
    told(capsys, f"first paint: median {statistics.median(paints):.0f}, worst {max(paints):.0f} ms"
         f" (one bare line: {statistics.median(bares):.0f} ms)")  # fmt: skip
    told(capsys, f"a day's history drawn: worst of five {ours:.0f} ms (bare polyline: {bare:.0f} ms)")
    assert files <= MOST_PAGE_BYTES
    assert loaded <= MOST_PAGE_BYTES
