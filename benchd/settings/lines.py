"""Finds the line of each key in a TOML file: a scan beside tomllib, which keeps values but not places.

Only for text that tomllib has accepted: the scan checks nothing, it only walks statements (headers and `key =`),
skips values (strings, arrays, inline tables) and notes the line of each key path, arrays of tables by their index.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]

_KEY_PART = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*(\.?)""")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*', re.DOTALL
)  # strings of all four kinds, and comments


def key_lines(text: str) -> Mapping[KeyPath, int]:
    """Key path -> line (from 1).  A table's own path has the line of its header."""
    scan = _Scan(text)
    while scan.statement():
        pass
    return scan.lines


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """The line of a path, or of the nearest path around it."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


class _Scan:
    """One walk over a file's statements."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._text = text
        self._at = 0
        self._table: KeyPath = ()
        self._lengths: dict[KeyPath, int] = {}

    def statement(self) -> bool:
        """Read one header or one `key = value`; False at the end of the text."""
        self._skip_blank()
        if self._at >= len(self._text):
            return False
        here = self._text.count("\n", 0, self._at) + 1
        if self._text.startswith("[[", self._at):
            self._header(2, here)
        elif self._text[self._at] == "[":
            self._header(1, here)
        else:
            self._note(self._table, self._keys(), here)
            self._skip_value()
        return True

    def _skip_blank(self) -> None:
        match = re.compile(r"(?:\s|#[^\n]*)*").match(self._text, self._at)
        self._at = match.end() if match else self._at

    def _header(self, brackets: int, here: int) -> None:
        self._at += brackets
        keys = self._keys()
        self._at += brackets
        *outer, last = keys
        path = self._resolved(tuple(outer))
        if brackets == 2:
            index = self._lengths.get((*path, last), 0)
            self._lengths[(*path, last)] = index + 1
            self.lines.setdefault((*path, last), here)
            self._table = (*path, last, index)
        else:
            self._table = self._resolved(tuple(keys))
        self._note(self._table, [], here)

    def _resolved(self, keys: tuple[str, ...]) -> KeyPath:
        """Plain header keys as a path, inside the last element of each array of tables on the way."""
        path: KeyPath = ()
        for key in keys:
            path = (*path, key)
            if path in self._lengths:
                path = (*path, self._lengths[path] - 1)
        return path

    def _note(self, table: KeyPath, keys: list[str], here: int) -> None:
        for length in range(len(keys) + 1):
            self.lines.setdefault((*table, *keys[:length]), here)

    def _keys(self) -> list[str]:
        keys: list[str] = []
        while match := _KEY_PART.match(self._text, self._at):
            self._at = match.end()
            keys.append(next(group for group in match.groups()[:3] if group is not None))
            if not match.group(4):
                break
        return keys

    def _skip_value(self) -> None:
        """From `=` to the end of the value: the first line end outside strings and brackets."""
        depth = 0
        while self._at < len(self._text):
            char = self._text[self._at]
            if char in "\"'#":
                match = _STRING.match(self._text, self._at)
                self._at = match.end() if match else self._at + 1
                continue
            depth += (char in "[{") - (char in "]}")
            self._at += 1
            if char == "\n" and depth <= 0:
                return
