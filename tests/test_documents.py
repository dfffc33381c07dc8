"""Do the papers say what the code does?"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchd.commands.schema.papers import TABLES

ROOT = Path(__file__).parents[1]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
README = (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize("name", TABLES)
def test_generated_tables_are_those_of_the_code(name: str) -> None:
    """`benchd schema papers < DEVELOPERS.md` writes them anew."""
    found = re.search(rf"<!-- {name} -->\n(.*?)\n<!-- end -->", DEVELOPERS, re.DOTALL)
    assert found is not None
    assert found.group(1).strip() == TABLES[name]().strip()


def test_every_file_the_developers_guide_names_exists() -> None:
    named = re.findall(r"`((?:benchd|tests)/[\w/.]+\.(?:py|txt))`", DEVELOPERS)
    assert len(named) > 15
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_each_door_names_tests_there_are() -> None:
    """A row: | door | `file` words, words; `file` words |, the words out of the names of that file's tests."""
    table = DEVELOPERS.partition("## Doors")[2].partition("\n## ")[0]
    rows = [line.split("|")[2] for line in table.splitlines() if line.startswith("| ") and "`" in line]
    missing = []
    for file, words in re.findall(r"`([\w/]+\.py)` ([\w, ]+)", " ; ".join(rows)):
        names = re.findall(r"def (test_\w+)", (ROOT / "tests" / file).read_text("utf-8"))
        missing += [f"{file}: {w}" for w in words.split(", ") if not any(w.strip() in name for name in names)]
    assert len(rows) > 20
    assert missing == []


def test_readme_holds_its_two_commands_and_ci_calls_the_second() -> None:
    commands = re.findall(r"^    (python3 -m venv .*)$", README, re.MULTILINE)
    assert [c.rsplit("/", 1)[1] for c in commands] == ["benchd demo", "pytest"]
    assert "README.md" in (ROOT / ".ci" / "run").read_text("utf-8")


def test_nothing_gives_leave() -> None:
    """benchd is no safety device: the papers never say that anything is safe, only that it never says so."""
    for line in README.splitlines():
        if "safe" in line.lower():
            assert re.search(r"no safety device|never|safety data sheet", line), line
