"""Are drawn resins, pours and decoys what their labels and names say, and the same for the same seed?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from of_kind import known
from rehearsed.decoys import DECOYS, decoy
from rehearsed.pours import CUPS, FAMILIES, SHAPES, DrawnResin, PourPlan, draw_plan, draw_resin, pour
from some_of import some_of

from benchd.rehearsal.cure import cure
from benchd.rehearsal.layers import straight_cup
from benchd.rehearsal.parts import section_truth


def label_cup(resin: DrawnResin) -> tuple[float, float]:
    """(kick [s], steepest climb [K/s]) of 100 g at 23 C."""
    row = straight_cup(resin.truth, 100.0, "plastic")
    curves = cure(resin.truth, [row], {}, 23.0, 23.0, 30.0, 3.0 * resin.pot_life_s)
    steepest = np.diff(curves.temp_c[:, 0, 0]) / np.diff(curves.times_s)
    return known(section_truth(resin.truth, curves, 0, row.share).kick_s), float(steepest.max())


@pytest.mark.wide
@pytest.mark.parametrize("family", some_of(FAMILIES, 1))
def test_the_labels_cup_kicks_at_the_labels_pot_life_give_or_take(family: str) -> None:
    ratios = []
    for seed in range(8):
        resin = draw_resin(seed, family=family)
        kick_s, steepest = label_cup(resin)
        ratios.append(kick_s / resin.pot_life_s)
        assert steepest < 4.6
        assert 120.0 <= resin.pot_life_s <= 1200.0
    assert min(ratios) > 0.7
    assert max(ratios) < 1.45
    assert np.std(np.log(ratios)) > 0.03, "labels have errors of their own"


@pytest.mark.wide
@pytest.mark.parametrize("seeds", some_of([2, 5], 1))
def test_snap_resins_sit_flat_then_rise_steeply(seeds: int) -> None:
    """Common practice: nearly flat for two thirds of the pot life, then up to 4 K/s; steady ones climb all the way."""
    half = {}
    for shape in SHAPES:
        risen = []
        for seed in range(seeds):
            made = pour(draw_resin(seed, shape), replace(PourPlan(seed=seed), kind="mixing", mass_g=150.0))
            at_half = made.value_c[np.argmin(np.abs(made.time_s - 0.5 * known(made.kick_s)))]
            risen.append(at_half - 23.0)
        half[shape] = np.median(risen)
    assert half["snap"] < half["mid"] < half["steady"]


def test_a_faster_lot_and_a_warmer_room_kick_sooner() -> None:
    resin = draw_resin(3)
    plain = PourPlan(kind="mixing", mass_g=150.0)
    kicks = {
        name: known(pour(resin, plan).kick_s)
        for name, plan in {
            "plain": plain,
            "fast": replace(plain, lot=1.3),
            "warm": replace(plain, room_c=33.0, resin_c=33.0),
        }.items()
    }
    assert kicks["fast"] == pytest.approx(kicks["plain"] / 1.3, rel=0.06)
    # Common practice: x1.8 to x2.5 per 10 C.
    assert 1.7 < kicks["plain"] / kicks["warm"] < 2.6


def test_the_same_seed_gives_the_same_pour() -> None:
    first, again = (pour(draw_resin(5), draw_plan(6)) for _ in range(2))
    assert first.value_c.tobytes() == again.value_c.tobytes()
    assert first.kick_s == again.kick_s
    assert pour(draw_resin(5), draw_plan(7)).value_c.tobytes() != first.value_c.tobytes()


def test_every_kind_of_cup_and_fault_is_drawn() -> None:
    plans = [draw_plan(seed) for seed in range(200)]
    assert {p.kind for p in plans} == set(CUPS)
    assert {p.fault for p in plans} == {"", "lift", "slow"}
    assert min(p.lot for p in plans) > 0.68
    assert max(p.lot for p in plans) < 1.45


@pytest.mark.parametrize("kind", DECOYS)
def test_a_decoy_never_kicks_but_most_disturb_the_probe(kind: str) -> None:
    made = decoy(2, kind)
    assert made.kick_s is None
    spread_k = float(np.percentile(made.value_c, 98) - np.percentile(made.value_c, 2))
    assert spread_k < 4.0 if kind == "quiet" else spread_k > 1.0
