"""Is the one word on the page the one that matters now, and does it say why?  The page's own rules, in Chromium."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from mosquitto import free_port
from phone_page import Board, PageDaemon, chromium, until, word

NOW = 1000.0
PLAIN = {
    "bench": {"channels": [{"id": "c"}], "molds": [], "lots": [], "pots": [], "cups": [], "units": {}},
    "findings": [],
    "said": [],
}
POURING = {"of": "pour", "id": "cup-1", "phase": "pouring", "molds": ["m02"], "poured": [], "number": 1, "mix_t": 900}


@pytest.fixture(scope="module")
def phone() -> Iterator[Any]:
    with chromium() as context:
        yield context


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageDaemon]:
    """A daemon whose broker is not there."""
    made = PageDaemon(tmp_path_factory.mktemp("bench"), mqtt_port=free_port())
    with made.started():
        yield made


@pytest.fixture(scope="module")
def page(phone: Any, daemon: PageDaemon) -> Iterator[Any]:
    with Board(daemon):
        opened = phone.new_page()
        opened.goto(daemon.url)
        until(opened, lambda: opened.inner_text("#phase") == "Between pours", 30.0)
        yield opened


def alarm(code: str, priority: int, **more: Any) -> dict[str, Any]:
    subject = {"bench": "north"}
    body = {"alert": code, "active": True, "heard": False, "priority": priority, "text": code.upper(), "t": 950.0}
    return body | {"subject": subject, "shelved_until": None} | more


def say(code: str, priority: int, t: float = 995.0) -> dict[str, Any]:
    return {"t": t, "say": code.upper(), "code": code, "priority": priority, "say_until": t + 30.0}


P2 = alarm("pot-creeping", 2)
CALL = say("lid-now", 3)


@pytest.mark.parametrize(
    ("cards", "alerts", "said", "shown"),
    [
        ([], [P2], [], "POT-CREEPING"),
        ([], [P2 | {"heard": True}], [], "phase"),  # heard: it stays among the rows, the word is free again
        ([], [P2 | {"shelved_until": NOW + 60}], [], "phase"),
        ([], [P2 | {"shelved_until": NOW - 60}], [], "POT-CREEPING"),
        ([], [alarm("pot-blind", 1, heard=True)], [], "POT-BLIND"),  # priority 1 stays while it lasts
        ([], [P2], [CALL], "LID-NOW"),  # what was said just now, for as long as it may be said
        ([], [alarm("pot-blind", 1)], [CALL], "POT-BLIND"),
        ([POURING], [P2], [], "phase"),  # hands full: priority 2 waits, as its voice does
        ([POURING], [P2], [say("pot-creeping", 2)], "POT-CREEPING"),
        ([POURING], [alarm("pot-blind", 1)], [CALL], "POT-BLIND"),
        ([], [P2 | {"active": False}], [], "phase"),
        ([], [P2, alarm("vent-early", 2, t=990.0)], [], "VENT-EARLY"),  # the newer of two alike
    ],
)
def test_the_word_is_what_matters_now(page: Any, cards: Any, alerts: Any, said: Any, shown: str) -> None:
    state = PLAIN | {"said": said}
    script = """async ([state, cards, alerts, now]) => { const w = await import("/words.js");
      const key = (c) => c.of + "/" + c.id;
      const S = {...state, cards: new Map(cards.map((c) => [key(c), c])), readings: new Map([["c", {value: 1}]]),
        alerts: new Map(alerts.map((a) => [w.alertKey(a), a]))};
      const word = w.wordOf(S, w.phaseOf(S), now);
      return word.priority === 4 ? "phase" : word.text; }"""
    assert page.evaluate(script, [state, cards, alerts, NOW]) == shown


@pytest.mark.parametrize(
    ("pours", "pots", "name"),
    [
        ([POURING], [], "pouring"),
        ([POURING | {"phase": "standing"}], [], "closing"),
        ([POURING | {"phase": "kicked"}], [], "kicked"),  # kicked with no pot closed: the clock goes on
        ([POURING | {"phase": "kicked", "pot": "p"}], [{"of": "pot", "id": "p", "phase": "fed"}], "holding"),
        ([POURING | {"phase": "curing"}], [], "idle"),
        ([POURING], [{"of": "pot", "id": "p", "phase": "filling"}], "filling"),
        ([POURING], [{"of": "pot", "id": "p", "phase": "venting"}], "pouring"),  # the mix clock is the nearer deadline
        ([POURING, POURING | {"id": "cup-2", "phase": "standing"}], [], "closing"),  # a lid that is due stays
    ],
)
def test_the_phase_follows_the_hands(page: Any, pours: Any, pots: Any, name: str) -> None:
    script = """async (cards) => { const w = await import("/words.js");
      return w.phaseOf({bench: {}, cards: new Map(cards.map((c) => [c.of + "/" + c.id, c]))}).name; }"""
    assert page.evaluate(script, [*pours, *pots]) == name


@pytest.mark.parametrize(
    ("phase", "figure", "caption"),
    [
        ({"name": "pouring", "pour": POURING}, "1:40", "since A met B; bench silent for 7 s"),
        ({"name": "holding", "pot": {"id": "p"}}, "7", "since the bench was last heard"),
    ],
)
def test_blind_in_mid_pour_keeps_the_mix_clock(page: Any, phase: Any, figure: str, caption: str) -> None:
    """The phone knows when A met B; while a pot holds it says how long the bench has been silent."""
    script = """async ([phase, now]) => { const w = await import("/words.js");
      return w.blindFigure({readings: new Map([["c", 1]])}, phase, 7.2, now, false); }"""
    found = page.evaluate(script, [phase, NOW])
    assert (found["text"], found["caption"]) == (figure, caption)


@pytest.mark.parametrize(
    ("verb", "pots", "pours", "is_offered"),
    [
        ("shut", ["fed"], ["standing"], True),
        ("shut", ["isolated"], ["curing"], False),
        ("shut", ["filling"], ["standing"], False),  # air is on, and has to be
        ("topup", ["fed"], [], False),
        ("topup", ["isolated"], [], True),
        ("kicked", [], ["pouring"], True),
        ("kicked", [], ["curing"], False),
        ("dumped", [], [], True),
        ("dumped", ["isolated"], ["curing"], False),
        ("leaving", [], [], False),
        ("end", [], [], False),
        ("back", ["isolated"], [], False),  # nobody left
        ("repeat", [], [], True),
    ],
)
def test_a_mark_is_offered_only_where_it_can_be_true(
    page: Any, verb: str, pots: list[str], pours: list[str], is_offered: bool
) -> None:
    script = """async ([verb, pots, pours]) => { const {Marks} = await import("/marks.js");
      const cards = [...pots.map((phase, n) => ({of: "pot", id: "p" + n, phase})),
        ...pours.map((phase, n) => ({of: "pour", id: "c" + n, phase}))];
      const S = {cards: new Map(cards.map((c) => [c.of + c.id, c]))};
      return Marks.prototype.canBe.call({S, isAway: false}, verb); }"""
    assert page.evaluate(script, [verb, pots, pours]) is is_offered


@pytest.mark.wide
def test_an_alarm_of_the_watch_itself_says_why_and_gives_way_once_heard(page: Any, daemon: PageDaemon) -> None:
    """No broker: "Look at the page" leads to the cause, at the top; heard, it stands among the rows."""
    until(page, lambda: word(page) == "No phone is listening. Look at the page.", 60.0)
    until(page, lambda: "the broker is down" in page.inner_text("#phase"))
    until(page, lambda: "no-listener" in str(daemon.get("/api/v0/state")["said"]), 60.0)
    page.click("#heard")
    until(page, lambda: page.inner_text("#phase") == "Between pours", 30.0)
    until(page, lambda: "on, heard" in page.inner_text("#beside"))
    assert "the broker is down" in page.inner_text("#beside")


def test_every_mark_is_a_thumb_wide_and_a_chosen_mold_can_be_read(page: Any) -> None:
    """56 px: the page's own rule for what a glove presses; test_glance.py has it for every phase."""
    sizes = page.evaluate("""() => [...document.querySelectorAll("#bench button:not(.row), #foot button")]
      .filter((b) => b.offsetParent && b.id !== "number")
      .map((b) => [b.textContent, b.getBoundingClientRect().width, b.getBoundingClientRect().height])""")
    assert len(sizes) > 20
    assert [(text, w, h) for text, w, h in sizes if min(w, h) < 55.9] == []
    for form in ("#mix-molds", "#plan-molds"):
        page.click(f"{form} button >> nth=0")
        colors = page.evaluate(
            "(s) => { const c = getComputedStyle(document.querySelector(s)); return [c.color, c.backgroundColor]; }",
            f"{form} [aria-pressed=true]",
        )
        assert len({re.sub(r"\s", "", c) for c in colors}) == 2
        assert "rgba(0, 0, 0, 0)" not in colors
        page.click(f"{form} button >> nth=0")


