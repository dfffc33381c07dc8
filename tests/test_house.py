"""The house: which package stands on which floor; no circle, no room too full, no file too long.

`python tests/test_house.py` prints it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import grimp
import pytest

HOUSE = Path(__file__).parents[1] / "benchd"
ROOMS = ("benchd", "benchd.core", "benchd.runtime", "benchd.watchers")
MOST_ENTRIES = 16
FULL_ROOMS = {
    "": "the floors themselves, each with its line in DEVELOPERS.md",
    "commands": "a command a file or a package, as `benchd --help` lists them",
    "page": "a route's question a file",
    "page/static": "served as they lie here: no build step, no folders in their addresses",
    "physics": "a formula's family a file, each with its source",
    "rehearsal": "a part of the invented bench a file",
    "reports": "a page a file",
    "settings": "a table's question a file",
}
"""Folder -> why it may hold more entries."""
MOST_LINES, MOST_TEST_LINES = 300, 500
LONG_FILES = {"core/findings.py": "the table of kinds is made from the classes"}

Imports = Mapping[str, frozenset[str]]


def imports_within(graph: grimp.ImportGraph, parent: str) -> Imports:
    """Each child of a package -> which other children it, or anything in it, imports."""
    depth = parent.count(".") + 1

    def child_of(module: str) -> str:
        return module.removeprefix(parent + ".").split(".")[0]

    def imported(child: str) -> frozenset[str]:
        inside = {child} | graph.find_descendants(child)
        found = {to for module in inside for to in graph.find_modules_directly_imported_by(module)}
        within = {child_of(to) for to in found if to.startswith(parent + ".") and to.count(".") >= depth}
        return frozenset(within - {child_of(child)})

    return {child_of(child): imported(child) for child in sorted(graph.find_children(parent))}


def floors(imports: Imports) -> list[list[str]]:
    """The children by floor, lowest first: each stands just above the highest one it imports.

    Raises AssertionError, with those that cannot be placed, when they import one another in a circle.
    """
    placed: list[list[str]] = []
    left = dict(imports)
    while left:
        floor = sorted(name for name, needs in left.items() if not needs & left.keys())
        assert floor, f"a circle among {', '.join(f'{n} -> {sorted(left[n] & left.keys())}' for n in sorted(left))}"
        placed.append(floor)
        for name in floor:
            del left[name]
    return placed


def printed(parent: str, imports: Imports) -> str:
    """One package as text, the highest floor first."""
    lines = [parent]
    for number, floor in reversed(list(enumerate(floors(imports)))):
        lines += [f"  {number}  {name:<14} {' '.join(sorted(imports[name]))}".rstrip() for name in floor]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    return grimp.build_graph("benchd", cache_dir=None)


@pytest.mark.parametrize("parent", ROOMS)
def test_the_packages_stand_on_floors(graph: grimp.ImportGraph, parent: str) -> None:
    """No circle; `pytest -s` shows the floors."""
    imports = imports_within(graph, parent)
    print("\n" + printed(parent, imports))
    assert sum(map(len, floors(imports))) == len(imports) > 3


def test_the_floors_are_those_a_reader_would_draw(graph: grimp.ImportGraph) -> None:
    """A few imports that are there beyond doubt, so that an empty graph passes for no house."""
    imports = imports_within(graph, "benchd")
    assert {"core", "physics"} <= imports["watchers"]
    assert imports["errors"] == frozenset()
    heights = {name: number for number, floor in enumerate(floors(imports)) for name in floor}
    assert heights["physics"] < heights["core"] < heights["runtime"] < heights["app"] < heights["cli"]


def test_a_circle_is_found() -> None:
    """Planted through a third one, with an innocent one above."""
    imports = {"a": {"b"}, "b": {"c"}, "c": {"a"}, "low": set[str](), "high": {"a", "low"}}
    with pytest.raises(AssertionError, match=r"a circle among a -> \['b'\], b -> \['c'\], c -> \['a'\]"):
        floors({name: frozenset(needs) for name, needs in imports.items()})


def entries(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name != "__pycache__")


def rooms() -> dict[str, int]:
    """Folder of benchd -> how many entries `ls` shows there."""
    folders = [HOUSE, *(path for path in HOUSE.rglob("*") if path.is_dir() and "__pycache__" not in path.parts)]
    return {str(path.relative_to(HOUSE)).removeprefix("."): len(entries(path)) for path in folders}


def test_no_room_is_too_full() -> None:
    full = {room: count for room, count in rooms().items() if count > MOST_ENTRIES}
    assert set(full) <= set(FULL_ROOMS), full


def test_every_room_that_may_be_full_is() -> None:
    """A reason no longer needed is taken off the list."""
    found = rooms()
    assert [room for room in FULL_ROOMS if found[room] <= MOST_ENTRIES] == []


def lengths(folder: Path) -> dict[str, int]:
    """Each file of code below a folder -> its lines."""
    files = [path for path in folder.rglob("*") if path.suffix in (".py", ".js", ".css", ".html")]
    return {str(path.relative_to(folder)): len(path.read_text(encoding="utf-8").splitlines()) for path in files}


def test_no_file_is_too_long() -> None:
    too_long = {file: lines for file, lines in lengths(HOUSE).items() if lines > MOST_LINES}
    assert set(too_long) == set(LONG_FILES), too_long


def test_no_file_of_tests_is_too_long() -> None:
    assert {file: lines for file, lines in lengths(HOUSE.parent / "tests").items() if lines > MOST_TEST_LINES} == {}


if __name__ == "__main__":
    whole = grimp.build_graph("benchd", cache_dir=None)
    print("\n".join(printed(parent, imports_within(whole, parent)) for parent in ROOMS))
