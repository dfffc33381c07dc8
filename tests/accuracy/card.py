"""Puts a scorecard between its two marks of README.md beside this file, if BENCHD_WRITE_SCORECARD is set."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

DOCUMENT = Path(__file__).with_name("README.md")


def put(name: str, rows: Sequence[str]) -> None:
    """Print the rows and, if asked to, put them between `<!-- NAME -->` and `<!-- end NAME -->`."""
    text = "\n".join([*rows, ""])
    print("\n" + text)
    if not os.environ.get("BENCHD_WRITE_SCORECARD"):
        return
    begin, end = f"<!-- {name} -->\n", f"<!-- end {name} -->"
    document = DOCUMENT.read_text(encoding="utf-8")
    head, rest = document.split(begin)
    DOCUMENT.write_text(head + begin + text + end + rest.split(end, 1)[1], encoding="utf-8")
