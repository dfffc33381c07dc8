"""Are a forecast's times what they say: the likely one least wrong in shares of the truth, the edges as wide as asked?

Checked against sums over the Gaussian itself (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1,
1994, has a lognormal's moments), not against the product's own formula.
"""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest
from kick_bench import CupKind

from benchd.physics.cup_cure import CupCure, KickFound
from benchd.physics.cure_prior import label_belief
from benchd.physics.kick_window import LEAST_KICK, WIDER, GelBelief, foretold_s, kick_edges, wider
from benchd.watchers.kick.doubts import wrong_label


def belief(sd: float = 0.2) -> GelBelief:
    return GelBelief((1.0,), (log(300.0),), (sd,))


@pytest.mark.parametrize("sd", [0.05, 0.15, 0.25])
def test_the_likely_time_has_the_least_square_error_in_shares_of_the_truth(sd: float) -> None:
    z = np.linspace(-7.0, 7.0, 4001)
    weights = np.exp(-0.5 * z**2)
    truths_s = 300.0 * np.exp(sd * z)
    tried_s = np.linspace(200.0, 320.0, 2401)
    errors = [float((weights * (at / truths_s - 1.0) ** 2).sum()) for at in tried_s]
    best_s = float(tried_s[int(np.argmin(errors))])
    early, likely, late = foretold_s(belief(sd), 1.0, None)
    assert likely == pytest.approx(best_s, rel=0.001)
    assert early < likely < late


@pytest.mark.parametrize(("elapsed_s", "misfit"), [(60.0, 0.1), (60.0, 0.5), (200.0, 0.1), (200.0, 0.5)])
def test_a_window_is_as_many_times_wider_as_other_families_needed(elapsed_s: float, misfit: float) -> None:
    wide, plain = foretold_s(belief(0.04), elapsed_s, misfit), foretold_s(belief(0.04), elapsed_s, None)
    assert log(wide[2] / wide[0]) == pytest.approx(
        wider(elapsed_s / 300.0, misfit) * log(plain[2] / plain[0]), rel=0.01
    )
    assert wide[1] == plain[1]
    assert min(row[i] for row in WIDER for i in (1, 2)) >= 1.0, "never narrower than the fit's own"


def test_no_time_foretold_has_passed() -> None:
    for elapsed_s in (150.0, 290.0, 330.0):
        early, likely, late = foretold_s(belief(), elapsed_s, 0.6)
        assert elapsed_s <= early <= likely <= late


@pytest.mark.parametrize("is_learned", [False, True])
def test_a_found_kicks_window_has_its_least_width_unless_the_bench_knows_the_resin(is_learned: bool) -> None:
    kind: CupKind = "witness"
    cure = CupCure(kind=kind, mass_g=25.0, lag_s=3.0, resin=label_belief(0.22), pot_life_s=300.0, is_learned=is_learned)
    sharp, wide = KickFound(300.0, 299.0, 301.0, None, True), KickFound(300.0, 200.0, 400.0, 290.0, False)
    assert cure.edges_s(wide) == (200.0, 400.0)
    expected = (299.0, 301.0) if is_learned else (300.0 * exp(-LEAST_KICK), 300.0 * exp(LEAST_KICK))
    assert cure.edges_s(sharp) == pytest.approx(expected)
    assert kick_edges(299.0, 300.0, 301.0)[0] > 0.9 * 300.0


def test_no_label_is_doubted_before_a_curve_speaks() -> None:
    cure = CupCure(kind="witness", mass_g=25.0, lag_s=3.0, resin=label_belief(0.22), pot_life_s=300.0)
    assert wrong_label(cure, cure.expect(23.0, 23.0), 1.0, 0.0, 9.0) is None
