"""The shelf's form at phone size: add, edit, retire; what is wrong stands beside its field; nobody's edit is lost."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from phone_page import EVIL, PHONE, Board, PageDaemon, chromium, until, with_evil_mold

from benchd.plugins import load_settings

SHOTS = os.environ.get("BENCHD_SHOTS")


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageDaemon]:
    """A running daemon, one of its molds with a hostile name."""
    made = with_evil_mold(tmp_path_factory.mktemp("shelf"))
    with made.started():
        yield made


@pytest.fixture(scope="module")
def page(daemon: PageDaemon) -> Iterator[Any]:
    with chromium() as context, Board(daemon):
        opened = context.new_page()
        opened.failures = []
        opened.on("pageerror", lambda error: opened.failures.append(str(error)))
        opened.goto(f"{daemon.url}/#book")
        until(opened, lambda: opened.locator("[data-edit=M01]").count() == 1)
        yield opened
        assert opened.failures == []


def shot(page: Any, name: str) -> None:
    """Keep a picture, where a folder for them is named."""
    if SHOTS:
        page.screenshot(path=str(Path(SHOTS) / f"{name}.png"))


def shelf_of(daemon: PageDaemon) -> Path:
    return daemon.folder / "shelf.toml"


def fits(page: Any) -> bool:
    """Nothing makes the page wider than the phone."""
    return bool(page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"])


def test_the_shelf_lists_what_is_on_it_and_names_are_text(page: Any) -> None:
    assert page.locator("#shelf [data-edit]").count() == 10  # eight molds, two lots
    assert EVIL in page.inner_text("[data-edit=M03]")
    assert page.evaluate("window.pwned") is None
    assert "part B may be wet" in page.inner_text("[data-edit=R-05]")
    page.locator("#shelf").scroll_into_view_if_needed()
    shot(page, "shelf-list")
    assert fits(page)


def test_what_is_missing_is_said_beside_its_field(page: Any) -> None:
    page.click("[data-add=mold]")
    shot(page, "shelf-new")
    page.click("#shelf-save")
    assert "write the code" in page.inner_text("#shelf-code-wrong")
    page.fill("#shelf-code", "M09")
    page.fill("#shelf-name", "Harbour gull")
    page.fill("#shelf-thin_mm", "30")
    page.fill("#shelf-thick_mm", "12")
    page.click("#shelf-save")
    until(page, lambda: "is missing" in page.inner_text("#shelf-cavity_ml-wrong"))
    assert page.get_attribute("#shelf-cavity_ml", "aria-invalid") == "true"
    assert page.evaluate("document.activeElement.id") == "shelf-cavity_ml"
    page.fill("#shelf-cavity_ml", "40")
    page.click("#shelf-save")
    until(page, lambda: "swapped" in page.inner_text("#shelf-thin_mm-wrong"))
    assert page.inner_text("#shelf-thin_mm-wrong") == "thinnest 30 is more than thickest 12: they may be swapped."
    assert page.inner_text("#shelf-cavity_ml-wrong") == ""
    page.locator("#shelf-thin_mm").scroll_into_view_if_needed()
    shot(page, "shelf-wrong")
    assert fits(page)


def chip(page: Any, key: str, value: str) -> Any:
    return page.locator(f"#shelf [data-key={key}] [data-value={value}]")


def test_a_mold_is_added_and_the_bench_goes_by_it_at_once(page: Any, daemon: PageDaemon) -> None:
    page.fill("#shelf-thin_mm", "3")
    page.click("#shelf-form summary")
    page.fill("#shelf-made", "2025-09-01")
    page.fill("#shelf-silicone", "25")  # a name, though it looks like a number
    shot(page, "shelf-more")
    page.click("#shelf-save")
    until(page, lambda: "M09 is on the shelf. The bench goes by it." in page.inner_text("#shelf-said"))
    mold = load_settings(daemon.folder / "bench.toml").bench.mold("m09")
    assert mold is not None
    assert (mold.name, mold.silicone, mold.made is not None) == ("Harbour gull", "25", True)
    until(page, lambda: "M09" in daemon.get("/api/v0/state")["about"]["molds"])


def test_a_mold_is_changed_retired_and_cast_again(page: Any, daemon: PageDaemon) -> None:
    page.click("[data-edit=M09]")
    assert page.get_attribute("#shelf-code", "readonly") is not None
    assert page.input_value("#shelf-name") == "Harbour gull"
    page.fill("#shelf-life", "70")
    chip(page, "pull", "green").click()
    page.click("#shelf-save")
    until(page, lambda: "M09 is written." in page.inner_text("#shelf-said"))
    mold = load_settings(daemon.folder / "bench.toml").bench.mold("m09")
    assert mold is not None
    assert (mold.life, mold.pull) == (70, "green")
    page.click("[data-edit=M09]")
    page.click("#shelf-retire")
    until(page, lambda: "M09 is retired." in page.inner_text("#shelf-said"))
    assert "retired" in page.inner_text("[data-edit=M09]")
    page.click("[data-edit=M09]")
    assert page.inner_text("#shelf-retire") == "Cast it again"
    page.click("#shelf-retire")
    until(page, lambda: "M09 is cast again." in page.inner_text("#shelf-said"))
    assert "retired" not in shelf_of(daemon).read_text("utf-8")


def test_a_lot_is_added_with_its_resin_chosen(page: Any, daemon: PageDaemon) -> None:
    page.click("[data-add=lot]")
    page.fill("#shelf-code", "R-08")
    assert chip(page, "resin", "fast-white").get_attribute("aria-pressed") == "false"
    chip(page, "resin", "fast-white").click()
    assert chip(page, "resin", "fast-white").get_attribute("aria-pressed") == "true"
    page.fill("#shelf-opened", "2026-01-04")
    page.fill("#shelf-bought", "2 kg")
    page.fill("#shelf-left", "1900 g")
    page.click("#shelf-save")
    until(page, lambda: "on which day was that left?" in page.inner_text("#shelf-left-wrong"))
    page.fill("#shelf-left_on", "2026-01-05")
    shot(page, "shelf-lot")
    page.click("#shelf-save")
    until(page, lambda: "R-08 is on the shelf." in page.inner_text("#shelf-said"))
    lot = load_settings(daemon.folder / "bench.toml").bench.lot("r-08")
    assert lot is not None
    assert (lot.bought_g, lot.left_g) == (2000.0, 1900.0)


def test_an_edit_made_elsewhere_is_never_written_over(page: Any, daemon: PageDaemon) -> None:
    page.click("[data-edit=M01]")
    page.fill("#shelf-life", "99")
    path = shelf_of(daemon)
    path.write_text(path.read_text("utf-8").replace("life = 60", "life = 61", 1), "utf-8")
    page.click("#shelf-save")
    until(page, lambda: "was changed since you opened it" in page.inner_text("#shelf-said"))
    until(page, lambda: page.input_value("#shelf-life") == "61")  # as it stands now
    assert "life = 99" not in path.read_text("utf-8")
    assert str(path.parent) not in page.inner_text("body")
    shot(page, "shelf-changed")
    page.click("#shelf-cancel")
    assert page.locator("#shelf-form").count() == 0


def test_every_target_is_a_thumb_high_and_every_field_has_its_label(page: Any) -> None:
    page.click("[data-edit=M02]")
    page.click("#shelf-form summary")
    small = page.evaluate(
        "[...document.querySelectorAll('#shelf button, #shelf input:not([type=hidden]), #shelf summary')]"
        ".filter((node) => { const box = node.getBoundingClientRect(); return box.height < 56 || box.width < 56; })"
        ".map((node) => node.id || node.textContent)"
    )
    assert small == []
    bare = page.evaluate(
        "[...document.querySelectorAll('#shelf input:not([type=hidden])')].filter((n) => !n.labels.length)"
        ".map((n) => n.id)"
    )
    assert bare == []
    assert page.locator("select").count() == 0  # a list that opens under a glove hides what is below it
    named = page.evaluate(
        "[...document.querySelectorAll('#shelf .choices')].map((n) => n.closest('fieldset').firstChild.tagName)"
    )
    assert len(named) > 2
    assert set(named) == {"LEGEND"}
    assert fits(page)
    shot(page, "shelf-edit")
    page.locator("#shelf-cancel").scroll_into_view_if_needed()
    shot(page, "shelf-end")
    page.emulate_media(color_scheme="dark")
    page.locator("#shelf-form h3").scroll_into_view_if_needed()
    shot(page, "shelf-dark")
    page.emulate_media(color_scheme="light")
    page.click("#shelf-cancel")
