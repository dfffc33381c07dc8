"""What an undo takes back: the last mark that can be taken back, if it came within ten seconds before, and only once.

The desk asks `is_in_time` as a mark comes; whoever reads past marks back asks `that_stood`.  The rule stands
nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

WITHIN_S = 10.0  # common practice, no source: a slip of the hand is noticed at once, a later change of mind is not one
VERBS = ("mix", "poured", "demolded", "note")
"""The marks that can be taken back."""


def is_in_time(marked_t: float, undo_t: float) -> bool:
    """Does an undo at undo_t still reach a mark of marked_t [unix s]?"""
    return undo_t - marked_t <= WITHIN_S


def that_stood(taken: Iterable[tuple[float, Mapping[str, Any]]]) -> list[tuple[float, Mapping[str, Any]]]:
    """Of the marks the desk took, (when, mark) in order, those no undo took back, without the undos.

    >>> taken = [(1.0, {"verb": "mix"}), (3.0, {"verb": "note"}), (5.0, {"verb": "undo"}), (6.0, {"verb": "undo"})]
    >>> [mark["verb"] for _, mark in that_stood(taken)]
    ['mix']
    """
    stood: list[tuple[float, Mapping[str, Any]]] = []
    last: int | None = None  # where in `stood` the mark is that an undo would take back
    for t, mark in taken:
        if mark.get("verb") != "undo":
            stood.append((t, mark))
            last = len(stood) - 1 if mark.get("verb") in VERBS else last
            continue
        if last is not None and is_in_time(stood[last][0], t):
            del stood[last]
        last = None
    return stood
