"""Nothing stands in the house twice, and nothing that nobody in it uses."""

from __future__ import annotations

import ast
from collections import Counter, defaultdict
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[1] / "benchd"
MOST_LINES = 5
"""So many lines may stand twice: below it a loop and its test look alike anywhere."""
BY_NAME = {
    "HELP": "a command's line in `benchd --help`, read by the command's name",
    "add_arguments": "called by the command's name",
    "SCOPE": "a watcher's, read by plugins.py",
    "ORDER": "a watcher's, read by plugins.py",
    "EMITS": "a watcher's, read by plugins.py and `benchd why`",
}
"""Names that a module is asked for by a string or through a variable -> by whom."""
UNUSED = {
    "core/intake/wire.py REASONS": "why decode refuses a line, in words; the tests hold decode to these reasons alone",
}
"""File and name -> why it stays though nothing in benchd refers to it."""


@cache
def modules() -> list[tuple[str, ast.Module]]:
    return [
        (str(path.relative_to(HOUSE)), ast.parse(path.read_text(encoding="utf-8")))
        for path in sorted(HOUSE.rglob("*.py"))
    ]


# ------------------------------------------------------------------------------------------------------------- twice


class Renamed(ast.NodeTransformer):
    """Gives a body's local names numbers, in the order they come: a copy with other names is still a copy."""

    def __init__(self) -> None:
        self._numbers: dict[str, str] = {}

    def visit_Name(self, node: ast.Name) -> ast.Name:
        return ast.Name(self._numbers.setdefault(node.id, f"v{len(self._numbers)}"), node.ctx)

    def visit_arg(self, node: ast.arg) -> ast.arg:
        return ast.arg(self._numbers.setdefault(node.arg, f"v{len(self._numbers)}"))


def statements_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> list[ast.stmt]:
    """A function's statements without its docstring and its own imports."""
    body = function.body[1:] if ast.get_docstring(function) else function.body
    return [statement for statement in body if not isinstance(statement, ast.Import | ast.ImportFrom)]


def lines_of(statements: list[ast.stmt]) -> int:
    return (statements[-1].end_lineno or 0) - statements[0].lineno + 1 if statements else 0