def test_a_bench_of_nothing_says_how_to_begin(phone: Any, tmp_path: Path) -> None:
    made = PageDaemon(tmp_path)
    config = tmp_path / "bench.toml"
    text = re.sub(r"\[\[channel\]\].*?(?=\n\[(?!\[channel))", "", config.read_text("utf-8"), flags=re.DOTALL)
    config.write_text(text, "utf-8")
    with made.started():
        page = phone.new_page()
        page.goto(made.url)
        until(page, lambda: word(page) == "Nothing is watched yet.", 30.0)
        until(page, lambda: "[[channel]]" in page.inner_text("#strip"))
        page.close()


def test_damp_air_is_the_word_between_pours(page: Any) -> None:
    script = """async (findings) => { const w = await import("/words.js");
      const S = {bench: {channels: [{}]}, cards: new Map(), alerts: new Map(), said: [], findings,
        readings: new Map([["c", {value: 1}]])};
      return w.wordOf(S, w.phaseOf(S), 0).text; }"""
    damp = {"finding": "room_damp", "active": True, "level": "hold-off", "rh_pct": 64.2}
    wet = {"finding": "air_wet", "active": True}
    assert page.evaluate(script, [damp]) == "Dry first. Room 64 %."
    assert page.evaluate(script, [damp, damp | {"active": False}]) == "Nothing mixed."
    assert page.evaluate(script, [wet]) == "Tank air may be wet. Dump and refill."
    assert page.evaluate(script, [wet | {"basis": "measured"}]) == "Tank air is wet. Dump and refill."
    assert page.evaluate(script, []) == "Nothing mixed."


