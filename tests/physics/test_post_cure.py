"""Post-cure by DiBenedetto's relation: its limits, the sum against a reference solver; sag by the tables.

No paper's worked constants of a casting resin were found, so the relation itself is the check: its two ends, its rise,
its straight line at equal heat capacity steps, as published (J. P. Pascault, R. J. J. Williams, "Glass transition
temperature versus conversion relationships for thermosetting polymers", J Polym Sci B 28 (1990) 85; the form for
materials data: https://docs.software.vt.edu/abaqusv2025/English/SIMACAEKEYRefMap/simakey-r-cureglasstransitiontemperature.htm).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchd.physics.kinetics import Glass, glass_transition_c, rate_per_s
from benchd.physics.label_cure import label_cure
from benchd.physics.post_cure import MOST_CONVERSION, conversion_after, share_of_gain
from benchd.physics.sag import bends, sag_mm

GLASS = Glass(tg_raw_c=-40.0, tg_full_c=75.0, bend=0.4)
CURE = replace(label_cure(180.0), glass=Glass())


def test_the_relation_has_its_published_ends_and_only_rises() -> None:
    alpha = np.linspace(0.0, 1.0, 101)
    tg_c = glass_transition_c(GLASS, alpha)
    assert tg_c[0] == -40.0
    assert tg_c[-1] == pytest.approx(75.0)
    assert np.all(np.diff(tg_c) > 0.0)
    assert np.all(np.diff(tg_c, 2) > 0.0)  # bend < 1: steepest at the end, where a post-cure works
    straight = glass_transition_c(replace(GLASS, bend=1.0), alpha)
    assert straight == pytest.approx(-40.0 + 115.0 * alpha)


@pytest.mark.parametrize(("temp_c", "seconds"), [(23.0, 86_400.0), (65.0, 1800.0), (65.0, 14_400.0), (90.0, 600.0)])
def test_the_conversion_is_a_reference_solvers(temp_c: float, seconds: float) -> None:
    start = CURE.gel_conversion
    solved = solve_ivp(
        lambda _, a: rate_per_s(CURE, a, np.full_like(a, temp_c)), (0.0, seconds), [start], method="LSODA", rtol=1e-9,
        atol=1e-11,
    )  # fmt: skip
    assert conversion_after(CURE, start, temp_c, seconds) == pytest.approx(float(solved.y[0, -1]), abs=2e-5)


def test_later_heat_frees_what_the_room_froze_and_never_takes_back() -> None:
    room = conversion_after(CURE, CURE.gel_conversion, 23.0, 86_400.0)
    glass = CURE.glass
    assert glass is not None
    # frozen: its glass has overtaken the room, and another day adds next to nothing
    assert float(glass_transition_c(glass, np.array(room))) > 23.0 - glass.offset_k
    assert conversion_after(CURE, room, 23.0, 86_400.0) - room < 0.03
    by_heat = [conversion_after(CURE, room, temp_c, 7200.0) for temp_c in (30.0, 50.0, 65.0, 80.0)]
    assert by_heat == sorted(by_heat)
    assert by_heat[2] > room + 0.03
    assert conversion_after(CURE, MOST_CONVERSION, 65.0, 60.0) == MOST_CONVERSION


def test_a_post_cure_cut_short_has_its_share_of_the_gain() -> None:
    shares = [share_of_gain(180.0, 65.0, hours * 3600.0, 14_400.0) for hours in (0.0, 0.5, 1.0, 2.0, 4.0, 6.0)]
    assert shares == sorted(shares)
    assert (shares[0], shares[4], shares[5]) == (0.0, 1.0, 1.0)
    assert shares[2] > 0.25  # the first hour gives most an hour gives: the rate falls as the glass rises
    assert share_of_gain(180.0, 65.0, 0.0, 0.0) == 1.0


def test_sag_is_the_beam_tables() -> None:
    # Timoshenko 1940: w = q L^4/(8 E I).  100 x 10 x 4 mm at 10 MPa and 1.07 g/ml: q = 1070*9.80665*4e-5 N/m,
    # I = 0.01*0.004^3/12 m4, so w = 0.4197*1e-4/(8*1e7*5.333e-11) m, by hand 9.84 mm
    assert sag_mm(100.0, 4.0) == pytest.approx(9.84, abs=0.01)
    assert sag_mm(50.0, 4.0) == pytest.approx(sag_mm(100.0, 4.0) / 16.0)
    assert [bends(2.0, None), bends(3.5, None), bends(2.0, 20.0), bends(6.0, 120.0)] == [True, False, False, True]
