"""Does the thickness rule say what the trade knows?  Its simulated anchors, common practice, and what lies between."""

from __future__ import annotations

import pytest

from benchd.physics.section_rule import gel_ratio, gel_s, hard_s


@pytest.mark.parametrize(("mold_c", "minutes"), [(23.0, 19.0), (40.0, 8.0)])
def test_two_millimetres_gel_when_a_simulated_fast_resin_did(mold_c: float, minutes: float) -> None:
    # A simulation of a resin with a 3 min pot life, good for shape, not for limits: 19 min at 23 C, 8 min at 40 C.
    assert gel_s(180.0, 2.0, mold_c) / 60.0 == pytest.approx(minutes, rel=0.02)


def test_a_thick_block_gels_about_with_the_cup() -> None:
    # Common practice and the same simulation: a 26 to 30 mm mold kicks within half a minute of the cup.
    assert gel_s(180.0, 30.0, 23.0) - 180.0 < 30.0
    assert gel_ratio(1000.0) == pytest.approx(1.0, abs=0.001)


def test_a_hot_mold_never_makes_a_section_gel_before_the_cup_itself() -> None:
    assert gel_s(180.0, 30.0, 60.0) == 180.0


def test_thinner_and_colder_is_later() -> None:
    times = [gel_s(180.0, mm, 23.0) for mm in (1.0, 2.0, 3.0, 6.0, 12.0)]
    assert times == sorted(times, reverse=True)
    assert gel_s(180.0, 2.0, 18.0) > gel_s(180.0, 2.0, 23.0)
    assert gel_s(180.0, 0.0, 23.0) == gel_s(180.0, 0.5, 23.0)


@pytest.mark.parametrize("mm", [6.0, 8.0])
def test_the_labels_demold_time_suits_six_to_eight_millimetres(mm: float) -> None:
    # Common practice, no source: ten minutes suits about 4 to 8 mm.
    assert hard_s(600.0, mm, mm, 23.0)[0] == pytest.approx(600.0)


def test_a_two_millimetre_part_waits_the_half_hour_most_casters_leave() -> None:
    # Common practice, no source: most leave 30 min.
    seconds, limit = hard_s(600.0, 2.0, 5.0, 23.0)
    assert seconds / 60.0 == pytest.approx(31.0, abs=2.0)
    assert limit == "thin"


def test_a_thick_torso_is_held_up_by_its_heat() -> None:
    seconds, limit = hard_s(600.0, 6.0, 26.0, 23.0)
    assert limit == "thick"
    assert 20.0 < seconds / 60.0 < 45.0


def test_the_later_limit_rules() -> None:
    thin, thick = hard_s(600.0, 2.0, 2.0, 23.0)[0], hard_s(600.0, 10.0, 26.0, 23.0)[0]
    assert hard_s(600.0, 2.0, 26.0, 23.0)[0] == max(thin, thick)