def test_what_is_wrong_can_be_read_above_the_targets(page: Any) -> None:
    """The words beside a refused field are not hidden under the two targets at the bottom."""
    page.fill("#mix-b_g", "-3")
    page.click("#mix-go")
    page.wait_for_timeout(300)
    words, foot = page.locator("#mix-b_g-wrong").bounding_box(), page.locator("#foot").bounding_box()
    assert "grams above zero" in page.inner_text("#mix-b_g-wrong")
    assert words["y"] + words["height"] <= foot["y"]
    page.fill("#mix-b_g", "")


@pytest.mark.parametrize(
    ("pours", "pots", "where"),
    [
        ([POURING], [], ""),
        ([POURING | {"probe_every_s": 6.5}], [], "number"),
        ([POURING | {"phase": "standing", "probe_every_s": 6.5}], [], "number"),
        ([POURING | {"phase": "curing", "probe_every_s": 6.5}], [], "row"),
        (
            [POURING | {"phase": "standing", "pot": "p", "probe_every_s": 6.5}],
            [{"of": "pot", "id": "p", "phase": "filling"}],
            "row",
        ),
    ],
)
def test_a_probe_too_slow_for_a_kick_is_marked_as_long_as_its_pour_is_open(
    page: Any, pours: Any, pots: Any, where: str
) -> None:
    """Under the mix clock while the cup is what the page is about, beside its temperature later."""
    script = """async ([cards, bench]) => { const w = await import("/words.js"), rows = await import("/rows.js");
      const S = {bench, cards: new Map(cards.map((c) => [c.of + "/" + c.id, c])), alerts: new Map(), said: [],
        findings: [],
        readings: new Map([["c", {role: "cup_temperature", of: "cup-1", value: 40, channel: "c", t: 990}]])};
      const phase = w.phaseOf(S);
      const notes = rows.besideRows(S, phase, 1000).map((r) => r.note).join();
      return [w.numberOf(S, phase, 1000).caption || "", notes]; }"""
    units = {"temperature": "C", "pressure": "psi"}
    bench = {"channels": [{}], "molds": [], "pots": [{"id": "p", "name": "Barrel"}], "units": units, "plan": {}}
    shown = dict(zip(("number", "row"), page.evaluate(script, [[*pours, *pots], bench]), strict=True))
    assert [at for at, words in shown.items() if "probe reads once in 7 s, too slow for a kick" in words] == [
        at for at in ("number", "row") if at == where
    ]
