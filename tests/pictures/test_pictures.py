"""The reviewed pictures are still those the page, the reports and the demo make.

Each is made again, both are shrunk to a quarter, where letters' edges no longer tell machines apart, and compared: at
most LARGEST_SHARE of the pixels may differ by more than DIFFERS of 255.  A change that is meant: `make.py`, then look.
The default run compares one of each kind, `-m wide` all.
"""

from __future__ import annotations

import importlib.util
import io
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from phone_page import chromium
from some_of import some_of

from benchd.plugins import load_settings

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
FACE = Path("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf")
DIFFERS, LARGEST_SHARE = 40, 0.01
MOST_BYTES = 60_000

image = pytest.importorskip("PIL.Image", reason="pillow is not installed: pip install -e '.[test]'")
pytest.importorskip("resvg_py", reason="resvg-py is not installed: pip install -e '.[test]'")
pytestmark = pytest.mark.skipif(not FACE.exists(), reason="DejaVu is not installed: apt-get install fonts-dejavu-core")


def _make() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_pictures", HERE / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


make = _make()


def unlike(one: bytes, other: bytes) -> float:
    """The share of pixels that differ, both shrunk to a quarter in grey; 1 when the sizes differ."""
    a, b = (image.open(io.BytesIO(png)).convert("L") for png in (one, other))
    if a.size != b.size:
        return 1.0
    small = (max(1, a.width // 4), max(1, a.height // 4))
    pairs = zip(*(picture.resize(small, image.Resampling.BOX).tobytes() for picture in (a, b)), strict=True)
    return sum(abs(x - y) > DIFFERS for x, y in pairs) / (small[0] * small[1])


def check(name: str, png: bytes) -> None:
    kept = (HERE / f"{name}.png").read_bytes()
    share = unlike(kept, png)
    assert share <= LARGEST_SHARE, (
        f"{name}: {100 * share:.1f} % differ; look, then python tests/pictures/make.py {name}"
    )


@pytest.fixture(scope="module")
def page() -> Iterator[Any]:
    with chromium() as context:
        yield context.new_page()


@pytest.mark.parametrize("name", some_of(["page-pouring", *(n for n in make.PAGES if n != "page-pouring")], 1))
def test_the_page_looks_as_it_was_reviewed(page: Any, name: str) -> None:
    check(name, make.page_picture(page, name))


@pytest.mark.parametrize("name", some_of(list(make.DRAWINGS), 1))
async def test_a_drawing_looks_as_it_was_reviewed(day_journal: Path, name: str) -> None:
    check(name, await make.drawing_picture(day_journal, load_settings(ROOT / "config" / "bench.toml").bench, name))


@pytest.mark.wide
def test_the_demos_terminal_looks_as_it_was_reviewed() -> None:
    check("demo", make.terminal_picture())


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
