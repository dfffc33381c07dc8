"""Planning on the phone: choose molds, see the next load's grams and clock, and the reports from the casting book."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from phone_page import EVIL, Board, PageDaemon, chromium, until, with_evil_mold


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageDaemon]:
    """A running daemon, one of its molds with a hostile name."""
    folder = tmp_path_factory.mktemp("planned")
    made = with_evil_mold(folder)
    with made.started():
        yield made


@pytest.fixture(scope="module")
def page(daemon: PageDaemon) -> Iterator[Any]:
    with chromium() as context, Board(daemon):
        opened = context.new_page()
        opened.failures = []
        opened.on("pageerror", lambda error: opened.failures.append(str(error)))
        opened.goto(daemon.url)
        until(opened, lambda: "22.0 C" in opened.inner_text("#strip"))
        yield opened
        assert opened.failures == []


def test_with_nothing_kept_it_says_what_to_do_and_an_empty_wish_is_refused_beside_the_field(page: Any) -> None:
    until(page, lambda: "No plan is kept" in page.inner_text("#sheet"))
    page.click("#plan-go")
    assert page.inner_text("#plan-molds-wrong") == "Choose the molds to cast first."


def test_chosen_molds_become_a_sheet_with_grams_and_clock(page: Any, daemon: PageDaemon) -> None:
    for code in ("m02", "m03", "m06", "m01"):
        box = page.locator(f"[data-plan={code}]")
        assert box.bounding_box()["height"] >= 48
        box.click()
    page.click("#plan-go")
    until(page, lambda: page.locator(".sheet-next").count() == 1, 20.0)
    # the invented studio's first load at 21.5 C: 303 g as 159.5 and 143.5
    assert page.inner_text(".grams") == "A 159.5 g, B 143.5 g"
    assert "At pressure 2:2" in page.inner_text(".sheet-next")
    assert EVIL in page.inner_text(".sheet-next")
    assert page.evaluate("window.pwned") is None
    assert daemon.get("/api/v0/plan")["sheet"]["loads"][0]["a_g"] == 159.5


def test_a_bare_mix_takes_the_next_load_and_the_sheet_leaves_the_page_while_pouring(
    page: Any, daemon: PageDaemon
) -> None:
    assert daemon.mark("mix")["ok"]
    until(page, lambda: not page.is_visible("#plan"))
    cards = {card["id"]: card for card in daemon.get("/api/v0/state")["cards"]}
    assert sorted(cards["cup-1"]["molds"]) == ["m01", "m02", "m03", "m06"]
    daemon.mark("end")
    until(page, lambda: page.is_visible("#plan"))
    until(page, lambda: "mixed already" in page.inner_text("#sheet") or "done" in page.inner_text("#sheet"), 10.0)
    page.click("#plan-away")
    until(page, lambda: "No plan is kept" in page.inner_text("#sheet"))


SEVEN = ("M01", "M02", "M03", "M04", "M05", "M06", "M07")


def test_the_steps_before_the_next_load_end_by_one_press_each_or_one_for_all(page: Any, daemon: PageDaemon) -> None:
    sent = "{method: 'PUT', headers: {'Content-Type': 'application/json'}, body: JSON.stringify({molds})}"
    ask = f"molds => fetch('/api/v0/plan', {sent}).then((a) => a.json())"
    assert page.evaluate(ask, SEVEN)["ok"]
    assert daemon.mark("mix")["ok"]
    assert daemon.mark("end")["ok"]
    until(page, lambda: page.is_visible("#plan") and page.locator(".prep").count() == 1, 20.0)
    assert page.inner_text(".prep h3") == "Before load 2"
    weigh = page.locator("[data-step=weigh]")
    weigh.click()
    until(page, lambda: page.locator("[data-step=weigh]").count() == 0, 20.0)
    assert "Weigh A and B: done" in page.inner_text(".prep")
    boxes = [box.bounding_box() for box in page.locator(".prep button").all()]
    assert all(box["height"] >= 48 and box["x"] + box["width"] <= 390 for box in boxes)
    page.click("[data-step=all]")
    until(page, lambda: page.locator("[data-step]").count() == 0, 20.0)
    assert all(step["done"] for step in daemon.get("/api/v0/plan")["sheet"]["loads"][1]["steps"])
    page.click("#plan-away")
    until(page, lambda: "No plan is kept" in page.inner_text("#sheet"))


def test_the_watch_is_taken_by_name_shown_and_ended(page: Any, daemon: PageDaemon) -> None:
    """A page without a name of its own has to write one; it is nobody's phone, and sounds every alarm."""
    page.click("#watch-take")
    assert page.inner_text("#watch-wrong") == "Write a name first."
    page.fill("#watch-who", "Ada")
    page.click("#watch-form [type=submit]")
    until(page, lambda: page.inner_text("#holder").startswith("Ada has had it for"))
    assert page.inner_text("#phase") == "Between pours, watch: Ada"
    assert [card["phase"] for card in daemon.get("/api/v0/state")["cards"] if card["of"] == "watch"] == ["handed"]
    until(page, lambda: "North bench: yours, Ada." in page.text_content("#said"))
    page.click("#watch-end")
    until(page, lambda: page.inner_text("#holder").startswith("Nobody has it"))


