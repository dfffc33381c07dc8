"""Do thin and thick limits, the label, the lot and a mold's own past come together rightly?"""

from __future__ import annotations

import math
from math import exp, hypot, log
from typing import Any

import pytest
from nearly import nearly

from benchd.physics.label_cure import cup_gel_s, label_cure
from benchd.physics.mold_factor import (
    POUR_SD,
    RESIN_SD,
    MoldFactor,
    Pull,
    belief_of,
    chance,
    gaussian,
    prior_sd,
)
from benchd.physics.mold_heat import LastCast, excess_k
from benchd.physics.mold_times import cooled, hard_window, lot_speed, mold_times, stage_sd
from benchd.physics.section_table import Conditions, SectionTable, solve_table

FAST = label_cure(180.0)
PRIOR_SD = prior_sd(6.0)


@pytest.fixture(scope="module")
def table() -> SectionTable:
    return solve_table(FAST, 180.0)


def hard_s(table: SectionTable, demold_s: float, thin: float, thick: float, **at: Any) -> float:
    return exp(mold_times(table, demold_s, thin, thick, Conditions(thick_mm=thick, **at)).ln_s["hard"])


@pytest.mark.parametrize("demold_s", [400.0, 600.0, 1500.0])
def test_the_labels_own_section_is_hard_at_the_labels_time(table: SectionTable, demold_s: float) -> None:
    """Common practice: a label's demold suits about 4 to 8 mm."""
    assert hard_s(table, demold_s, 6.0, 6.0) == pytest.approx(demold_s, rel=0.01)


def test_the_later_section_rules_and_is_named(table: SectionTable) -> None:
    at = Conditions(thick_mm=6.0)
    assert mold_times(table, 600.0, 2.0, 6.0, at).limit["hard"] == "thin"
    assert mold_times(table, 600.0, 6.0, 26.0, at).limit["hard"] == "thick"
    both = mold_times(table, 600.0, 2.0, 26.0, at).ln_s
    alone = [mold_times(table, 600.0, mm, mm, at).ln_s for mm in (2.0, 26.0)]
    for stage in ("gel", "green", "hard"):
        assert both[stage] == pytest.approx(max(a[stage] for a in alone))
    assert both["gel"] < both["green"] < both["hard"]


def test_a_data_sheets_temperature_says_which_rule_a_thick_part_waits_for(table: SectionTable) -> None:
    """ISO 75: where a loaded bar sags.  A part that sags at 45 C has to cool to it, one at 85 C is cured by then;
    without it the window reaches to both, and is the wider."""
    at, belief = Conditions(thick_mm=25.0), belief_of(None, 25.0)
    plain, soft, stiff = (mold_times(table, 2400.0, 25.0, 25.0, at, deflection_c=c) for c in (None, 45.0, 85.0))
    assert (plain.rule, soft.rule, stiff.rule) == ("cool", "cool", "cured")
    assert stiff.ln_s["hard"] < plain.ln_s["hard"] < soft.ln_s["hard"]
    widths = [late - early for early, _, late in (hard_window(t, 25.0, belief, 0.07) for t in (plain, soft))]
    assert widths[1] < 0.6 * widths[0]
    assert hard_window(plain, 25.0, belief, 0.07)[2] >= soft.ln_s["hard"]
    assert sum(c.weight for c in plain.chances) == pytest.approx(1.0)
    assert sum(c.weight * c.off for c in plain.chances) == pytest.approx(0.0, abs=1e-9)


def test_a_label_that_is_due_while_its_section_is_warm_names_no_low_softening(table: SectionTable) -> None:
    """A label's 6 mm are at 41 C after 15 minutes or more: one that is due sooner than that keeps its shape warmer."""
    at = Conditions(thick_mm=12.0)
    low = [mold_times(table, demold_s, 12.0, 12.0, at).chances[0].weight for demold_s in (400.0, 3600.0)]
    assert low[0] < 0.5 * low[1]


def test_a_section_cools_to_its_room_by_newtons_law() -> None:
    """t = tau ln((T0 - room)/(T - room)), with any two points of it given: tau 1000 s, room 23 C."""
    times = {
        "gel": 0.0,
        "cool": log(1000.0 + 1000.0 * log(60.0 / 32.0)),
        "cold": log(1000.0 + 1000.0 * log(60.0 / 20.0)),
    }
    for soft_c in (35.0, 43.0, 48.0, 55.0, 65.0):
        assert exp(cooled(times, soft_c, 23.0)) == pytest.approx(1000.0 + 1000.0 * log(60.0 / (soft_c - 23.0)))
    assert cooled({**times, "gel": 8.0}, 65.0, 23.0) == 8.0
    assert cooled({"gel": 0.0, "cool": 7.0}, 43.0, 23.0) == 7.0