def runs_of(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """(line, what it does) of each function's body, and of each run of its statements, of more than MOST_LINES."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        whole = statements_of(node)
        if lines_of(whole) > MOST_LINES:
            renamed = Renamed()
            yield whole[0].lineno, "".join(ast.dump(renamed.visit(s)) for s in deepcopy(whole))
        for first in range(len(whole)):
            last = next((n for n in range(first + 1, len(whole) + 1) if lines_of(whole[first:n]) > MOST_LINES), None)
            if last is not None:
                yield whole[first].lineno, "".join(ast.dump(s) for s in whole[first:last])


def twice(trees: list[tuple[str, ast.Module]]) -> list[str]:
    """Where the same lines stand more than once."""
    found: defaultdict[str, set[str]] = defaultdict(set)
    for file, tree in trees:
        for line, run in runs_of(tree):
            found[run].add(f"{file}:{line}")
    return sorted({" = ".join(sorted(places)) for places in found.values() if len(places) > 1})


COPIED = '''
def first(samples):
    """Their sum."""
    total = 0.0
    for sample in samples:
        if sample > 0.0:
            total += sample
        else:
            total -= sample
    return total


def second(values):
    out = 0.0
    for value in values:
        if value > 0.0:
            out += value
        else:
            out -= value
    return out
'''


def test_a_copy_is_found_by_what_it_does() -> None:
    """Under other names, and without its docstring; a copy that differs in one sign is none."""
    assert twice([("a.py", ast.parse(COPIED))]) == ["a.py:14 = a.py:4"]
    assert twice([("a.py", ast.parse(COPIED.replace("out -= value", "out -= 2 * value")))]) == []


@pytest.mark.wide
def test_nothing_stands_twice() -> None:
    assert twice(modules()) == []


# ------------------------------------------------------------------------------------------------------------- unused


def names_of(statement: ast.stmt) -> list[str]:
    """What a statement of a module defines for others."""
    match statement:
        case ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name) | ast.ClassDef(name=name):
            names = [name]
        case ast.AnnAssign(target=ast.Name(id=name)):
            names = [name]
        case ast.Assign(targets=targets):
            names = [node.id for target in targets for node in ast.walk(target) if isinstance(node, ast.Name)]
        case _:
            names = []
    return [name for name in names if not name.startswith("_")]


def uses_of(statement: ast.stmt, imported: set[str]) -> Counter[str]:
    """Names a statement reads: plain ones, and those it asks of something that was imported."""
    used: Counter[str] = Counter()
    for node in ast.walk(statement):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            used[node.id] += 1
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in imported:
            used[node.attr] += 1
    return used


def unused(trees: list[tuple[str, ast.Module]]) -> list[str]:
    """File and name of what modules define and nothing outside its own definition reads."""
    defined: list[str] = []
    used: Counter[str] = Counter()
    for file, tree in trees:
        imports = [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
        imported = {(alias.asname or alias.name).split(".")[0] for node in imports for alias in node.names}
        for statement in tree.body:
            names, uses = names_of(statement), uses_of(statement, imported)
            defined += [f"{file} {name}" for name in names]
            used += Counter({name: count for name, count in uses.items() if name not in names})
    return [each for each in defined if not used[each.split()[1]]]


def test_what_nobody_reads_is_found() -> None:
    """A function that only calls itself, and a constant that is only imported; not one used through its module."""
    trees = [
        ("a.py", ast.parse("LIMIT = 3\nGIVEN = 4\ndef run(n):\n    return run(n - 1)\ndef made(): ...")),
        ("b.py", ast.parse("import a\nfrom a import LIMIT\nprint(a.made())\n_GIVEN = a.GIVEN")),
    ]
    assert unused(trees) == ["a.py LIMIT", "a.py run"]


@pytest.fixture(scope="module")
def found() -> list[str]:
    return unused(modules())


def test_nothing_is_kept_that_nobody_uses(found: list[str]) -> None:
    """What only a test calls belongs into tests/."""
    assert [each for each in found if each not in UNUSED and each.split()[1] not in BY_NAME] == []


def test_every_reason_is_needed(found: list[str]) -> None:
    """A name that is used, or gone, is taken off the lists."""
    assert [each for each in UNUSED if each not in found] == []
    names = {each.split()[1] for each in found}
    assert [name for name in BY_NAME if name not in names] == []


def broad_excepts(text: str) -> list[str]:
    """The lines that catch any exception and do not say why."""
    lines = text.splitlines()
    caught = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.ExceptHandler)]
    broad = [node for node in caught if node.type is None or (
        {n.id for n in ast.walk(node.type) if isinstance(n, ast.Name)} & {"Exception", "BaseException"}
    )]  # fmt: skip
    return [lines[node.lineno - 1].strip() for node in broad if "  # " not in lines[node.lineno - 1]]


def test_whoever_catches_anything_says_why() -> None:
    """A fault is caught broadly only at a seam where it must not end the watch, or to be raised on after tidying."""
    assert broad_excepts("try:\n    f()\nexcept Exception:\n    pass\n") == ["except Exception:"]
    assert broad_excepts("try:\n    f()\nexcept Exception:  # else the bench is not watched\n    g()\n") == []
    found = {str(path.relative_to(HOUSE)): broad_excepts(path.read_text("utf-8")) for path in HOUSE.rglob("*.py")}
    assert {file: lines for file, lines in found.items() if lines} == {}


def test_what_is_rehearsed_for_the_tests_knows_no_estimator() -> None:
    """tests/rehearsed draws the truth: like benchd.rehearsal it shares no code with what judges it."""
    modules_used: set[str] = set()
    for path in (Path(__file__).parent / "rehearsed").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                modules_used.add(node.module or "")
            elif isinstance(node, ast.Import):
                modules_used |= {alias.name for alias in node.names}
    benchd = {name for name in modules_used if name.split(".")[0] == "benchd"}
    assert benchd
    assert {name for name in benchd if not name.startswith("benchd.rehearsal")} == set()
