"""Names the nearest known word to one that is not known: for every command, file and mark."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

FEW = 20
"""So many known words are listed; of more only a near one is named."""


def did_you_mean(written: str, known: Iterable[str]) -> str:
    """A remedy naming the nearest known word, or all of them when they are few, or nothing."""
    words = sorted(known)
    by_lower = {word.lower(): word for word in words}
    near = difflib.get_close_matches(written.lower(), list(by_lower), n=1, cutoff=0.6)
    if near:
        return f'did you mean "{by_lower[near[0]]}"?'
    return f"known: {', '.join(words)}" if 0 < len(words) <= FEW else ""


def no_such(kind: str, written: str, known: Iterable[str], otherwise: str = "") -> str:
    """The complaint about an unknown name: 'no mold "M90"; did you mean "M09"?'.

    `otherwise`: the remedy where nothing is near and there are too many to list, or none.
    """
    remedy = did_you_mean(written, known) or otherwise
    return f'no {kind} "{written}"' + (f"; {remedy}" if remedy else "")