def test_pulls_draw_a_hard_window_together(table: SectionTable) -> None:
    times = mold_times(table, 2400.0, 25.0, 25.0, Conditions(thick_mm=25.0))
    before = hard_window(times, 25.0, belief_of(None, 25.0), 0.07)
    after = hard_window(times, 25.0, gaussian(0.1, 0.1, 6), 0.07)
    assert after[2] - after[0] < 0.4 * (before[2] - before[0])
    assert after[1] == pytest.approx(before[1] + 0.1, abs=0.01)


def test_a_cup_that_kicked_late_had_a_slow_lot() -> None:
    for lot in (-0.3, 0.0, 0.25):
        kick_s = cup_gel_s(FAST, FAST.k_per_s * exp(lot), 21.0, 1275.0, 1e6)
        assert lot_speed(FAST, 0.0, kick_s, 21.0, 1275.0) == pytest.approx(lot, abs=0.01)
    assert lot_speed(FAST, 0.0, 1e5, 21.0, 1275.0) == -0.8


def test_a_thick_mold_is_known_less_well_beforehand() -> None:
    assert [round(prior_sd(mm), 3) for mm in (2.0, 3.0, 6.0, 9.0, 12.0, 20.0, 30.0)] == [
        0.36,
        0.36,
        0.24,
        0.32,
        0.4,
        0.5,
        0.5,
    ]
    assert belief_of(None, 25.0).sd > 1.5 * belief_of(None, 6.0).sd
    known = MoldFactor(log_bias=0.1, sd=0.1, pulls=4)
    assert belief_of(known, 25.0) == belief_of(known, 6.0)


def test_a_molds_siblings_tell_what_its_resin_shares() -> None:
    """Against the exact answer for Gaussians: b = resin + mold, one sibling seen without doubt at 0.3.

    E[b | sibling] = s^2 / p^2 x 0.3 and Var = p^2 - s^4 / p^2, s the shared sd, p a mold's whole sd (any textbook).
    """
    sibling = gaussian(0.3, 0.04, 9)
    told = 0.04**-2 - PRIOR_SD**-2
    seen_sd2 = PRIOR_SD**2 + 1.0 / told
    value = 0.3 * 0.04**-2 / told
    moved = gaussian(sd=PRIOR_SD).beside(6.0, [(sibling, 6.0)])
    assert moved.mean == pytest.approx(value * RESIN_SD**2 / seen_sd2, rel=0.01)
    assert moved.sd == pytest.approx(math.sqrt(PRIOR_SD**2 - RESIN_SD**4 / seen_sd2), rel=0.02)
    assert moved.pulls == 9


def test_siblings_that_never_told_anything_change_nothing() -> None:
    own = gaussian(0.1, 0.1, 4)
    assert own.beside(6.0, []) == own
    assert own.beside(6.0, [(gaussian(), 6.0), (gaussian(sd=prior_sd(25.0)), 25.0)]) == own


def test_a_mold_that_knows_itself_hardly_listens() -> None:
    sure = gaussian(-0.1, 0.05, 8)
    moved = sure.beside(6.0, [(gaussian(0.4, 0.05, 8), 6.0)])
    assert abs(moved.mean - sure.mean) < 0.06
    assert moved.sd <= sure.sd * 1.02


def test_doubt_shrinks_as_pulls_tell_but_not_below_a_pours_own() -> None:
    belief = gaussian()
    assert stage_sd("green", 6.0, belief)[1] == pytest.approx(hypot(PRIOR_SD, 0.14), rel=0.02)
    for _ in range(5):
        for feel, share in (("green", 0.9), ("hard", 1.1)):
            belief = belief.after(pull(feel, 600.0 * share))
    mean, sd = stage_sd("green", 6.0, belief)
    assert abs(mean) < 0.05
    assert 0.14 < sd < 0.18
    assert stage_sd("gel", 2.0, belief) == (0.0, 0.38)


# --------------------------------------------------------------------------------------------------------- pulls


def pull(feel: str, after_s: float, green_s: float = 400.0, hard_s: float = 600.0) -> Pull:
    return Pull(mold="m02", resin="fast", after_s=after_s, feel=feel, green_s=green_s, hard_s=hard_s)


def test_feels_share_all_the_chances_at_every_time() -> None:
    for after_s in (200.0, 420.0, 600.0, 900.0):
        for bias in (-0.4, 0.0, 0.3):
            total = sum(chance(pull(feel, after_s), bias) for feel in ("rubbery", "green", "hard"))
            assert total == pytest.approx(1.0)
    with pytest.raises(ValueError, match="feel"):
        chance(pull("lovely", 500.0), 0.0)


