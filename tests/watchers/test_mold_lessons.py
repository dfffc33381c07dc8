"""What a day's pulls teach of a mold is kept as the pulls themselves, and means what a grid updated in turn means."""

from __future__ import annotations

import pytest
from frozen_copy import frozen, frozen_copy

from benchd.physics.mold_factor import MoldFactor, Pull, belief_of
from benchd.watchers.demold.lessons import MOST_PULLS, taught_before

KNOWN = MoldFactor(log_bias=0.12, sd=0.15, pulls=4)


def pull(after_s: float, feel: str) -> Pull:
    return Pull(mold="m02", resin="fast-white", after_s=after_s, feel=feel, green_s=600.0, hard_s=1100.0)


PULLS = [pull(700.0, "green"), pull(900.0, "hard"), pull(560.0, "rubbery"), pull(1300.0, "hard")]


@pytest.mark.parametrize(("known", "thick_mm"), [(None, 5.0), (None, 30.0), (KNOWN, 30.0)])
def test_a_belief_rebuilt_from_its_pulls_is_the_one_they_made(known: MoldFactor | None, thick_mm: float) -> None:
    taught, belief = taught_before(known, thick_mm), belief_of(known, thick_mm)
    for each in PULLS:
        taught, belief = taught.after(each), belief.after(each)
        assert frozen_copy(taught).belief() == belief


def test_many_pulls_stay_short_and_keep_what_they_taught() -> None:
    """Past MOST_PULLS they become mean and sd: the factor moves by less than a fifth of what it is known to."""
    taught, belief = taught_before(None, 5.0), belief_of(None, 5.0)
    for each in PULLS * 6:
        taught, belief = taught.after(each), belief.after(each)
        assert len(taught.seen) <= MOST_PULLS
    assert taught.belief().pulls == belief.pulls == 24
    assert abs(taught.belief().mean - belief.mean) < 0.2 * belief.sd
    assert taught.belief().sd == pytest.approx(belief.sd, rel=0.2)
    assert len(frozen(taught)) < 900
