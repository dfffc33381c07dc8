"""The reviewed pictures of the drawings and the demo are still those that are made; compare.py says how alike.

A change that is meant: `python tests/pictures/make.py`, then look at each.  The default run compares one, `wide` all.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from some_of import some_of

from benchd.plugins import load_settings

pytest.importorskip("PIL", reason="pillow is not installed: pip install -e '.[test]'")
pytest.importorskip("resvg_py", reason="resvg-py is not installed: pip install -e '.[test]'")
from pictures.compare import FACE, check, made_by

pytestmark = pytest.mark.skipif(not FACE.exists(), reason="DejaVu is not installed: apt-get install fonts-dejavu-core")
make = made_by()


@pytest.mark.parametrize("name", some_of(list(make.DRAWINGS), 1))
async def test_a_drawing_looks_as_it_was_reviewed(day_journal: Path, name: str) -> None:
    check(name, await make.drawing_picture(day_journal, load_settings(make.CONFIG).bench, name))


@pytest.mark.wide
def test_the_demos_terminal_looks_as_it_was_reviewed() -> None:
    check("demo", make.terminal_picture())