@pytest.mark.parametrize(
    ("feel", "after_s", "sign"),
    [("hard", 450.0, -1), ("stuck", 450.0, -1), ("green", 750.0, 1), ("rubbery", 500.0, 1), ("hot", 700.0, 1)],
)
def test_each_feel_moves_the_factor_its_way(feel: str, after_s: float, sign: int) -> None:
    """Hard: ready before the pull; green: just before; rubbery: later; hot: the thick limit, later."""
    belief = gaussian().after(pull(feel, after_s))
    assert belief.mean * sign > 0.05
    assert belief.pulls == 1


def test_a_late_hard_pull_teaches_next_to_nothing() -> None:
    belief = gaussian().after(pull("hard", 1200.0))
    assert abs(belief.mean) < 0.02
    assert belief.sd == pytest.approx(PRIOR_SD, rel=0.05)


def test_pulls_on_both_sides_find_a_molds_factor() -> None:
    """A mold 25 % slower than the model: its pulls close in on ln 1.25, to about one pour's own scatter."""
    belief = gaussian()
    for share in (0.85, 1.2, 0.95, 1.05, 0.9, 1.1):
        belief = belief.after(pull("hard" if share > 1.0 else "green", 600.0 * 1.25 * share))
    assert belief.mean == pytest.approx(log(1.25), abs=0.07)
    assert belief.sd < POUR_SD


def test_a_belief_is_read_back_and_numbers_beyond_its_grid_are_refused() -> None:
    kept = belief_of(MoldFactor(log_bias=0.2, sd=0.1, pulls=5))
    assert (kept.mean, kept.sd, kept.pulls) == (nearly(0.2, abs=0.01), nearly(0.1, abs=0.01), 5)
    assert belief_of(None) == gaussian()
    for log_bias, sd in ((9.0, 0.1), (0.0, 0.0), (0.0, 1.1), (float("nan"), 0.1)):
        with pytest.raises(ValueError, match="not a mold's factor"):
            MoldFactor(log_bias=log_bias, sd=sd, pulls=1)


# ---------------------------------------------------------------------------------------------- left by the last cast


def last(out_t: float = 1200.0, before_k: float = 0.0) -> LastCast:
    return LastCast(fill_ml=37.0, wall_mm=12.0, rise_k=119.0, before_k=before_k, kick_t=0.0, out_t=out_t)


def test_at_the_kick_the_heat_is_all_there() -> None:
    """Heat balance: 37 ml at 1.07 g/ml, 1.8 J/gK and 0.9 of 119 K into a 57 mm cube less its fill at 1.43 J/mlK."""
    resin, silicone = 37.0 * 1.07 * 1.8, (3.3322 + 2.4) ** 3 - 37.0
    silicone *= 1.43
    assert excess_k(last(out_t=0.0), 0.0) == pytest.approx(0.9 * 119.0 * resin / (resin + silicone), rel=0.01)


def test_the_rest_cools_to_the_room_and_warmth_before_adds() -> None:
    early, late = excess_k(last(), 1800.0), excess_k(last(), 7200.0)
    assert 5.0 < early < 20.0
    assert late < 1.0
    assert excess_k(last(before_k=18.0), 1800.0) > early + 4.0
    assert excess_k(last(out_t=2400.0), 2400.0) < excess_k(last(out_t=600.0), 600.0)


@pytest.mark.parametrize("thick_mm", [3.0, 12.0, 25.0])
def test_three_pulls_that_bracket_halve_the_width_and_late_hard_ones_only_bound_it(thick_mm: float) -> None:
    """A part hard at 1.22 times the model's time: green at 1 and 1.15, hard at 1.45; and hard thrice at three times."""
    bracketed = late = belief_of(None, thick_mm)
    for after_s, feel in ((1000.0, "green"), (1450.0, "hard"), (1150.0, "green")):
        bracketed = bracketed.after(_pulled(after_s, feel))
        late = late.after(_pulled(3000.0, "hard"))
    assert bracketed.sd < 0.5 * prior_sd(thick_mm)
    assert 0.05 < bracketed.mean < 0.35
    assert late.sd > 0.85 * prior_sd(thick_mm)
    assert abs(late.mean) < 0.1


def _pulled(after_s: float, feel: str) -> Pull:
    return Pull(mold="m02", resin="fast-white", after_s=after_s, feel=feel, green_s=700.0, hard_s=1000.0)
