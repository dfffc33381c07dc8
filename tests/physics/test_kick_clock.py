"""Does the kick's clock weigh label and heat rightly?  Closed forms, scipy's truncated normal, its table rebuilt."""

from __future__ import annotations

import math

import numpy as np
import pytest
from cup_population import STEP_S, cups
from scipy.stats import truncnorm

from benchd.physics.kick_clock import RISE_TABLE, Guess, label_guess, rise_guess


def test_the_label_is_believed_at_its_own_temperature_and_doubted_by_lot_and_thermometer():
    guess = label_guess(180.0, 23.0, 0.22, 1.5)
    assert guess.time_s() == pytest.approx(180.0)
    assert guess.sd == pytest.approx(math.hypot(0.22, 1.5 * math.log(2.0) / 10.0))
    assert label_guess(180.0, 13.0, 0.22, 1.5).time_s() == pytest.approx(360.0)  # common practice: cold doubles it


@pytest.mark.parametrize("elapsed_s", [0.0, 60.0, 150.0, 250.0])
def test_a_cup_that_has_not_kicked_yet_kicks_later_as_a_truncated_normal_says(elapsed_s):
    guess = Guess(math.log(180.0), 0.25)
    cut = (math.log(elapsed_s) - guess.mean) / guess.sd if elapsed_s else -np.inf
    reference = np.exp(truncnorm.ppf([0.05, 0.5, 0.95], cut, np.inf, guess.mean, guess.sd))
    assert guess.window_s(elapsed_s) == pytest.approx(tuple(reference), rel=1e-6)


def test_the_window_lies_ahead_however_long_the_cup_is_overdue():
    early, likely, late = Guess(math.log(180.0), 0.1).window_s(5000.0)
    assert early <= likely <= late
    assert math.isfinite(late)


def test_two_beliefs_are_weighed_by_their_variances():
    both = Guess(5.0, 0.2).and_also(Guess(5.3, 0.1))
    assert both.mean == pytest.approx((25.0 * 5.0 + 100.0 * 5.3) / 125.0)
    assert both.sd == pytest.approx(125.0**-0.5)


def test_a_rise_in_the_table_says_the_tables_fraction():
    for rise_k, fraction, sd in RISE_TABLE:
        guess = rise_guess(100.0, rise_k, 0.0)
        assert guess is not None
        assert guess.time_s() == pytest.approx(100.0 / fraction, rel=1e-9)
        assert guess.sd == pytest.approx(sd, rel=1e-9)


def test_a_rise_the_probe_may_have_made_itself_says_nothing():
    assert rise_guess(100.0, 2.9, 1.5) is None
    assert rise_guess(0.0, 30.0, 1.5) is None


def test_a_doubtful_start_counts_most_while_the_cup_has_hardly_warmed():
    at_5, at_40 = rise_guess(100.0, 5.0, 1.5), rise_guess(100.0, 40.0, 1.5)
    assert at_5 is not None
    assert at_40 is not None
    assert at_5.sd - 0.323 > at_40.sd - 0.064 > 0.0


def test_the_table_is_what_its_population_gives():
    """Rebuilt from the building seeds; a table edited by hand, or a population changed, shows here."""
    rises, logs = np.array([row[0] for row in RISE_TABLE]), []
    for seed in (1, 2):
        rng = np.random.default_rng(1000 + seed)
        for cup in cups(seed, 150, "witness"):
            seen_k = cup.heat_k - cup.heat_k[int((rng.uniform(0.0, 45.0) + 9.0) / STEP_S)]
            reached_s = np.searchsorted(seen_k, rises) * STEP_S + 3.0  # a probe's lag later
            logs.append(np.log(np.where(rises < seen_k[-1], reached_s, np.nan) / cup.kick_s))
    assert np.exp(np.nanmean(logs, axis=0)) == pytest.approx([row[1] for row in RISE_TABLE], abs=0.002)
    assert np.nanstd(logs, axis=0) == pytest.approx([row[2] for row in RISE_TABLE], abs=0.002)
