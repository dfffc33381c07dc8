"""Pots that cool slowly after a hard fill, shut at once: no leak where cooling explains the fall, and leaks found.

The world is tests/pot_world.py: the energy balance of an ideal gas filled from a line, by which a vessel filled from
empty without heat loss ends at gamma times the line's temperature (any thermodynamics text, filling of a tank).
Cooling times lie beyond those the shipped spreads were fitted on; fill and feed times are the trade's.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pot_world as world
import pytest
from watchers.test_leak import Three, found_after_s, watch

from benchd.core.findings import PotBelowFloor, PotFloorAhead, PotLeaking
from benchd.physics.leak_bank import TAUS_S, generic_prior

SEEDS = (301, 302)


def slow_pots(count: int, seed: int, loss: float = 0.0) -> world.Pots:
    rng = np.random.default_rng(seed + 7)
    pots = world.population(count, seed, loss, feed=False)
    return replace(
        pots, tau_s=np.exp(rng.uniform(np.log(50), np.log(120), count)), fill_s=rng.uniform(5, 15, count),
        feed_s=np.where(rng.random(count) < 0.5, 0.0, rng.uniform(5, 90, count)),
    )  # fmt: skip


def holds(pots: world.Pots, seed: int, minutes: float = 10.5) -> list[tuple[Three, float]]:
    run = world.run(pots, float(np.max(pots.fill_s + pots.feed_s)) + 60.0 * minutes, seed=seed)
    return [(watch(run, pots, k), float(run.shut_s[k])) for k in range(len(pots))]


def test_the_generic_pot_rules_no_cooling_time_of_the_bank_out() -> None:
    weights = np.exp(generic_prior().log_weights)
    assert float(weights.min() / weights.max()) >= np.exp(-2.0) - 1e-9  # its ends are two sd off
    middle_s = float(np.exp(np.average(np.log(TAUS_S), weights=weights)))
    assert 40.0 < middle_s < 60.0


@pytest.mark.parametrize("seed", SEEDS)
def test_slowly_cooling_tight_pots_are_not_called_leaking(seed: int) -> None:
    pots = slow_pots(6, seed)
    for three, _ in holds(pots, seed):
        assert not three.of(PotLeaking)
        gauge_kept = not three.of(PotBelowFloor)
        assert not (gauge_kept and three.of(PotFloorAhead))


@pytest.mark.wide
def test_their_leaks_of_half_a_psi_and_more_are_found_in_ten_minutes() -> None:
    found = [found_after_s(*hold) for loss in (0.5, 1.0, 3.0) for hold in holds(slow_pots(4, 311, loss), 312)]
    assert all(s <= 600.0 for s in found)
