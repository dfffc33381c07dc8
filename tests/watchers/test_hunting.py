"""Does a regulator that hunts, or a leak that hovers at the edge of fast, raise each alarm once?

The regulators and leaks are invented; deadband and off-delay against chatter are ISA-18.2's.
"""

from __future__ import annotations

from functools import cache
from itertools import groupby

import pytest
from hand_words import T0, Played, held, spec_of
from some_of import some_of

from benchd.core.findings import PotFilling, PotIsolated
from benchd.core.model import Alert


@cache
def fed(pot: int) -> Played:
    return held(spec_of(6, 5)[pot], pot, fed=True, stage="begun")


def raised(play: Played, code: str) -> list[bool]:
    play.catch_up()
    return [a.active for a in play.effects if isinstance(a, Alert) and a.alert == code]


@pytest.mark.parametrize("pot", some_of([0, 1], 1))
@pytest.mark.parametrize("period_s", some_of([20.0, 8.0, 45.0, 90.0], 1))
def test_a_regulator_that_hunts_by_4_psi_raises_leaking_fast_once(pot: int, period_s: float) -> None:
    play = fed(pot).fork()
    play.air.hunt(40.0, 44.0, period_s, 600.0)
    assert raised(play, "pot-leaking-fast") == [True]
    assert len([on for on, _ in groupby(raised(play, "floor-ahead"))]) <= 4  # it is written down again behind another
    said = [s for s, code, _ in play.said() if code == "pot-leaking-fast"]
    assert len(said) < 30


@pytest.mark.parametrize("pot", some_of([0, 1], 1))
@pytest.mark.parametrize(
    ("low", "high", "period_s"),
    some_of([(53.5, 55.0, 8.0), (53.0, 56.0, 20.0), (53.5, 55.0, 45.0), (53.5, 55.0, 90.0)], 1),
)
def test_a_regulator_that_hunts_across_the_limit_raises_it_once(
    pot: int, low: float, high: float, period_s: float
) -> None:
    play = fed(pot).fork()
    play.air.hunt(low, high, period_s, 600.0)
    assert raised(play, "pot-over-limit") == [True]


def test_a_pot_well_below_its_limit_is_not_held_there() -> None:
    play = fed(0).fork()
    play.air.fill(55.0, 5.0)
    play.air.run(10.0)
    assert raised(play, "pot-over-limit") == [True]
    play.air.shut()
    play.air.air.bleed_mm = 3.0
    play.air.run(60.0, lambda: play.air.true_psi < 51.0)
    play.air.run(4.0)
    assert raised(play, "pot-over-limit") == [True, False]


@pytest.mark.parametrize("pot", [0, 1], ids=["10 L", "60 L"])
@pytest.mark.parametrize("sizes", [(2.0, 4.0), pytest.param((1.5, 4.5), marks=pytest.mark.wide)])
def test_a_leak_that_hovers_at_the_edge_raises_leaking_fast_once(pot: int, sizes: tuple[float, float]) -> None:
    play = fed(pot).fork()
    play.air.shut()
    play.mark("shut", pot="barrel")
    play.air.run(200.0)
    for psi_min in sizes * 4:
        play.air.leak(psi_min)
        play.air.run(20.0)
    assert raised(play, "pot-leaking-fast") == [True]
    play.air.leak(0.0)
    play.air.run(60.0)
    assert raised(play, "pot-leaking-fast") == [True, False]


def test_a_hand_that_tops_up_a_fast_leak_ends_its_alarm_until_it_is_seen_again() -> None:
    play = fed(0).fork()
    play.air.shut()
    play.mark("shut", pot="barrel")
    play.air.run(200.0)
    play.air.leak(8.0)
    play.air.run(70.0)
    assert raised(play, "pot-leaking-fast") == [True]
    play.air.feed(42.0)
    play.air.run(10.0)
    assert raised(play, "pot-leaking-fast") == [True, False]


def test_a_fall_that_a_regulator_makes_up_for_is_no_shut_inlet_twice() -> None:
    play = fed(0).fork()
    play.air.hunt(40.0, 44.0, 90.0, 600.0)
    play.catch_up()
    seen = [f.t - T0 for f in play.effects if isinstance(f, PotIsolated)]
    assert len([f for f in play.effects if isinstance(f, PotFilling)]) > 6
    assert 1 <= len(seen) <= 2
