"""Is a forecast told when it is news, and only then?  (The interface: max(1 s, 2 %), 2 s apart, 60 and 30 s, 15 s.)"""

from __future__ import annotations

from collections.abc import Callable

from benchd.core.seat.retell import Retell, RetellRule

RULE = RetellRule(least_gap_s=2.0, least_move_s=1.0, least_move_share=0.02, refresh_s=15.0, lines_s=(60.0, 30.0))
T0 = 1_767_607_200.0


def told_at(says: Callable[[float], float], until_s: int, may_move: bool = True) -> list[int]:
    """The seconds at which `says(second)` [unix s], asked each second, is told."""
    retell = Retell(RULE)
    return [s for s in range(until_s) if retell.is_due(T0 + s, says(s), says(s) - 20.0, may_move)]


def test_the_first_is_told_and_an_unmoved_one_every_fifteen_seconds() -> None:
    assert told_at(lambda s: T0 + 1000.0, 50) == [0, 15, 30, 45]


def test_a_moving_one_is_told_every_two_seconds() -> None:
    assert told_at(lambda s: T0 + 40.0 + 3.0 * s, 9) == [0, 2, 4, 6, 8]


def test_a_move_must_be_two_per_cent_of_the_time_left() -> None:
    assert told_at(lambda s: T0 + 1000.0 + (15.0 if s >= 5 else 0.0), 12) == [0]
    assert told_at(lambda s: T0 + 1000.0 + (25.0 if s >= 5 else 0.0), 12) == [0, 5]


def test_entering_sixty_and_thirty_seconds_is_told() -> None:
    assert told_at(lambda s: T0 + 67.0, 12) == [0, 7]
    assert told_at(lambda s: T0 + 37.0, 12) == [0, 7]


def test_the_edge_alone_may_move_it() -> None:
    retell = Retell(RULE)
    assert retell.is_due(T0, T0 + 100.0, T0 + 80.0)
    assert retell.is_due(T0 + 2.0, T0 + 100.0, T0 + 70.0)


def test_one_that_only_slides_with_the_clock_is_told_every_fifteen_seconds() -> None:
    assert told_at(lambda s: T0 + s + 300.0, 40, may_move=False) == [0, 15, 30]
