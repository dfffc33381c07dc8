"""What does the leak watcher say of a fed pot, a coarse gauge, a pot without a pour, and after what it was taught?"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from leak_chain import Told, lessons, place, told
from leak_runs import T0
from rehearsed import pots as population

from benchd.core.findings import PotAtPressure, PotFed, PotHold, PotLeaking, PotVented
from benchd.core.model import Mark, Reading, Subject
from benchd.core.model.learned import PotHabits
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.leak_bank import generic_prior
from benchd.physics.leak_learning import prior_of
from benchd.shelf.pot_habits import Fill, FillFold, learn_from
from benchd.watchers import leak
from benchd.watchers.leak.tune import Settings

WHERE = Subject(bench="north", pot="pot")

Drawn = tuple[population.Pots, population.Fills, population.Recorded]


def one(
    seed: int, leak_psi_min: float = 0.0, second: bool = False, empty: bool = False
) -> tuple[population.Pots, population.Fills, population.Recorded]:
    pots = population.draw_pots(1, seed)
    fills = population.draw_fills(pots, seed, second=second, empty=empty).leaking(leak_psi_min)
    return pots, fills, population.record(pots, fills, 900.0, seed)


def fed_teeth(period_s: float, drop_psi: float, seconds: int = 900, creep_psi_min: float = 0.0) -> Told:
    """A fed pot whose regulator lets it sag by drop_psi each period, shown to the leak watcher alone."""
    pots, fills, _ = one(3)
    watcher = leak.make(Settings(), place(pots, fills, 0, PotHabits()))
    target, rng, out = float(fills.target_psi[0]), np.random.default_rng(1), Told(T0)

    for s in range(seconds):
        if s < 40:
            psi = target * s / 40.0
        else:
            part = (s - 40) % period_s
            psi = (
                target
                + creep_psi_min * (s - 40) / 60.0
                - drop_psi * (part / (period_s - 4) if part < period_s - 4 else (period_s - part) / 4)
            )
        if s == 50:
            out.findings += watcher.see(
                PotAtPressure(t=T0 + s, subject=WHERE, since=T0 + 40.0, kpa=psi * PSI, margin_s=None)
            )
        event = Reading(T0 + s, "g", "pot_pressure", "pot", (psi + float(rng.normal(0, 0.05))) * PSI, None)
        out.findings += watcher.see(event)
    return out


def test_a_fed_pots_saw_tooth_tells_its_leak_and_no_floor() -> None:
    got = fed_teeth(60.0, 1.0).of(PotLeaking)
    assert got
    assert got[-1].verdict == "slow"
    assert got[-1].kpa_per_min / PSI == pytest.approx(1.0 / 1.4, rel=0.15)
    assert got[-1].floor_at is None
    assert not got[-1].matters


def test_a_fed_pot_without_teeth_is_not_called_tight() -> None:
    holds = fed_teeth(60.0, 0.0)
    assert not holds.of(PotLeaking)
    words = [h.verdict for h in holds.of(PotHold)]
    assert set(words) == {"cant-tell", "no-leak-seen"}
    assert words[-1] == "no-leak-seen"
    assert holds.of(PotHold)[-1].why == "is the inlet shut?"
    assert not holds.of(PotFed)


def test_a_fed_pots_rhythm_is_told_each_minute() -> None:
    got = fed_teeth(60.0, 1.0).of(PotFed)
    assert len(got) >= 8
    assert all(50.0 <= b.t - a.t <= 70.0 for a, b in itertools.pairwise(got))  # with each tooth
    assert got[-1].period_s == pytest.approx(60.0, abs=1.0)
    assert got[-1].cycles_per_hour == pytest.approx(60.0, abs=1.0)
    assert got[-1].duty == pytest.approx(4.0 / 60.0, abs=0.04)  # air flows for four seconds of sixty
    assert abs(got[-1].creep_kpa_per_min) < 0.1 * PSI


def test_a_fed_pots_set_point_that_climbs_is_told_as_creep() -> None:
    got = fed_teeth(60.0, 1.0, creep_psi_min=0.2).of(PotFed)
    assert got[-1].creep_kpa_per_min == pytest.approx(0.2 * PSI, rel=0.25)


def test_a_coarse_gauge_waits_until_it_is_ten_times_finer() -> None:
    # ASTM E2930: 0.1 psi steps against 0.7 psi/min need ten times 0.1/0.7 = 1.4 minutes and more for smaller limits
    pots, fills, heard = one(5, second=True)
    holds = told(pots, fills, heard, 0).of(PotHold)
    seen = [h for h in holds if h.verdict == "tight-to" and h.smallest_seen is not None]
    assert seen
    for h in seen:
        judged_min = (h.t - T0 - float(fills.mark_s[0])) / 60.0
        assert (h.smallest_seen or 0.0) >= 10.0 * 0.1 * PSI / judged_min


def test_a_pot_with_no_pour_is_judged_too() -> None:
    pots, fills, heard = one(6, 1.0, empty=True)
    watcher_told = told(pots, fills, heard, 0)
    assert watcher_told.leak_after_s(watcher_told.mark_t) <= 306.0


def test_a_pot_up_before_the_watch_began_is_judged_with_more_doubt() -> None:
    def both(leak: float) -> tuple[Told, Told]:
        """Seen from the fill on, and from 200 s after it."""
        pots, fills, heard = one(7, leak)
        late = population.Recorded(*(part[200:] for part in (heard.t_s, heard.psi, heard.probe_c, heard.true_psi)))
        return told(pots, fills, heard, 0), told(pots, replace(fills, mark_s=fills.mark_s * 0.0 + 230.0), late, 0)

    _, unseen = both(1.0)
    assert unseen.leak_after_s(unseen.mark_t) <= 606.0
    known, unknown = (
        [h.high - h.low for h in x.of(PotHold) if h.high is not None and h.low is not None] for x in both(0.0)
    )
    assert unknown[0] > known[-1]


# ---------------------------------------------------------------------------------------------------------- the lessons


@pytest.mark.wide
def test_five_tight_fills_narrow_the_doubt_and_reach_the_watcher() -> None:
    pots = population.draw_pots(3, 8)
    known = lessons(pots, 8, use_probe=False)
    fills = population.draw_fills(pots, 9, fast=1.0, at_once=1.0)
    heard = population.record(pots, fills, 500.0, 9)
    for k in range(3):
        assert known[k].fills == prior_of(known[k].bare, "bare").fills == 5
        watcher = leak.make(Settings(), place(pots, fills, k, known[k]))
        assert watcher.judge.shut.observer.bare.fills == 5
        plain, taught = (told(pots, fills, heard, k, x, until_s=240.0).of(PotHold) for x in (None, known[k]))
        widths = [next(h.high - h.low for h in x if h.high is not None and h.low is not None) for x in (plain, taught)]
        assert widths[1] < widths[0]


@pytest.mark.wide
def test_a_leaking_a_short_or_an_unseen_fill_teaches_nothing() -> None:
    _, fills, heard = one(10, 0.6)
    assert learn_from([_recorded(fills, heard)]) == PotHabits()
    _, fills, heard = one(10)
    assert learn_from([_recorded(fills, heard, 280)]) == PotHabits()
    assert learn_from([_recorded(fills, heard)]).fills == 1
    with pytest.raises(ValueError, match="one pot"):
        learn_from([_recorded(fills, heard), _recorded(fills, heard, pot="drum")])


@pytest.mark.wide
def test_a_hold_of_six_minutes_teaches_less_than_one_of_twelve_and_a_leak_no_more() -> None:
    _, fills, heard = one(10)
    spreads = []
    for after_s in (360, 720):
        taught = learn_from([_recorded(fills, heard, after_s)])
        assert taught.fills == 1
        spreads.append(float(np.trace(prior_of(taught.bare, "bare").between)))
    assert spreads[1] < spreads[0] < float(np.trace(generic_prior().between))
    for size in (0.3, 0.4, 0.6):
        _, fills, heard = one(12, size)
        assert learn_from([_recorded(fills, heard, 360)]) == PotHabits()


def _recorded(fills: population.Fills, heard: population.Recorded, after_s: int = 720, pot: str = "pot") -> Fill:
    last = min(int(fills.mark_s[0]) + after_s, len(heard.t_s))
    samples = tuple((T0 + s, float(heard.psi[s, 0]) * PSI, None) for s in range(last))
    return Fill(pot=pot, target_kpa=float(fills.target_psi[0]) * PSI, p_atm_kpa=101.325, samples=samples,
                shut_t=T0 + float(fills.mark_s[0]), kick_t=T0 + float(fills.told_kick_s[0]), room_c=21.85)  # fmt: skip


@pytest.mark.wide
def test_the_fold_collects_what_learn_from_takes() -> None:
    pots, fills, heard = one(11)
    where = place(pots, fills, 0, PotHabits())
    fold, chain = FillFold(where.bench), told(pots, fills, heard, 0, until_s=720.0)
    events: list[object] = [Reading(T0 - 1.0, "r", "room_temperature", "", 21.85, None), *chain.findings]
    last = min(int(fills.mark_s[0]) + 720, len(heard.t_s))
    events += [Reading(T0 + s, "g", "pot_pressure", "pot", float(heard.psi[s, 0]) * PSI, None) for s in range(last)]
    events += [PotVented(t=T0 + last, subject=WHERE, kpa=0.0, near_zero=True, vent_s=None)]
    for event in sorted(events, key=lambda e: e.t):  # type: ignore[attr-defined]
        fold.see(event)  # type: ignore[arg-type]
    got = fold.pots({"other": PotHabits(fill_s=30.0)})
    assert got["other"] == PotHabits(fill_s=30.0)
    assert got["pot"].fills == prior_of(got["pot"].bare, "bare").fills == 1
    assert not fold.done


def test_a_topped_up_fill_is_left_out_of_the_fold() -> None:
    pots, fills, heard = one(12)
    fold = FillFold(place(pots, fills, 0, PotHabits()).bench)
    for s in range(300):
        fold.see(Reading(T0 + s, "g", "pot_pressure", "pot", float(heard.psi[s, 0]) * PSI, None))
    fold.see(Mark(t=T0 + 300.0, verb="topup", pot="pot"))
    fold.see(PotVented(t=T0 + 400.0, subject=WHERE, kpa=0.0, near_zero=True, vent_s=None))
    assert fold.pots() == {}
    fold.see(Reading(T0 + 401.0, "g", "pot_pressure", "pot", math.nan, None))
    assert not fold.open
