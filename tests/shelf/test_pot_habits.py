"""Which fills teach a pot its habits, what is kept of each, and what is remembered of them?

Fills for the fold are typed by hand; those for the lesson are the rehearsal's, which shares no code with the judgement.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from leak_chain import _fill, lessons
from leak_runs import T0
from rehearsed import pots as population

from benchd.core.bench import Bench, Pot
from benchd.core.findings import (
    Event,
    GaugeDropped,
    Kicked,
    KickForecast,
    LoadOpened,
    PotFilling,
    PotIsolated,
    PotLettingGo,
    PotVented,
    PotVenting,
)
from benchd.core.model import Mark, Reading, Subject
from benchd.core.model.learned import PotHabits
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.leak_bank import generic_prior
from benchd.physics.leak_learning import prior_of
from benchd.shelf.pot_habits import MOST_SAMPLES, Fill, FillFold, learn_from

BARREL = Pot(
    id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=60 * PSI, relief_kpa=55 * PSI,
    target_kpa=42 * PSI, floor_kpa=35 * PSI, limit_kpa=54 * PSI,
)  # fmt: skip
BENCH = Bench(id="north", shop="s", name="n", pots=(BARREL, replace(BARREL, id="drum")))
HERE = Subject(bench="north", pot="barrel", load="barrel-1")


def gauge(s: float, psi: float, pot: str = "barrel") -> Reading:
    return Reading(T0 + s, f"{pot}-pressure", "pot_pressure", pot, psi * PSI, None)


def shut(s: float, by: Any = "mark") -> PotIsolated:
    return PotIsolated(t=T0 + s, subject=HERE, since=T0 + s, by=by)


def vented(s: float) -> PotVented:
    return PotVented(t=T0 + s, subject=HERE, kpa=0.0, near_zero=True, vent_s=40.0)


def folded(*events: Event) -> FillFold:
    fold = FillFold(BENCH)
    for event in events:
        fold.see(event)
    return fold


FILL = (gauge(0, 0.2), gauge(10, 20.0), gauge(20, 41.0), shut(25))
DISTURBANCES: list[Event] = [
    PotVenting(t=T0 + 70, subject=HERE, kpa=250.0, kpa_per_min=-90.0, before_hold_complete=True, active=True),
    LoadOpened(t=T0 + 70, subject=HERE, pours=(), number=1),
    PotLettingGo(t=T0 + 70, subject=HERE, kpa=200.0, limit_kpa=241.3, kpa_per_min=-200.0, active=True),
    GaugeDropped(t=T0 + 70, subject=HERE, kpa=0.0, limit_kpa=241.3, kpa_per_min=-9000.0, active=True),
    vented(70),
]  # fmt: skip


def test_a_fill_is_kept_from_rest_to_its_vent_with_all_that_was_known() -> None:
    fold = folded(
        Reading(T0 - 5, "r", "room_temperature", "", 18.5, None), *FILL[:2],
        Reading(T0 + 12, "gas", "pot_gas_temperature", "barrel", 31.0, None), *FILL[2:],
        Kicked(t=T0 + 60, subject=HERE, at=T0 + 58, early=T0 + 55, late=T0 + 60, temp_c=None, basis="curve"),
        gauge(60, 40.5), vented(70),
    )  # fmt: skip
    (fill,) = fold.done
    assert (fill.pot, fill.target_kpa, fill.p_atm_kpa) == ("barrel", 42 * PSI, BENCH.p_atm_kpa)
    assert (fill.shut_t, fill.kick_t, fill.room_c) == (T0 + 25, T0 + 58, 18.5)
    assert [(t - T0, gas) for t, _, gas in fill.samples] == [(0, None), (10, None), (20, None), (60, None)]
    assert fold.open == {}


def test_the_gas_is_known_for_five_seconds_after_its_probe_told() -> None:
    probe = Reading(T0 + 8, "gas", "pot_gas_temperature", "barrel", 31.0, None)
    (fill,) = folded(FILL[0], probe, *FILL[1:], gauge(30, 41.0), vented(70)).done
    assert [gas for _, _, gas in fill.samples] == [None, 31.0, None, None]  # 2, 12 and 22 s old


@pytest.mark.parametrize("end", DISTURBANCES, ids=lambda event: type(event).__name__)
def test_whatever_ends_the_hold_ends_the_fill(end: Event) -> None:
    assert len(folded(*FILL, gauge(60, 40.0), end).done) == 1


@pytest.mark.parametrize(
    "between",
    [
        (shut(26, "seen"),), (Mark(t=T0 + 40, verb="topup", pot="barrel"),), (Mark(t=T0 + 40, verb="dumped"),),
        (PotFilling(t=T0 + 40, subject=HERE, kpa=280.0, kpa_per_min=30.0),),
    ],
    ids=["shut, but only seen", "topped up", "dumped", "filled again"],
)  # fmt: skip
def test_a_fill_whose_inlet_is_not_known_to_be_shut_all_along_is_none(between: tuple[Event, ...]) -> None:
    begun = FILL[:3] if isinstance(between[0], PotIsolated) else FILL
    assert folded(*begun, *between, gauge(60, 40.0), vented(70)).done == []


def test_each_pot_has_its_own_fill_and_marks_of_one_leave_the_other() -> None:
    other = Subject(bench="north", pot="drum")
    fold = folded(
        *FILL, gauge(1, 0.1, "drum"), gauge(21, 40.0, "drum"),
        PotIsolated(t=T0 + 30, subject=other, since=T0 + 30, by="mark"), Mark(t=T0 + 40, verb="topup", pot="drum"),
        gauge(60, 40.0), vented(70), PotVented(t=T0 + 80, subject=other, kpa=0.0, near_zero=True, vent_s=None),
    )  # fmt: skip
    assert [fill.pot for fill in fold.done] == ["barrel"]


def test_a_fill_is_bounded_and_thinned_to_a_sample_a_second() -> None:
    fold = folded(*FILL)
    for n in range(4 * (MOST_SAMPLES + 50)):
        fold.see(gauge(30 + n / 4, 40.0))
    fold.see(vented(9000))
    (fill,) = fold.done
    times = [t for t, _, _ in fill.samples]
    assert len(fill.samples) == MOST_SAMPLES
    assert float(np.diff(times).min()) >= 0.9


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_reading_that_is_no_number_is_passed_over(value: float) -> None:
    assert folded(gauge(0, value)).open == {}
    assert folded(Reading(T0, "x", "pot_pressure", "nobody", 3.0, None)).open == {}


def test_a_forecast_kick_stands_until_it_is_found() -> None:
    forecast = KickForecast(
        t=T0 + 5, subject=HERE, at=T0 + 90, early=T0 + 80, late=T0 + 99, confidence="good", basis="curve"
    )
    (fill,) = folded(FILL[0], forecast, *FILL[1:], gauge(60, 40.0), vented(70)).done
    assert fill.kick_t == T0 + 90


# ------------------------------------------------------------------------------------------------------- the lesson


@pytest.fixture(scope="module")
def tight() -> list[Fill]:
    """Two tight fills of one drawn pot, watched twelve minutes each."""
    pots = population.draw_pots(1, 21)
    out = []
    for seed in (21, 22):
        fills = population.draw_fills(pots, seed)
        out.append(_fill(fills, population.record(pots, fills, 950.0, seed), 0, False))
    return out


def test_what_was_known_is_built_on_and_other_keys_stay(tight: list[Fill]) -> None:
    first = learn_from(tight[:1], PotHabits(fill_s=30.5))
    assert (first.fills, first.fill_s) == (1, 30.5)
    then = learn_from(tight[1:], first)
    at_once = learn_from(tight, PotHabits(fill_s=30.5))
    assert then.fills == at_once.fills == 2
    means = [prior_of(known.bare, "bare").mean for known in (then, at_once)]
    assert means[0] == pytest.approx(means[1], abs=1e-4)
    assert then.probed is None  # no gas probe: nothing is said of fills that have one


def test_a_pots_own_fills_narrow_what_is_believed_of_it(tight: list[Fill]) -> None:
    before, after = generic_prior(), prior_of(learn_from(tight).bare, "bare")
    assert float(np.trace(after.between)) < float(np.trace(before.between))
    assert np.array_equal(after.within, before.within)  # how fills of one pot differ is the population's


def test_no_fills_teach_nothing() -> None:
    assert learn_from([], PotHabits(fill_s=30.0)) == PotHabits(fill_s=30.0)


def test_a_pressure_below_vacuum_is_refused(tight: list[Fill]) -> None:
    broken = replace(tight[0], samples=((T0, -200.0, None), *tight[0].samples[1:]))
    with pytest.raises(ValueError, match="absolute pressure must be above zero"):
        learn_from([broken])


@pytest.mark.wide
def test_five_fills_of_a_population_are_proved_tight_in_most_pots() -> None:
    known = lessons(population.draw_pots(4, 23), 23, use_probe=True)
    assert [k.fills for k in known] == [5, 5, 5, 5]
    assert all(k.probed is not None and k.bare is None for k in known)
