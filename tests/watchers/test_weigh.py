"""The scale: what was weighed, its ratio, corrections, and a mix that takes the weights.

By hand: 100A:90B by weight, so 159.5 g of A want 143.55 g of B; half and half puts in 1/0.9 - 1 = 11.1 % too much B.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

import pytest
from watchers.bench_log import BENCH, T0, fresh, places, watch

from benchd.core.bench import Lot, Resin
from benchd.core.findings import BatchWeighed, PourStarted
from benchd.core.model import Reading, Subject
from benchd.watchers import weigh

LABEL = Resin(id="fast", name="Fast", pot_life_s=180, demold_s=600, ratio_weight_b=0.9, ratio_volume_b=1.0)
LOTS = (
    Lot(id="r-07", code="R-07", resin="fast", label=LABEL, opened=T0 - 86400.0),
    Lot(id="r-09", code="R-09", resin="fast", label=replace(LABEL, ratio_weight_b=0.5), opened=T0, suspect="foams"),
)
PLACE = replace(places(weigh)[0], bench=replace(BENCH, lots=LOTS))


def scale(steps: Sequence[tuple[float, float]], seed: int = 1) -> list[Reading]:
    """Readings four times a second: each step (grams, for so many seconds), with a pour's ramp of 2 s before it."""
    dice, grams_of, level = random.Random(seed), list[float](), 0.0
    for grams, for_s in steps:
        grams_of += [level + (grams - level) * i / 8 for i in range(8)]
        level = grams
        grams_of += [round(level + dice.gauss(0, 0.03), 1) for _ in range(int(for_s * 4))]
    return [Reading(T0 + 0.25 * i, "scale", "scale", "", grams, None) for i, grams in enumerate(grams_of)]


def weighed(steps: Sequence[tuple[float, float]], seed: int = 1) -> list[tuple[float, float, str]]:
    found = watch(fresh(weigh, PLACE), scale(steps, seed))
    return [(f.a_g, f.b_g, f.side) for f in found if isinstance(f, BatchWeighed)]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    "steps",
    [
        [(0.0, 5), (159.5, 6), (303.1, 6)],
        [(0.0, 5), (159.5, 6), (0.0, 5), (143.6, 6)],
        [(0.0, 5), (120.0, 6), (159.5, 6), (303.1, 6)],
        [(0.0, 5), (159.5, 6), (230.0, 6), (303.1, 6)],
        [(0.0, 5), (70.0, 6), (159.5, 6), (0.0, 4), (60.0, 5), (143.6, 6)],
    ],
    ids=["one cup", "tared between", "a in two goes", "b in two goes", "both in two goes"],
)
def test_a_right_batch_is_weighed_and_nothing_is_wrong(steps: list[tuple[float, float]], seed: int) -> None:
    found = weighed(steps, seed)
    (a_g, b_g, _) = found[-1]
    assert a_g == pytest.approx(159.5, abs=0.2)
    assert b_g == pytest.approx(143.6, abs=0.3)
    assert [side for _, _, side in found] == ["good"]


def test_half_and_half_by_weight_is_too_much_b_and_its_size_is_told() -> None:
    found = watch(fresh(weigh, PLACE), scale([(0.0, 5), (151.5, 6), (303.0, 6)]))
    last = [f for f in found if isinstance(f, BatchWeighed)][-1]
    assert last.side == "too-much-b"
    assert last.ratio_error == pytest.approx(0.111, abs=0.004)  # by hand
    assert last.lot == "r-07"  # the suspect lot is not what one mixes


def test_a_correction_counts() -> None:
    # by hand: 151.5 g of B want 168.3 g of A: 16.8 g more
    assert [side for _, _, side in weighed([(0.0, 5), (151.5, 6), (303.0, 6), (319.8, 6)])] == ["too-much-b", "good"]
    # 140 g of A want 126 g of B
    assert [side for _, _, side in weighed([(0.0, 5), (140.0, 6), (250.0, 6), (266.0, 6)])] == ["too-little-b", "good"]


def test_a_hand_a_wobble_and_an_empty_scale_are_no_batch() -> None:
    assert weighed([(0.0, 30)]) == []
    assert weighed([(0.0, 5), (159.5, 6), (161.0, 6), (0.0, 6)]) == []
    assert weighed([(0.0, 5), (50.0, 1), (90.0, 1), (20.0, 1), (0.0, 5)]) == []


def test_the_mix_ends_it() -> None:
    watcher = fresh(weigh, PLACE)
    first = scale([(0.0, 5), (159.5, 6), (303.1, 6)])
    mix_t = first[-1].t + 1.0
    started = PourStarted(
        t=mix_t, subject=Subject(bench="north"), mix_t=mix_t, lot=None, molds=(), inferred=False, number=1
    )
    moved = [replace(reading, t=reading.t - T0 + mix_t) for reading in scale([(303.1, 4), (250.0, 5), (100.0, 5)])]
    found = [f for f in watch(watcher, [*first, started, *moved]) if isinstance(f, BatchWeighed)]
    assert len(found) == 1
