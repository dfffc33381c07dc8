"""The reviewed pictures of the page are still those that are made; compare.py says how alike.

A change that is meant: `python tests/pictures/make.py`, then look at each.  The default run compares one, `wide` all.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from phone_page import chromium
from some_of import some_of

image = pytest.importorskip("PIL.Image", reason="pillow is not installed: pip install -e '.[test]'")
pytest.importorskip("resvg_py", reason="resvg-py is not installed: pip install -e '.[test]'")
from pictures.compare import FACE, HERE, LARGEST_SHARE, check, made_by, unlike  # noqa: E402

pytestmark = pytest.mark.skipif(not FACE.exists(), reason="DejaVu is not installed: apt-get install fonts-dejavu-core")
make = made_by()
ROOT = HERE.parents[1]
MOST_BYTES = 60_000


@pytest.fixture(scope="module")
def page() -> Iterator[Any]:
    with chromium() as context:
        yield context.new_page()


@pytest.mark.parametrize("name", some_of(["page-pouring", *(n for n in make.PAGES if n != "page-pouring")], 1))
def test_the_page_looks_as_it_was_reviewed(page: Any, name: str) -> None:
    check(name, make.page_picture(page, name))


def test_a_change_is_seen_and_another_edge_is_not() -> None:
    """A line of words gone is a change; every second pixel one shade darker is not."""
    kept = (HERE / "page-pouring.png").read_bytes()
    picture = image.open(io.BytesIO(kept)).convert("RGB")
    changed, shaded = picture.copy(), picture.point(lambda value: max(0, value - 3))
    changed.paste((241, 237, 227), (0, 60, picture.width, 130))
    shares = []
    for each in (changed, shaded):
        out = io.BytesIO()
        each.save(out, "PNG")
        shares.append(unlike(kept, out.getvalue()))
    assert shares[0] > LARGEST_SHARE >= shares[1]


def test_the_pictures_are_those_that_are_made_and_small() -> None:
    names = {*make.PAGES, *make.DRAWINGS, "demo"}
    assert {path.stem for path in HERE.glob("*.png")} == names
    assert {path.name for path in HERE.glob("*.png") if path.stat().st_size > MOST_BYTES} == set()


def test_the_readme_shows_pictures_there_are_with_words_for_who_cannot_see_them() -> None:
    shown = re.findall(r'<img src="([^"]+)"[^>]* alt="([^"]*)"', (ROOT / "README.md").read_text("utf-8"))
    assert {Path(path).stem for path, _ in shown} == {"page-pouring", "load-2", "demo"}
    assert all((ROOT / path).exists() and len(words) > 60 for path, words in shown)
