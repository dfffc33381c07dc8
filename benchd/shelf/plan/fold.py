"""Divides a day's casts between several lots: at the least total cost, of equals the best rated.

    cost(M) = min over S in M of before(M - S) + lot(S)

taken lot by lot, over subsets as bit masks: 3^n steps a lot, half a second for 12 casts.  What is rated is the worst of
the parts' least margins, or, with minus signs, the sum of their times.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Tables = tuple[list[int], list[float]]
"""Of one lot: each subset's cost in loads, and its rating, more is better; -inf if there is none."""


@dataclass(frozen=True, slots=True)
class Folded:
    """Of all lots: least cost and best rating of each subset, and which part of it each lot takes."""

    costs: list[int]
    ratings: list[float]
    parts: list[list[int]]

    def shares(self, mask: int) -> list[int]:
        """What each lot takes of a subset, in the lots' order."""
        out = []
        for part in reversed(self.parts):
            out.append(part[mask])
            mask ^= part[mask]
        return out[::-1]


def folded(lots: Sequence[Tables], whole: int, *, is_sum: bool = False) -> Folded:
    """All lots together, for the subsets of `whole`.

    A rating is the least of the parts' (margins), or with is_sum their sum (minus times closed).
    """
    costs, ratings = list(lots[0][0]), list(lots[0][1])
    parts = [list(range(len(costs)))]
    for lot in lots[1:]:
        costs, ratings, part = _both((costs, ratings), lot, whole, is_sum)
        parts.append(part)
    return Folded(costs, ratings, parts)


def _both(before: Tables, lot: Tables, whole: int, is_sum: bool) -> tuple[list[int], list[float], list[int]]:
    (n_before, r_before), (n_lot, r_lot) = before, lot
    size = len(n_before)
    costs, ratings, part = [10**12] * size, [-math.inf] * size, [0] * size
    mask = whole
    while True:
        best_n, best_r, best_part = 10**12, -math.inf, 0
        share = mask
        while True:
            rest = mask ^ share
            n = n_before[rest] + n_lot[share]
            if n <= best_n:
                r = r_before[rest] + r_lot[share] if is_sum else min(r_before[rest], r_lot[share])
                if n < best_n or r > best_r:
                    best_n, best_r, best_part = n, r, share
            if not share:
                break
            share = (share - 1) & mask
        costs[mask], ratings[mask], part[mask] = best_n, best_r, best_part
        if not mask:
            return costs, ratings, part
        mask = (mask - 1) & whole
