"""Where a key stands, against tomlkit, which keeps a file's text piece by piece."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from benchd.settings.lines import key_lines, line_of

CONFIG = Path(__file__).parents[2] / "config"

TRICKY = '''# a comment [not.a.table] = 1
top = 1
[a]
text = """
[not.a.header]
key = "value" # not a key
"""
list = [
  1, # one ]
  [2, "]"],
]
inline = { x = 1, y = [2] }
"quoted key" = 'it''s'
dotted.deep.er = true
lines = \'\'\'
also = 1\'\'\'
[[b]]
one = "\\\\"
[b.sub]
two = "\\""
[[b]]
one = 3
[b.sub]
two = 4
[[b.deep]]
three = 5
[a.later]
end = 2026-01-05
'''.replace("'it''s'", "'its'")

PLACES = {
    ("top",): 2, ("a",): 3, ("a", "text"): 4, ("a", "list"): 8, ("a", "inline"): 12, ("a", "quoted key"): 13,
    ("a", "dotted", "deep", "er"): 14, ("a", "lines"): 15, ("b", 0): 17, ("b", 0, "one"): 18,
    ("b", 0, "sub", "two"): 20, ("b", 1): 21, ("b", 1, "one"): 22, ("b", 1, "sub", "two"): 24,
    ("b", 1, "deep", 0, "three"): 26, ("a", "later", "end"): 28,
}  # fmt: skip


def test_each_key_of_a_tricky_file_has_its_line() -> None:
    tomllib.loads(TRICKY)  # it is TOML
    lines = key_lines(TRICKY)
    assert {path: lines.get(path) for path in PLACES} == PLACES


def test_what_has_no_line_of_its_own_gets_the_nearest_around_it() -> None:
    lines = key_lines(TRICKY)
    assert line_of(lines, ("a", "inline", "y")) == 12
    assert line_of(lines, ("a", "missing")) == 3
    assert line_of(lines, ("nowhere",)) is None


def tomlkit_lines(text: str) -> dict[tuple[str | int, ...], int]:
    """Key path -> line by tomlkit: the pieces of the document in order, their newlines counted."""
    found: dict[tuple[str | int, ...], int] = {}
    line = 1

    def walk(container: Any, path: tuple[str | int, ...]) -> None:
        nonlocal line
        for key, item in container.body:
            if isinstance(item, tomlkit.items.AoT):
                for index, table in enumerate(item.body):
                    enter(table, (*path, key.key, index))
            elif isinstance(item, tomlkit.items.Table):
                enter(item, (*path, key.key))
            else:
                if key is not None:
                    found[(*path, key.key)] = line
                    text_of = f"{key.as_string()}{key.sep}{item.as_string()}{item.trivia.comment}{item.trivia.trail}"
                else:
                    text_of = item.as_string()
                line += text_of.count("\n")

    def enter(table: Any, path: tuple[str | int, ...]) -> None:
        nonlocal line
        if not table.is_super_table():  # [pot.barrel] stands in a `pot` that nobody wrote
            found[path] = line
            line += table.trivia.trail.count("\n")
        walk(table.value, path)

    walk(tomlkit.parse(text), ())
    return found


@pytest.mark.parametrize("file", ["bench.toml", "shelf.toml", "resins/fast-white.toml"])
def test_the_example_files_agree_with_tomlkit(file: str) -> None:
    text = (CONFIG / file).read_text()
    expected = tomlkit_lines(text)
    lines = key_lines(text)
    assert len(expected) > 8
    assert {path: lines.get(path) for path in expected} == expected


KEYS = st.sampled_from(["a", "b", "pot", "x-1", "name"])
VALUES = st.one_of(
    st.integers(-9, 9).map(str), st.text("ab]['=#. ", max_size=5).map(lambda s: f'"{s}"'), st.just("[1, [2]]"),
    st.just('["a]", "b"]'), st.just('"""x\n[y]\n"""'),
)  # fmt: skip


@given(st.lists(st.tuples(KEYS, VALUES), min_size=1, max_size=8, unique_by=lambda p: p[0]), st.booleans())
def test_keys_of_any_table_stand_where_they_were_written(pairs: list[tuple[str, str]], is_list: bool) -> None:
    text, expected = ("[[t]]\n" if is_list else "[t]\n"), {}
    for key, value in pairs:
        expected[("t", 0, key) if is_list else ("t", key)] = text.count("\n") + 1
        text += f"{key} = {value} # end\n"
    tomllib.loads(text)
    lines = key_lines(text)
    assert {path: lines.get(path) for path in expected} == expected
