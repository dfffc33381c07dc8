"""Does a phone show, say and take what it should?  The page in Debian's Chromium, on a daemon in its own process."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from phone_page import EVIL, PHONE, Board, PageDaemon, chromium, outside_requests, until, with_evil_mold, word
from some_of import some_of

from benchd.core.model import CAUSES, FEELS, GRADES

PHASES = ("Cup in hand", "Holding", "Parts in their molds")


@pytest.fixture(scope="module")
def phone() -> Iterator[Any]:
    with chromium() as context:
        yield context


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageDaemon]:
    """A running daemon whose bench and one mold have hostile names."""
    folder = tmp_path_factory.mktemp("bench")
    made = with_evil_mold(folder)
    text = (folder / "bench.toml").read_text("utf-8")
    (folder / "bench.toml").write_text(text.replace('"North bench"', json.dumps(EVIL)), "utf-8")
    with made.started():
        yield made


@pytest.fixture(scope="module")
def board(daemon: PageDaemon) -> Iterator[Board]:
    with Board(daemon) as talking:
        yield talking


@pytest.fixture
def page(phone: Any, daemon: PageDaemon, board: Board) -> Iterator[Any]:
    """The page, showing readings; ends the pour a test began."""
    opened = phone.new_page()
    opened.failures = []
    opened.on("pageerror", lambda error: opened.failures.append(str(error)))
    opened.goto(daemon.url)
    until(opened, lambda: "22.0 C" in opened.inner_text("#strip") or opened.inner_text("#phase") != "Between pours")
    yield opened
    assert opened.failures == []
    opened.close()
    daemon.mark("end")


def contrast(page: Any, selector: str) -> float:
    """Contrast ratio of an element's text to its ground (WCAG 2.2, relative luminance)."""
    script = """(s) => { const e = document.querySelector(s); let g = e;
      while (getComputedStyle(g).backgroundColor === 'rgba(0, 0, 0, 0)') g = g.parentElement;
      return [getComputedStyle(e).color, getComputedStyle(g).backgroundColor]; }"""

    def luminance(rgb: str) -> float:
        parts = [int(x) / 255 for x in re.findall(r"\d+", rgb)[:3]]
        linear = [x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(c) for c in page.evaluate(script, selector)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("ground", some_of(["light", "dark"], 1))
def test_word_and_number_stand_out_and_targets_fit_a_thumb(page: Any, ground: str) -> None:
    page.emulate_media(color_scheme=ground)
    page.wait_for_selector("#strip .row b", state="attached")
    for selector in ("#word", "#figure", "#heard", "#mark", "#start"):
        assert contrast(page, selector) >= 7.0, selector
    for selector in ("#caption", "#phase", "#tier", "#strip .row b"):
        assert contrast(page, selector) >= 4.5, selector
    page.evaluate("document.querySelector('#top').className = 'p1'")
    assert contrast(page, "#word") >= 7.0
    for selector, least in (("#heard", 72), ("#mark", 72), ("#number", 72), ("#start", 56)):
        box = page.locator(selector).bounding_box()
        assert box["height"] >= least, selector
        assert box["x"] + box["width"] <= PHONE["width"], selector


def test_nothing_blinks_but_priority_one_and_not_where_motion_is_unwelcome(page: Any) -> None:
    script = """(state) => { document.querySelector("#top").className = state;
      return document.getAnimations().map(a => a.effect.target.id); }"""
    for state in ("", "p2", "blind"):
        assert page.evaluate(script, state) == []
    assert page.evaluate(script, "p1") == ["word"]
    page.emulate_media(reduced_motion="reduce")
    assert page.evaluate(script, "p1") == []


def shows(page: Any, selector: str, words: str) -> bool:
    return words in page.inner_text(selector)


def differs(page: Any, expression: str, before: str) -> bool:
    return bool(page.evaluate(expression) != before)


def test_one_press_starts_sound_speech_and_wake_lock_and_each_can_be_tried(page: Any) -> None:
    assert page.evaluate("did.spoken") == []
    page.click("#start")
    until(page, lambda: page.evaluate("did.awake") == ["screen"])
    assert page.evaluate("did.tones") == 2
    for name, says in (("tone", "played"), ("speech", "spoken"), ("shake", "vibrated"), ("awake", "stays on")):
        page.click(f"[data-test={name}]")
        until(page, partial(shows, page, "#tested", says))
    assert page.evaluate("did.spoken")[-1] == "Lid now."
    assert page.evaluate("did.awake") == ["screen", "screen"]


@pytest.mark.wide
def test_words_are_spoken_once_and_an_alarm_is_told_as_it_comes(page: Any, daemon: PageDaemon, board: Board) -> None:
    page.click("#start")
    daemon.mark("mix", molds=["M02"])
    until(page, lambda: page.inner_text("#phase").startswith("Cup in hand"))
    daemon.mark("kicked")
    until(page, lambda: word(page) == "Cup is kicking. Set it down, step back.")
    until(page, lambda: "Cup is kicking. Set it down, step back." in page.evaluate("did.spoken"))
    page.click("#heard")
    until(page, lambda: page.inner_text("#answer").startswith("Heard"))
    page.wait_for_timeout(1500)
    said = [x for x in page.evaluate("did.spoken") if x]
    assert said.count("Cup is kicking. Set it down, step back.") == 1


def test_a_pour_marked_on_the_page_runs_its_clock_and_can_be_taken_back(page: Any, daemon: PageDaemon) -> None:
    page.click("[data-mold=m02]")
    page.click("[data-mold=m05]")
    page.fill("#mix-a_g", "150,5")
    page.click("#mix-lot [data-value=R-07]")
    page.click("#mix-go")
    until(page, lambda: word(page) == "Mixing. First Keeper arms.")
    assert daemon.findings("pour_started")[-1]["a_g"] == 150.5
    assert re.fullmatch(r"0:0\d", page.inner_text("#figure"))
    assert page.inner_text("#mark").split() == ["Poured", "Keeper", "arms"]
    page.click("#mark")
    until(page, lambda: word(page) == "Heron legs next.")
    page.click(".undo")
    until(page, lambda: word(page) == "Mixing. First Keeper arms.")
    page.click("#number")
    until(page, lambda: "typed (from the mix mark)" in page.inner_text("#basis"))
    assert page.evaluate("getComputedStyle(document.querySelector('#basis'), '::after').content") != '""'


def test_what_is_wrong_stands_beside_the_field(page: Any, daemon: PageDaemon) -> None:
    before = len(daemon.findings("pour_started"))
    page.fill("#mix-a_g", "-3")
    page.click("#mix-go")
    assert "grams above zero" in page.inner_text("#mix-a_g-wrong")
    assert page.get_attribute("#mix-a_g", "aria-invalid") == "true"
    page.fill("#mix-a_g", "")
    page.fill("#mix-mold_c", "hot")
    page.click("#mix-go")
    assert page.inner_text("#mix-a_g-wrong") == ""
    assert "degrees C" in page.inner_text("#mix-mold_c-wrong")
    assert len(daemon.findings("pour_started")) == before
    page.fill("#mix-mold_c", "")
    foreign = json.dumps({"verb": "mix", "id": "page-foreign-lot", "lot": EVIL})
    page.route("**/api/v0/marks", lambda route: route.continue_(post_data=foreign))
    page.click("#mix-go")
    until(page, lambda: "no lot" in page.inner_text("#mix-lot-wrong"))
    page.unroute("**/api/v0/marks")
    assert page.evaluate("window.pwned") is None


@pytest.mark.parametrize(("name", "words"), [("feel", FEELS), ("grade", GRADES), ("cause", CAUSES)])
def test_a_part_is_described_in_the_words_that_a_mark_takes(page: Any, name: str, words: tuple[str, ...]) -> None:
    """The page has no list of its own: what it offers comes with the bench's names."""
    script = "(id) => [...document.querySelectorAll(id + ' [data-value]')].map((chip) => chip.dataset.value)"
    until(page, lambda: page.evaluate(script, f"#demold-{name}") == list(words))


def test_another_name_and_another_site_get_nothing(page: Any, phone: Any, daemon: PageDaemon) -> None:
    before = len(daemon.rows("SELECT seq FROM inputs WHERE kind = 'mark'"))
    other = phone.new_page()
    other.goto(daemon.url.replace("127.0.0.1", "localhost"))
    script = """async (url) => { const out = [], body = '{"verb":"mix"}';
      for (const type of ["application/json", "text/plain"]) {
        try { out.push((await fetch(url, {method: "POST", body, headers: {"Content-Type": type}})).status); }
        catch (e) { out.push(e.name); } }
      try { await fetch(url.replace("marks", "state")); out.push("read"); } catch (e) { out.push(e.name); }
      return out; }"""
    assert other.evaluate(script, daemon.url + "/api/v0/marks") == ["TypeError", "TypeError", "TypeError"]
    other.close()
    assert len(daemon.rows("SELECT seq FROM inputs WHERE kind = 'mark'")) == before


def test_on_plain_http_nothing_it_lacks_is_touched(phone: Any, daemon: PageDaemon, board: Board) -> None:
    """A page over plain HTTP from a LAN name has none of these (W3C Secure Contexts): taken away here."""
    page = phone.new_page()
    failures: list[str] = []
    page.on("pageerror", lambda error: failures.append(str(error)))
    page.add_init_script("""
      Object.defineProperty(window, "isSecureContext", {value: false});
      for (const name of ["wakeLock", "serviceWorker", "clipboard"])
        Object.defineProperty(navigator, name, {value: undefined});
      delete Crypto.prototype.randomUUID; Object.defineProperty(Crypto.prototype, "subtle", {value: undefined});
      Object.defineProperty(window, "Notification", {value: undefined});
    """)
    page.goto(daemon.url)
    until(page, lambda: "screen may sleep" in page.inner_text("#tier"))
    until(page, lambda: page.inner_text("#phase") == "Between pours")
    page.click("#start")
    page.click("[data-test=awake]")
    until(page, lambda: "Screen may sleep" in page.inner_text("#tested"))
    page.click("#mark")
    until(page, lambda: page.inner_text("#answer").startswith("Mix clock runs"))
    page.click(".undo")
    until(page, lambda: page.inner_text("#answer").startswith("Taken back"))
    assert failures == []
    page.close()


def test_it_asks_nobody_else_is_light_and_draws_a_day(phone: Any, daemon: PageDaemon, board: Board) -> None:
    """How long it takes is measured in tests/benchmarks/test_phone_speed.py."""
    asked = outside_requests(phone)
    page = phone.new_page()
    page.goto(daemon.url)
    until(page, lambda: word(page) != "Connecting.")
    transferred = page.evaluate("performance.getEntriesByType('resource').reduce((n, r) => n + r.encodedBodySize, 0)")
    drawn = page.evaluate("""async () => {
      const {Plot} = await import("/strip.js");
      const points = Array.from({length: 800}, (_, i) => [i * 108, 200 + 90 * Math.sin(i / 9)]);
      const minutes = Array.from({length: 1440}, (_, i) => [i * 60, 190, 200, 210]);
      const plot = new Plot(0, 86400, 0, 400, "a day").curve([...minutes.map((m) => [m[0], m[2]]), ...points]);
      return [...plot.root.querySelectorAll("path")].map((p) => p.getAttribute("d").split("L").length); }""")
    assert 10_000 < transferred <= 150_000
    assert max(drawn) == 800 + 1440
    assert asked == []
    page.close()


@pytest.mark.parametrize("times", some_of([2, 5], 1))
def test_each_press_comes_back_as_words_in_order(page: Any, daemon: PageDaemon, board: Board, times: int) -> None:
    """ "Say again", some times: one line more each time, the newest first, none twice, none left out."""
    daemon.mark("mix", molds=["M02"])
    daemon.mark("kicked")
    until(page, lambda: "Cup is kicking" in page.inner_text("#said"))
    known = "[...document.querySelectorAll('#said li')].map((li) => li.textContent)"
    for _ in range(times):
        page.wait_for_timeout(1100)  # lines are told apart by their second
        before = page.evaluate(known)
        page.click("[data-verb=repeat]")
        until(page, partial(differs, page, f"{known}[0]", before[0]), 30.0)
        after = page.evaluate(known)
        assert after[1 : len(before)] == before[: len(after[1 : len(before)])]


@pytest.mark.wide
def test_a_killed_daemon_makes_the_page_say_blind_and_its_return_is_seen(phone: Any, tmp_path: Path) -> None:
    own = PageDaemon(tmp_path)
    with own.started():
        own.mark("mix", molds=["M02"], id="mix-1")
        page = phone.new_page()
        page.goto(own.url)
        page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
        until(page, lambda: page.inner_text("#phase").startswith("Cup in hand"))
        page.click("#start")
        fresh = phone.new_page()
        page.evaluate("""() => { window.blind = []; const shown = (id) => document.querySelector(id).textContent;
          new MutationObserver(() => { if (shown("#word").startsWith("Blind.")) window.blind.push(shown("#figure")); })
            .observe(document.querySelector("#top"), {childList: true, characterData: true, subtree: true}); }""")
        own.kill()
        fresh.goto(own.url)  # the installed page's own files, kept by its service worker
        until(page, lambda: word(page).startswith("Blind."), 30.0)
        minutes, seconds = page.evaluate("blind[0]").split(":")  # the mix clock goes on: the phone knows it
        assert 60 * int(minutes) + int(seconds) >= 5  # not "Blind" sooner
        assert "Blind. Watch the dial." in page.evaluate("did.spoken")
        until(fresh, lambda: word(fresh).startswith("Blind."))
        fresh.close()
        own.start()
        until(page, lambda: page.inner_text("#phase").startswith("Cup in hand"), 60.0)
        page.close()


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core's script, from npm; tests only."""
    if shutil.which("npm") is None:
        pytest.skip("npm is not installed: apt-get install npm")
    folder = tmp_path_factory.mktemp("axe")
    subprocess.run(
        ["npm", "install", "--no-audit", "--no-fund", "--prefix", str(folder), "axe-core@4"],
        check=True, capture_output=True, timeout=90,
    )  # fmt: skip
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text("utf-8")


@pytest.mark.parametrize("ground", some_of(["light", "dark"], 1))
def test_a_screen_reader_finds_its_way(page: Any, daemon: PageDaemon, board: Board, axe: str, ground: str) -> None:
    """axe-core's rules (WCAG 2 A, AA and best practice) on each room and state: nothing serious or critical."""
    page.emulate_media(color_scheme=ground)

    def serious() -> list[str]:
        page.evaluate(axe)
        found = page.evaluate("axe.run(document, {resultTypes: ['violations']}).then(r => r.violations)")
        return [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in found if v["impact"] in ("serious", "critical")]

    assert serious() == []
    daemon.mark("mix", molds=["M02", "M05"])
    until(page, lambda: page.inner_text("#phase").startswith("Cup in hand"))
    page.click("#unfold")
    page.click("#mix-go")
    assert serious() == []
    page.click("#to-book")
    until(page, lambda: "Lots" in page.inner_text("#book"))
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    assert serious() == []


def play(phone: Any, folder: Path) -> Any:
    """Follow a load of `benchd demo --page` at 25 times life's speed; each phase shot in both grounds."""
    command = [sys.executable, "-m", "benchd", "demo", "--load", "1", "--speed", "25", "--page", "--no-stay"]
    demo = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, bufsize=1)
    try:
        assert demo.stdout is not None
        url = next(found[0] for line in demo.stdout if (found := re.search(r"http://\S+", line)))
        threading.Thread(target=lambda: list(demo.stdout or ()), daemon=True).start()
        page = phone.new_page()
        page.goto(url)
        page.click("#start")
        seen: list[str] = []
        while demo.poll() is None:
            phase = page.inner_text("#phase").split(",")[0]
            if phase and phase not in seen:
                seen.append(phase)
                page.wait_for_timeout(700)
                for ground in ("light", "dark"):
                    page.emulate_media(color_scheme=ground)
                    page.screenshot(path=folder / f"{phase.replace(' ', '-').lower()}-{ground}.png")
            page.wait_for_timeout(40)
        assert set(PHASES) <= set(seen), seen
        until(page, lambda: word(page).startswith("Blind."))
        for ground in ("light", "dark"):
            page.emulate_media(color_scheme=ground)
            page.screenshot(path=folder / f"blind-{ground}.png")
        return page
    finally:
        demo.kill()
        demo.wait(5)
        if demo.stdout is not None:
            demo.stdout.close()


@pytest.mark.soak
@pytest.mark.timeout(150)
def test_a_whole_load_is_followed_and_heard_from_its_mix_to_its_parts(phone: Any, tmp_path: Path) -> None:
    page = play(phone, tmp_path)
    spoken = page.evaluate("did.spoken")
    assert "Kick. Pressure was forty seconds ahead." in spoken
    assert "Past floor. Keep the air on." in spoken
    assert any(said.endswith("hold done. Mask on, vent slowly.") for said in spoken)
    assert page.evaluate("did.shaken.length") >= 5
    assert {f"holding-{g}.png" for g in ("light", "dark")} <= {f.name for f in tmp_path.iterdir()}
    page.close()
