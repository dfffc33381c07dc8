"""Computes whether a table of counts could be chance: Fisher's exact test, two-sided."""

from __future__ import annotations

from math import comb


def fisher_two_sided(bad_with: int, good_with: int, bad_without: int, good_without: int) -> float:
    """Probability of a table at least as unlikely as this one, all margins fixed: a sum of the hypergeometric law.

    bad_with: bad parts where the condition held, and so on, all counts 0 or more.  Raises ValueError for negative ones.
    Source: R. A. Fisher, "The Design of Experiments", 1935, chapter II.

    >>> round(fisher_two_sided(3, 1, 1, 3), 4)
    0.4857
    """
    if min(bad_with, good_with, bad_without, good_without) < 0:
        raise ValueError("counts below zero")
    held, bad = bad_with + good_with, bad_with + bad_without
    total = held + bad_without + good_without
    whole = comb(total, bad)

    def ways(with_bad: int) -> int:
        return comb(held, with_bad) * comb(total - held, bad - with_bad)

    seen = ways(bad_with)
    first, last = max(0, bad - (total - held)), min(bad, held)
    return sum(w for k in range(first, last + 1) if (w := ways(k)) <= seen) / whole
