"""Does the floor come when it was foretold to?

Truth: rehearsed/pots.py, whose gas, walls, molds and silicone share no code with the estimator.  Seeds from
2000 up are used nowhere else.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from leak_runs import ATM_PA, PSI_PA, T0, watched
from rehearsed import pots as population
from rehearsed.pots import Fills, Recorded

from benchd.physics.floor_ahead import floor_ahead
from benchd.physics.pot_observer import PotObserver

DOUBT = 0.03 / 56.7  # 0.03 psi/min at 42 psi
POTS = 24


def runs(seed: int, leak: float) -> tuple[Fills, Recorded]:
    pots = population.draw_pots(POTS, 2000)
    fills = population.draw_fills(pots, seed).leaking(leak)
    return fills, population.record(pots, fills, 900.0, seed)


def seen(fills: Fills, heard: Recorded, k: int, after_s: float, use_probe: bool = False) -> PotObserver:
    return watched(heard, fills, k, after_s, use_probe=use_probe)[0]


@pytest.mark.wide
@pytest.mark.parametrize("use_probe", [False, True], ids=["bare", "probed"])
def test_foretold_times_hold_the_true_ones_about_as_often_as_they_claim(use_probe: bool) -> None:
    fills, heard = runs(2010, 1.0)
    inside, off_s = [], []
    for k in range(POTS):
        observer = seen(fills, heard, k, 180.0, use_probe)
        now_s = observer.now[0] - T0
        later = heard.t_s > now_s
        floor_psi = float(heard.true_psi[later, k][180])  # the truth three minutes from now
        got = floor_ahead(observer, floor_psi * PSI_PA + ATM_PA, 600.0, DOUBT)
        assert got is not None
        assert got.chance > 0.9
        off_s.append(got.likely_s - 181.0)
        inside.append(got.early_s <= 181.0 <= got.late_s)
    assert np.mean(inside) >= 0.7  # it claims 0.8; of 24 pots that is 19, give or take two
    assert np.median(np.abs(off_s)) <= 12.0


@pytest.mark.wide
def test_a_tight_pot_that_goes_on_cooling_is_foretold_too() -> None:
    """Nothing leaks: the floor is put a little above where cooling alone takes the pressure, or well below that."""
    fills, heard = runs(2011, 0.0)
    reached: list[float] = []
    kept: list[float] = []
    for k in range(POTS):
        observer = seen(fills, heard, k, 120.0)
        later = (heard.t_s > observer.now[0] - T0) & (heard.t_s < fills.mark_s[k] + 300.0)
        least = float(heard.true_psi[later, k].min())
        for out, floor_psi in ((reached, least + 0.25), (kept, least - 0.75)):
            got = floor_ahead(observer, floor_psi * PSI_PA + ATM_PA, 240.0, DOUBT)
            assert got is not None
            out.append(got.chance)
    assert np.mean(np.array(reached) > 0.5) >= 0.9
    assert np.mean(np.array(kept) < 0.8) >= 0.9  # the chance at which the watcher speaks


def test_nothing_is_foretold_where_nothing_was_judged_or_lies_ahead() -> None:
    fills, heard = runs(2012, 0.5)
    observer = seen(fills, heard, 0, 120.0)
    floor_pa = 30 * PSI_PA + ATM_PA
    assert floor_ahead(observer, floor_pa, 0.0, DOUBT) is None
    assert floor_ahead(observer, floor_pa, -5.0, DOUBT) is None
    assert floor_ahead(PotObserver(4e5), floor_pa, 100.0, DOUBT) is None


def test_the_chance_grows_with_the_horizon_and_a_far_floor_has_none() -> None:
    fills, heard = runs(2013, 1.0)
    observer = seen(fills, heard, 1, 180.0)
    now_psi = float(heard.true_psi[int(fills.mark_s[1]) + 180, 1])
    near, far = ((now_psi - below) * PSI_PA + ATM_PA for below in (2.0, 30.0))
    chances = []
    for until_s in (30.0, 90.0, 150.0, 600.0):
        got = floor_ahead(observer, near, until_s, DOUBT)
        assert got is not None
        chances.append(got.chance)
    assert chances == sorted(chances)
    assert chances[0] < 0.01
    assert chances[-1] > 0.99
    got = floor_ahead(observer, far, 600.0, DOUBT)
    assert got is not None
    assert got.chance < 1e-6
    assert math.isinf(got.likely_s)


def test_a_pressure_already_below_is_there_at_once() -> None:
    fills, heard = runs(2014, 1.0)
    observer = seen(fills, heard, 2, 180.0)
    above = (float(heard.true_psi[int(fills.mark_s[2]) + 180, 2]) + 1.0) * PSI_PA + ATM_PA
    got = floor_ahead(observer, above, 300.0, DOUBT)
    assert got is not None
    assert got.chance > 0.99
    assert got.likely_s <= 2.5
