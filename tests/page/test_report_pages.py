"""A report's page in Chromium: nothing cut at 390 px, no words of a drawing on others, one sheet in print.

What drawing/paper.py reckons of words' width is measured here in the face the browser really sets.
"""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from phone_page import chromium
from some_of import some_of

from benchd.plugins import load_settings
from benchd.reports.index import make_report
from benchd.reports.writer import to_html
from benchd.runtime.journal.journal import Journal

EVENING_T = 1_767_571_200.0 + 20 * 3600.0  # of 2026-01-05, the recorded day, UTC
REPORTS = {
    "load": "barrel-1767612105",
    "scrap": "all",
    "day": "2026-01-05",
    "mold": "m01",
    "lot": "r-07",
    "leaks": "barrel",
}
CONFIG = Path(__file__).parents[2] / "config" / "bench.toml"
WORDS = """() => [...document.querySelectorAll("svg")].filter((s) => s.getBoundingClientRect().width).map((s) => {
  const b = s.getBoundingClientRect(); return [...s.querySelectorAll("text")].map((t) => {
    const r = t.getBoundingClientRect();
    return [t.textContent, r.left - b.left, r.top, r.right - b.right, r.bottom]; }); })"""
CUT = """() => [...document.querySelectorAll("main *")].filter((e) => e.scrollWidth > e.clientWidth + 1
  && e.clientWidth && !e.closest("svg")).map((e) => e.outerHTML.slice(0, 80))"""


@pytest.fixture(scope="module")
def folder(day_journal: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The reports as files, written before a browser's loop runs in this thread."""
    made = tmp_path_factory.mktemp("reports")

    async def write() -> None:
        bench = load_settings(CONFIG).bench
        async with Journal(day_journal, read_only=True) as journal:
            for kind, id in REPORTS.items():
                document = await make_report(journal, bench, kind, id, EVENING_T)
                (made / f"{kind}.html").write_text(to_html(document), "utf-8")

    asyncio.run(write())
    return made


@pytest.fixture(scope="module")
def page(folder: Path) -> Iterator[Any]:
    with chromium() as context:
        yield context.new_page()


@pytest.mark.parametrize("kind", some_of(REPORTS, 2))
@pytest.mark.parametrize("width", [390, 900])
def test_nothing_is_cut_and_no_words_touch(page: Any, folder: Path, kind: str, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 844})
    page.goto((folder / f"{kind}.html").as_uri(), wait_until="commit")
    page.wait_for_selector("footer")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(CUT) == []
    drawings = page.evaluate(WORDS)
    assert len(drawings) == 1
    for words, left, _, right, _ in drawings[0]:
        assert left >= -0.5, words
        assert right <= 0.5, words
    for a, b in itertools.combinations(drawings[0], 2):
        across, down = min(a[3], b[3]) - max(a[1], b[1]), min(a[4], b[4]) - max(a[2], b[2])
        assert across <= 0 or down <= 4, (a[0], b[0])  # 4 px: the room a line leaves around its letters


def test_a_load_prints_on_one_sheet(page: Any, folder: Path) -> None:
    """PDF (ISO 32000): a page is an object of /Type /Page."""
    page.goto((folder / "load.html").as_uri(), wait_until="commit")
    page.wait_for_selector("footer")
    pdf = page.pdf(format="A4")
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") + pdf.count(b"/Type /Page/") == 1