def test_the_book_leads_to_reports_that_are_pages_in_their_own_style(page: Any, daemon: PageDaemon) -> None:
    page.goto(f"{daemon.url}/#book")
    until(page, lambda: page.locator("a[href='/report/day/today']").count() == 1)
    page.goto(f"{daemon.url}/report/day/today")
    assert "cast" in page.inner_text("p.strong")
    assert (
        page.evaluate("getComputedStyle(document.querySelector('h1')).fontSize") == "24px"
    )  # its style sheet is let in


def test_an_order_typed_on_the_phone_is_kept_refused_beside_its_field_and_planned(
    page: Any, daemon: PageDaemon
) -> None:
    page.goto(f"{daemon.url}/#book")
    until(page, lambda: page.locator("#order-form").count() == 1)
    page.fill("#order-code", "Q7")
    page.fill("#order-molds", "M01 M06x2")
    page.fill("#order-price", "-4")
    page.click("#order-go")
    until(page, lambda: "-4 is no price" in page.inner_text("#order-price-wrong"))
    page.fill("#order-price", "1e999")
    page.click("#order-go")
    until(page, lambda: "write a number" in page.inner_text("#order-price-wrong"))
    page.fill("#order-price", "40")
    page.fill("#order-by", "2020-01-01")
    page.click("#order-go")
    until(page, lambda: "2020-01-01 is past" in page.inner_text("#order-by-wrong"))
    page.fill("#order-by", "")
    page.fill("#order-molds", "M99")
    page.click("#order-go")
    until(page, lambda: "no mold makes it" in page.inner_text("#order-molds-wrong"))
    page.fill("#order-molds", "M01 M06x2")
    page.click("#order-go")
    until(page, lambda: page.inner_text("#orders-said") == "Q7 is taken.")
    assert "0 of 3" in page.inner_text("[data-order=Q7] summary")
    (order,) = daemon.get("/api/v0/orders")["orders"]
    assert (order["price"], [part["to_cast"] for part in order["parts"]]) == (40.0, [1, 2])
    page.goto(f"{daemon.url}/#bench")
    page.reload()
    until(page, lambda: page.is_visible("#plan-orders"))
    page.click("#plan-orders")
    until(page, lambda: page.locator(".sheet-next").count() == 1, 20.0)
    sheet = daemon.get("/api/v0/plan")["sheet"]
    assert sorted(m["mold"] for load in sheet["loads"] for m in load["molds"]) == ["m01", "m06", "m06"]


def test_the_checklist_is_asked_and_answered_where_the_mark_is(page: Any, daemon: PageDaemon) -> None:
    page.goto(f"{daemon.url}/#bench")
    page.reload()
    until(page, lambda: page.is_visible("[data-verb=check]"))
    page.click("[data-verb=check]")
    until(page, lambda: "Checks: Release on?" in page.inner_text("#answer"))
    box = page.locator("#answer .undo").first.bounding_box()
    assert box is not None
    assert box["height"] >= 72
    page.click("#answer .undo >> text=Skip")
    until(page, lambda: "Checks: Vents clear?" in page.inner_text("#answer"))
    page.click("#answer .undo >> text=All done")
    until(page, lambda: "Checks: Noted. 1 skipped." in page.inner_text("#answer"))


def test_a_part_is_trimmed_by_a_press_and_what_was_tried_is_noted(page: Any, daemon: PageDaemon) -> None:
    page.click("#trimmed-form [type=submit]")
    assert page.inner_text("#trimmed-mold-wrong") == "say which mold"
    page.locator("#trimmed-mold button").first.click()
    page.click("#trimmed-form [type=submit]")
    until(page, lambda: page.inner_text("#answer").startswith("Trimmed "))
    page.locator("#tried-mold button").first.click()
    page.fill("#tried-text", "vent at the strap loops")
    page.click("#tried-form [type=submit]")
    until(page, lambda: page.inner_text("#answer").startswith("Tried, noted:"))
    stored = daemon.rows("SELECT body FROM inputs WHERE kind = 'mark' ORDER BY seq")
    marks = [json.loads(body)["mark"] for (body,) in stored]
    assert [(mark["verb"], mark["mold"]) for mark in marks[-2:]] == [("trimmed", "m01"), ("tried", "m01")]
