"""Makes text from outside fit to print: nothing in it can control a terminal or change its reading order.

Rules.  1. These characters never reach a terminal, a log or a page, whatever their origin: the controls C0, DEL and C1
(ECMA-48: ESC, CSI, BEL, CR, LF ...), the line and paragraph separators, the bidirectional embeddings, overrides and
isolates (UAX 9, section 2), and lone surrogates, which UTF-8 cannot encode.  2. Each becomes one space, so that words
stay apart and the rest can be read.  3. All other characters stay: accents, scripts written from right to left, emoji
with their joiners.  4. In JSON nothing is lost: the same characters are written as escapes, which read back unchanged.
"""

from __future__ import annotations

import json
import re
from typing import Any

_SIGNS = "\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff"
_UNPRINTABLE = re.compile(f"[\x00-\x1f{_SIGNS}]")
_UNPRINTABLE_IN_JSON = re.compile(f"[{_SIGNS}]")  # json itself escapes C0; the LF between its lines must stay


def printable(text: str) -> str:
    """The text on one line, each character of rule 1 replaced by a space.

    >>> printable("a\\x1b[2Jb")
    'a [2Jb'
    """
    return _UNPRINTABLE.sub(" ", text)


def unprintable_in(text: str) -> str | None:
    """The first character of rule 1 as U+XXXX; None when there is none."""
    found = _UNPRINTABLE.search(text)
    return None if found is None else f"U+{ord(found[0]):04X}"


def json_text(value: Any, *, indent: int | None = None) -> str:
    """The value as JSON fit for any terminal: compact, or on several lines with `indent`.  Raises ValueError on NaN."""
    separators = (",", ":") if indent is None else None
    text = json.dumps(value, ensure_ascii=False, separators=separators, allow_nan=False, indent=indent)
    return _UNPRINTABLE_IN_JSON.sub(lambda found: f"\\u{ord(found[0]):04x}", text)
