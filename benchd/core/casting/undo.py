"""The rule of undo: it reverses the last mark that can be undone, if made within ten seconds before, and only once.

The desk calls `is_in_time` when a mark comes; code that reads past marks calls `that_stood`.  The rule is defined
nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

WITHIN_S = 10.0  # common practice, no source: a slip is noticed at once; a later change of mind is not a slip
VERBS = ("mix", "poured", "demolded", "note")
"""The marks that can be undone."""


def is_in_time(marked_t: float, undo_t: float) -> bool:
    """Whether an undo at undo_t still reaches a mark made at marked_t [unix s]."""
    return undo_t - marked_t <= WITHIN_S


def that_stood(taken: Iterable[tuple[float, Mapping[str, Any]]]) -> list[tuple[float, Mapping[str, Any]]]:
    """The accepted marks that were not undone, (when, mark) in order, without the undos themselves.

    >>> taken = [(1.0, {"verb": "mix"}), (3.0, {"verb": "note"}), (5.0, {"verb": "undo"}), (6.0, {"verb": "undo"})]
    >>> [mark["verb"] for _, mark in that_stood(taken)]
    ['mix']
    """
    stood: list[tuple[float, Mapping[str, Any]]] = []
    last: int | None = None  # index in `stood` of the mark that an undo would reverse
    for t, mark in taken:
        if mark.get("verb") != "undo":
            stood.append((t, mark))
            last = len(stood) - 1 if mark.get("verb") in VERBS else last
            continue
        if last is not None and is_in_time(stood[last][0], t):
            del stood[last]
        last = None
    return stood
