"""Is a gauge that drifted told while its pot stands open, and only then?  Sizes: common practice, no source."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from watchers.psi_barrel import PLACE, PSI, WHERE

from benchd.core.findings import Finding, PotFilling, PotVented, ZeroDrifted
from benchd.core.model import Reading, Subject
from benchd.core.seat.watcher import Place
from benchd.watchers import zero

T0 = 1_767_607_200.0
Step = tuple[float, float | Finding]


def stands(psi: float, from_s: float, to_s: float, per_s: float = 0.0) -> list[Step]:
    noise = np.random.default_rng(round(from_s) + 5).normal(0.0, 0.05, round(to_s - from_s))
    return [(from_s + i, psi + per_s * i + float(noise[i])) for i in range(len(noise))]


def told(steps: Iterable[Step]) -> list[ZeroDrifted]:
    watcher = zero.make(zero.Settings(), PLACE)
    found: list[Finding] = []
    for s, what in steps:
        event = what if isinstance(what, Finding) else Reading(T0 + s, "g", "pot_pressure", "barrel", what * PSI, None)
        found += watcher.see(event)
    return [f for f in found if isinstance(f, ZeroDrifted)]


def fills(s: float) -> Step:
    return s, PotFilling(t=T0 + s, subject=WHERE, kpa=20.0, kpa_per_min=500.0)


def vented(s: float) -> Step:
    return s, PotVented(t=T0 + s, subject=WHERE, kpa=4.0, near_zero=True, vent_s=30.0)


@pytest.mark.parametrize("psi", [0.7, -0.8, 2.0])
def test_a_steady_offset_of_an_open_pot_is_told_once_and_ends_with_the_next_fill(psi: float) -> None:
    began, ended = told([*stands(psi, 0, 600), fills(600), *stands(42.0, 601, 700)])
    assert (began.active, ended.active) == (True, False)
    assert began.kpa == pytest.approx(psi * PSI, abs=0.1 * PSI)
    assert 170.0 <= began.t - T0 <= 230.0
    assert ended.t == T0 + 600.0


def test_it_ends_when_the_zero_was_taken() -> None:
    assert [f.active for f in told([*stands(0.8, 0, 400), *stands(0.0, 400, 900)])] == [True, False]


@pytest.mark.parametrize("psi", [0.0, 0.3, 5.0])
def test_a_true_zero_a_small_error_and_a_pot_under_pressure_are_none(psi: float) -> None:
    assert told(stands(psi, 0, 900)) == []


def test_pressure_that_still_leaves_is_no_drift() -> None:
    assert told(stands(2.5, 0, 900, per_s=-2.0 / 900)) == []  # 2 psi in a quarter of an hour


def test_a_pot_under_pressure_says_nothing_and_after_the_vent_the_clock_starts_anew() -> None:
    assert told([fills(0), *stands(1.0, 1, 600)]) == []
    (began,) = told([fills(0), *stands(1.0, 1, 600), vented(600), *stands(1.0, 601, 900)])
    assert began.t - T0 >= 770.0


def test_the_place_must_be_a_pot() -> None:
    with pytest.raises(ValueError, match="needs a pot"):
        zero.make(zero.Settings(), Place(bench=PLACE.bench, subject=Subject(bench="north")))
