"""Fisher's exact test against scipy, and against Fisher's own worked example."""

from __future__ import annotations

import random

import pytest
from scipy.stats import fisher_exact

from benchd.reports.exact import fisher_two_sided


def test_the_tea_tasting_example() -> None:
    # R. A. Fisher, "The Design of Experiments", 1935, chapter II: 3 of 4 right by chance, one side 17/70,
    # two-sided 34/70; https://en.wikipedia.org/wiki/Lady_tasting_tea
    assert fisher_two_sided(3, 1, 1, 3) == pytest.approx(34 / 70)


def test_it_agrees_with_an_independent_library_on_random_tables() -> None:
    chaos = random.Random(7)
    for _ in range(300):
        a, b, c, d = (chaos.randrange(0, 25) for _ in range(4))
        assert fisher_two_sided(a, b, c, d) == pytest.approx(fisher_exact([[a, b], [c, d]])[1], rel=1e-6)


def test_counts_below_zero_are_refused() -> None:
    with pytest.raises(ValueError, match="below zero"):
        fisher_two_sided(-1, 0, 0, 0)
