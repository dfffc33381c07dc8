"""The rule of undo: it reverses the last mark that can be undone, once, for as long as nothing followed from it.

Within ten seconds it always does: a slip is noticed at once.  Later it does unless the bench has gone on: the pot has
filled or the cup has kicked since a mix or a pour.  The desk asks `followed` when a mark comes; an undo that it
accepted holds, so code that reads past marks calls `that_stood`.  The rule is defined nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from benchd.core.casting import afterwards
from benchd.core.casting.pour import Pour
from benchd.core.model import Mark

WITHIN_S = 10.0  # common practice, no source: a slip is noticed at once
WITHOUT_POUR = ("note", "watch", "prepared", *afterwards.VERBS)
VERBS = ("mix", "poured", "demolded", *WITHOUT_POUR)
"""The marks that can be undone; those that belong to no pour."""


def followed(mark: Mark, came_t: float, pour: Pour | None, now_t: float) -> str:
    """What has followed from a mark that came at came_t, so that it can't be undone at now_t [unix s]; "" if nothing.

    pour: the open pour it belongs to, None for one that belongs to none.
    """
    if pour is None or mark.verb == "demolded" or now_t - came_t <= WITHIN_S:
        return ""
    if pour.load is not None:
        return f"the pot has filled since that {mark.verb}"
    return f"the cup has kicked since that {mark.verb}" if pour.kicked_t is not None else ""


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
        if last is not None:
            del stood[last]
        last = None
    return stood
