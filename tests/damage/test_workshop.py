"""Is the family kept for one look what it says it is, and does the watch withstand a few of its building seeds?"""

from __future__ import annotations

import numpy as np
import pytest
from damage.replay import replayed
from damage.workshop import DECOYS, STEP_S, Resin, decoy, drawn_resin, gel_s, pour, scored
from some_of import some_of

from benchd.core.findings import Kicked


@pytest.mark.parametrize("order", [1.5, 2.0])
def test_the_law_is_nth_order(order: float) -> None:
    """At 25 C, without heat: a = 1 - (1 + (n - 1) k t)^(-1 / (n - 1)), integrated by hand."""
    _, share = Resin(0.01, order, 50e3, 0.0, 0.7).course(25.0, 25.0, 1000.0, 400.0)
    t = np.arange(len(share)) * STEP_S
    exact = 1.0 - (1.0 + (order - 1.0) * 0.01 * t) ** (-1.0 / (order - 1.0))
    assert np.abs(share - exact).max() < 2e-3


def test_a_cup_that_loses_nothing_rises_by_all_its_heat() -> None:
    temp, share = Resin(0.01, 1.0, 50e3, 120.0, 0.7).course(23.0, 23.0, 1e9, 1500.0)
    assert share[-1] > 0.999
    assert temp[-1] == pytest.approx(143.0, abs=0.5)


@pytest.mark.parametrize("seed", range(4))
def test_a_resin_keeps_its_label_give_or_take(seed: int) -> None:
    got_s = gel_s(drawn_resin(np.random.default_rng(seed), 240.0), 23.0, 23.0, 1800.0, 1000.0)
    assert got_s == pytest.approx(240.0, rel=0.35)


def test_the_same_seed_gives_the_same_lines() -> None:
    assert pour(3).subject.body == pour(3).subject.body
    assert pour(3).subject.body != pour(4).subject.body


@pytest.mark.parametrize("seed", some_of([2, 1, 4], 1))
def test_a_marked_cup_of_the_building_seeds_is_told(seed: int) -> None:
    got = scored(pour(seed))
    assert not got.is_silent, got
    assert not got.is_denied, got


@pytest.mark.parametrize("seed", some_of([20, *range(len(DECOYS)), *range(5, 20), *range(21, 60)], 3))
def test_a_decoy_of_the_building_seeds_is_no_kick(seed: int) -> None:
    """20 is a kettle that was one until a kick's climb had to speed itself up."""
    made = decoy(seed)
    assert not [e for e in replayed(made.subject, made.subject.body.lines) if isinstance(e, Kicked)]
