"""Reads the comment in which a board says by what full scale it turns its transducer's volts into pressure.

    # full scale: b1-pot 689476 Pa

A board that reckons with 100 psi before a 150 psi transducer sends two thirds of the truth, and nothing in its lines
gives it away: only its own word, compared with the bench's file, does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_SAID = re.compile(r"full scale: ([A-Za-z0-9][-A-Za-z0-9:./_]{0,63}) ([1-9][0-9]{0,8}) Pa(?![A-Za-z0-9])")


@dataclass(frozen=True, slots=True)
class FullScale:
    """What a board takes its transducer's upper end to be: the SenML name it sends, and Pa gauge."""

    name: str
    pa: int

    @property
    def words(self) -> str:
        """As the board says it, without the comment's sign."""
        return f"full scale: {self.name} {self.pa} Pa"


def full_scale_of(text: str) -> FullScale | None:
    """The first full scale a comment, a boot word or a status tells; None if it tells none.  Raises nothing."""
    found = _SAID.search(text)
    return FullScale(found[1], int(found[2])) if found else None
