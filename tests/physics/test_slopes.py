"""Are slopes exact on lines, and no faster than the doubt about time allows?

Values are those of a straight line, computed by hand: 0.5 K/s over 8 s is 4 K.
"""

from __future__ import annotations

import math

import pytest

from benchd.physics.cup_kick import KickFinder
from benchd.physics.past_kick import PastKick
from benchd.physics.slopes import Point, TimeDoubts, fastest, line

CLIMB: list[Point] = [(float(t), 0.5 * t, 20.0 + 0.5 * t) for t in range(9)]


def test_a_line_gives_the_slowest_slope_and_fastest_the_other_bound() -> None:
    sure, unsure = line(CLIMB, 9.0, 0.1), line(CLIMB, 9.0, 0.1, 2.0)
    assert sure is not None
    assert unsure is not None
    assert sure.rate == pytest.approx(0.5)
    assert unsure.rate == pytest.approx(4.0 / 10.0), "4 K in 8 s that may have been 10"
    assert fastest(unsure.rate, 8.0, 2.0) == pytest.approx(4.0 / 6.0), "or 6"


def test_no_doubt_changes_no_slope() -> None:
    assert fastest(0.5, 9.0, 0.0) == pytest.approx(0.5)
    doubts = TimeDoubts(65.0)
    doubts.see(0.0, 0.004)  # a board's milliseconds
    assert doubts.over(1.0, 9.0) == 0.0


def test_the_two_least_known_times_of_a_window_count() -> None:
    doubts = TimeDoubts(65.0)
    for t, s in ((0.0, 5.0), (20.0, 1.0), (21.0, 3.0), (22.0, 2.0)):
        doubts.see(t, s)
    assert doubts.over(24.0, 9.0) == 5.0
    assert doubts.over(24.0, 3.0) == 5.0
    assert doubts.over(24.0, 2.0) == 2.0
    doubts.see(90.0, 0.0)
    assert doubts.over(90.0, 65.0) == 0.0, "forgotten after keep_s"


def bath(second: int) -> float:
    """A bath warmed evenly, 0.25 K/s, is no reaction."""
    return 22.0 + 0.25 * second


def squeezed(second: int) -> tuple[float, float]:
    """(the time a line bears, its doubt) where lines held back for 24 s came at four times their pace."""
    if not 60 <= second < 90:
        return float(second), 0.0
    return 84.0 + 0.25 * (second - 60), 24.0 - 0.75 * (second - 60)


@pytest.mark.parametrize(("is_known", "seems"), [(False, True), (True, False)])
def test_lines_that_came_at_once_are_no_reaction(is_known: bool, seems: bool) -> None:
    """Without the doubt this very record would pass for one."""
    finder = KickFinder(600.0, 3.0)
    for second in range(90):
        t, doubt_s = squeezed(second)
        finder.see(t, bath(second), 22.0, doubt_s if is_known else 0.0)
        if finder.is_reacting:
            break
    assert finder.is_reacting is seems


def kick(second: float) -> float:
    """A cup that climbs ever faster to second 100, then as much more slowly."""
    to_go = math.log(2.0) * abs(second - 100.0) / 18.0
    return 22.0 + 60.0 * (math.exp(-to_go) if second <= 100.0 else 2.0 - math.exp(-to_go))


def test_a_stall_at_the_steepest_is_no_end_of_the_climb() -> None:
    """Lines from second 90 on are dated later and later: the climb seems flat, and the doubt says it need not be."""
    sure, unsure = PastKick(), PastKick()
    for second in range(113):
        t = float(second) if second <= 90 else 90.0 + 2.6 * (second - 90)
        doubt_s = 0.0 if second <= 90 else 1.6 * (second - 90)
        sure.see(t, kick(second), 0.1, False)
        unsure.see(t, kick(second), 0.1, False, doubt_s)
    assert sure.found is not None, "without the doubt it would be told"
    assert unsure.found is None
