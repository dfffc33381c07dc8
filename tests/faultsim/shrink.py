"""Shortens a failing night's list of faults: halves first, then one at a time, as long as a promise is still broken."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from faultsim.faults import Fault

Fails = Callable[[list[Fault]], bool]


def shortest(faults: Sequence[Fault], fails: Fails) -> list[Fault]:
    """A list of these faults that still fails, and of which no single one can be left out."""
    left = list(faults)
    size = max(1, len(left) // 2)
    while True:
        at = 0
        while at < len(left):
            fewer = left[:at] + left[at + size :]
            if fails(fewer):
                left = fewer
            else:
                at += size
        if size == 1:
            return left
        size = max(1, size // 2)
