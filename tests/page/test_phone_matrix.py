"""Does the page serve a phone in each of the three ways it can be opened, and show foreign names as text?

Debian's Chromium at phone size: plain HTTP at a LAN name, HTTPS at a LAN name (paired), loopback.  The LAN name is
mapped to loopback by the browser itself; what a secure context gives and withholds is the browser's own doing.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from daemon import Daemon
from paired_daemon import NAME, PairedDaemon
from phone_page import Board, PageDaemon, chromium, spki, until, word
from some_of import some_of

STRANGER = "elsewhere.lan"
MAPPED = f"--host-resolver-rules=MAP {NAME} 127.0.0.1, MAP {STRANGER} 127.0.0.1"
A_DAY_FAST = "{ const real = Date.now; Date.now = () => real.call(Date) + 86400000; }"


class NamedDaemon(PageDaemon):
    """Answers to the LAN name too, in the open: what a page on a network without pairing would be."""

    names = (NAME,)


@dataclass
class Place:
    """One way to the page: `url` of the bench, `other` of the same port under a name the bench does not answer to."""

    kind: str
    daemon: Daemon
    phone: Any
    url: str
    other: str

    @property
    def is_secure(self) -> bool:
        return self.kind != "http at a LAN name"

    @contextlib.contextmanager
    def page(self) -> Iterator[Any]:
        """The Bench room, showing readings; no script may have failed in the end."""
        opened = self.phone.new_page()
        failures: list[str] = []
        opened.on("pageerror", lambda error: failures.append(str(error)))
        opened.goto(self.url)
        until(opened, lambda: opened.inner_text("#phase") == "Between pours", 30.0)
        try:
            yield opened
        finally:
            self.daemon.mark("end")
            opened.close()
        assert failures == []


# Loopback is test_phone.py's way all along.
WAYS = some_of(["https at a LAN name", "http at a LAN name", "loopback"], 1)


@pytest.fixture(scope="module", params=WAYS)
def place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("bench")
    is_paired = request.param == "https at a LAN name"
    daemon = PairedDaemon(folder) if is_paired else NamedDaemon(folder)
    with daemon.started():
        flags = [MAPPED]
        if isinstance(daemon, PairedDaemon):
            daemon.code()  # the certificate is there once a code is
            flags.append(f"--ignore-certificate-errors-spki-list={spki(folder / 'https' / 'page.crt')}")
        with chromium(*flags) as phone, Board(daemon):
            host = "127.0.0.1" if request.param == "loopback" else NAME
            scheme, port = "https" if is_paired else "http", daemon.page_port
            made = Place(request.param, daemon, phone, f"{scheme}://{host}:{port}", f"{scheme}://{STRANGER}:{port}")
            if is_paired:
                _pair(made)
            yield made


def _pair(place: Place) -> None:
    """Pair the browser as a hand would: the code in the address, one press."""
    assert isinstance(place.daemon, PairedDaemon)
    page = place.phone.new_page()
    page.goto(place.url)
    assert page.url.endswith("/pair")
    page.goto("about:blank")
    page.goto(f"{place.url}/pair#{place.daemon.code()['code']}")
    page.click("button[type=submit]")
    page.wait_for_selector("#paired:not([hidden])")
    page.close()


def test_the_browser_gives_what_it_gives_there(place: Place) -> None:
    """W3C Secure Contexts: HTTPS and loopback are secure, plain HTTP at a name is not; the page says what it costs."""
    with place.page() as page:
        assert page.evaluate("isSecureContext") is place.is_secure
        given = "[!!navigator.wakeLock, typeof crypto.randomUUID === 'function', !!navigator.serviceWorker]"
        asked = page.evaluate(given)
        assert asked == [place.is_secure] * 3
        until(page, lambda: ("screen may sleep" in page.inner_text("#tier")) is not place.is_secure)
        if place.is_secure:
            assert page.evaluate("navigator.serviceWorker.ready.then((r) => r.active !== null)")


@pytest.mark.wide
def test_the_clock_runs_by_the_bench_not_by_the_phone(place: Place) -> None:
    """A phone a day fast shows seconds since the mix all the same, and they go on."""
    with place.page() as page:
        page.add_init_script(A_DAY_FAST)
        page.reload()
        until(page, lambda: page.inner_text("#phase") == "Between pours", 30.0)
        place.daemon.mark("mix", molds=["M02"])
        until(page, lambda: page.inner_text("#phase").startswith("Cup in hand"), 30.0)
        shown: list[str] = []
        until(page, lambda: shown.append(page.inner_text("#figure")) or len(set(shown)) >= 4, 30.0)  # type: ignore[func-returns-value]
        seconds = [int(s.split(":")[0]) * 60 + int(s.split(":")[1]) for s in dict.fromkeys(shown)]
        assert all(re.fullmatch(r"\d:\d\d", s) for s in shown)
        assert seconds == sorted(seconds)
        assert seconds[0] < 60


@pytest.mark.wide
def test_one_press_makes_it_speak_and_asks_for_the_screen(place: Place) -> None:
    """Speech needs no secure context, the wake lock does: where there is none the page says so."""
    with place.page() as page:
        page.click("#start")
        place.daemon.mark("mix", molds=["M02"])
        until(page, lambda: page.inner_text("#phase").startswith("Cup in hand"), 30.0)
        place.daemon.mark("kicked")
        until(page, lambda: "Cup is kicking. Set it down, step back." in page.evaluate("did.spoken"), 30.0)
        assert page.evaluate("did.tones") > 0
        assert page.evaluate("did.shaken.length") > 0
        assert page.evaluate("did.awake") == (["screen"] if place.is_secure else [])
        page.click("[data-test=awake]")
        says = "stays on" if place.is_secure else "Screen may sleep"
        until(page, lambda: says in page.inner_text("#tested"))


def test_a_mark_goes_through_and_is_taken_back(place: Place) -> None:
    with place.page() as page:
        page.click("#mark")
        until(page, lambda: page.inner_text("#answer").startswith("Mix clock runs"), 30.0)
        page.click(".undo")
        until(page, lambda: page.inner_text("#answer").startswith("Taken back"), 30.0)


def test_a_name_the_bench_does_not_answer_to_gets_nothing(place: Place) -> None:
    """421 to a foreign Host (DNS rebinding); a page of another origin can neither read nor mark (Origin, CORS)."""
    before = len(place.daemon.rows("SELECT seq FROM inputs WHERE kind = 'mark'"))
    page = place.phone.new_page()
    answer = page.goto(place.other + "/")
    assert answer.status == 421
    script = """async (url) => { const out = [], body = '{"verb":"mix"}';
      for (const type of ["application/json", "text/plain"]) {
        try { out.push((await fetch(url + "/api/v0/marks", {method: "POST", body, credentials: "include",
          headers: {"Content-Type": type}})).status); } catch (e) { out.push(e.name); } }
      try { await fetch(url + "/api/v0/state", {credentials: "include"}); out.push("read"); }
      catch (e) { out.push(e.name); }
      return out; }"""
    assert page.evaluate(script, place.url) == ["TypeError"] * 3
    page.close()
    assert len(place.daemon.rows("SELECT seq FROM inputs WHERE kind = 'mark'")) == before


def test_only_the_paired_way_pairs(place: Place) -> None:
    """Elsewhere there is no pairing page; here the cookie is out of every script's reach and a stranger meets it."""
    if place.kind != "https at a LAN name":
        page = place.phone.new_page()
        assert page.goto(place.url + "/pair").status == 404
        page.close()
        return
    with place.page() as page:
        assert page.evaluate("document.cookie") == ""
        assert page.evaluate("fetch('/api/v0/state', {credentials: 'omit'}).then((a) => a.status)") == 401


@pytest.mark.wide
def test_after_the_daemons_end_it_says_blind_and_finds_the_new_one(place: Place) -> None:
    """The last of these: the daemon is killed.  The pour it had open stands on the page again."""
    page = place.phone.new_page()
    page.goto(place.url)
    place.daemon.mark("mix", molds=["M02"])
    until(page, lambda: page.inner_text("#phase").startswith("Cup in hand"), 30.0)
    page.click("#start")
    place.daemon.kill()
    until(page, lambda: word(page).startswith("Blind."), 60.0)
    assert "Blind. Watch the dial." in page.evaluate("did.spoken")
    place.daemon.start()
    until(page, lambda: page.inner_text("#phase").startswith("Cup in hand"), 60.0)
    page.close()
