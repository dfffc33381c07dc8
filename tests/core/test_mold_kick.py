"""Does a thick warm mold kick before the witness cup, and by as much as the rehearsal's own physics says?

The rehearsal solves cure and heat in one dimension with two-rate kinetics of its own; the section table is an estimate
from a label.  Resins drawn from seeds no table was tuned on (1000 and above, see tests/mold_population.py).
"""

from __future__ import annotations

from math import exp
from statistics import median

import numpy as np
import pytest
from of_kind import known
from rehearsed.pours import draw_resin

from benchd.physics.cure_prior import cup_tau
from benchd.physics.label_cure import cup_gel_s, label_cure
from benchd.physics.section_table import Conditions, solve
from benchd.rehearsal.cure import Start, cure
from benchd.rehearsal.layers import slab, straight_cup
from benchd.rehearsal.parts import section_truth
from benchd.rehearsal.resin import mixed

ROOM_C = 22.0
CASES = ((26.0, 22.0), (26.0, 45.0), (9.0, 45.0), (4.0, 22.0))  # thickness mm, mold C
SEEDS = range(1000, 1008)


def true_shares(seed: int) -> tuple[list[float], float]:
    """Each mold's kick over the witness cup's, by the rehearsal; and the resin's pot life [s]."""
    resin = draw_resin(seed)
    truth = mixed(resin.truth, 1.0, 1.0)
    rows = [straight_cup(truth, 25.0, "foam")] + [slab(truth, mm, 12.0, 7.0) for mm, _ in CASES]
    starts = {i + 1: Start(min(60.0, 0.4 * resin.pot_life_s), mold_c) for i, (_, mold_c) in enumerate(CASES)}
    curves = cure(truth, rows, starts, ROOM_C, ROOM_C, 30.0, 20.0 * resin.pot_life_s)
    kicks = [section_truth(truth, curves, i, row.share).kick_s for i, row in enumerate(rows)]
    cup_s, *molds_s = (known(kick) for kick in kicks)
    return [kick_s / cup_s for kick_s in molds_s], resin.pot_life_s


@pytest.fixture(scope="module")
def shares() -> np.ndarray:
    """(resin, case, 0 truth | 1 model)."""
    found = []
    for seed in SEEDS:
        truths, pot_life_s = true_shares(seed)
        model = label_cure(pot_life_s)
        cases = [Conditions(thick_mm=mm, mix_c=ROOM_C, room_c=ROOM_C, mold_c=mold_c) for mm, mold_c in CASES]
        molds_s = solve(model, cases, pot_life_s).kick_s
        cup_s = cup_gel_s(model, model.k_per_s * exp(0.0), ROOM_C, cup_tau("witness", 25.0)[0], 1e7)
        found.append(list(zip(truths, (float(s) / cup_s for s in molds_s), strict=True)))
    return np.array(found)


def test_a_thick_warm_mold_kicks_before_the_cup_in_truth_and_in_the_model(shares: np.ndarray) -> None:
    warm_thick = shares[:, 1, :]
    assert (warm_thick < 1.0).all()


def test_a_cool_thin_mold_kicks_after_the_cup_in_truth_and_in_the_model(shares: np.ndarray) -> None:
    assert (shares[:, 3, :] > 1.0).all()


def test_the_models_share_is_the_truths_within_its_doubt(shares: np.ndarray) -> None:
    error = shares[:, :3, 1] / shares[:, :3, 0] - 1.0
    assert median(abs(error).ravel()) < 0.12  # a label alone foretells gel times to some 20 %
    assert abs(error).max() < 0.5
