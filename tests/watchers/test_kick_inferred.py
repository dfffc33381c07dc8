"""What is warm and no cup: thermostats, ovens, probes moved.  Pours nobody marked, and how they end.

A thermostat's saw tooth is a closed form (a first-order body switched at two limits); the reaction is the measured one
of tests/measured_heat.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from cup_population import Seen
from kick_bench import T0, CupKind, at_cup, measured_record, of, resin, started, watched
from some_of import some_of

from benchd.core.findings import CupReacting, Kicked, NoCure
from benchd.core.model import Tick
from benchd.watchers.kick import KickWatcher


def thermostat(to_c: float, by_k: float, minutes: float, seed: int = 3) -> Seen:
    """A body heated towards to_c + 40 C and cooling to 22 C, time constant 600 s, switched at to_c +- by_k; 1 Hz."""
    _, like = measured_record("calorimetry_data_6.csv", 12.0, 30.0, 0.1)
    rng, temp_c, is_on, out = np.random.default_rng(seed), 22.0, True, []
    for _ in range(int(60.0 * minutes)):
        is_on = temp_c < to_c + by_k if is_on else temp_c < to_c - by_k
        temp_c += ((to_c + 40.0 if is_on else 22.0) - temp_c) / 600.0
        out.append(temp_c + float(rng.normal(0.0, 0.15)))
    return type(like)(np.arange(0.0, len(out), 1.0), np.round(4.0 * np.array(out)) / 4.0)


@pytest.mark.parametrize(("to_c", "by_k"), some_of([(60.0, 2.0), (85.0, 2.0), (50.0, 0.5), (110.0, 5.0)], 1))
@pytest.mark.parametrize("kind", some_of(["residue", "witness", "mixing"], 1))
def test_what_is_held_warm_opens_no_pour(to_c: float, by_k: float, kind: CupKind) -> None:
    found = watched(at_cup(resin(), kind), thermostat(to_c, by_k, 60.0), 22.0, is_marked=False)
    assert not of((CupReacting, Kicked), found)


def opened(record: Seen) -> tuple[KickWatcher, CupReacting, Seen]:
    """The watcher of an unmarked measured reaction at the moment it asks for a pour, and the rest of the record."""
    watcher = at_cup(resin())
    found = watched(watcher, record, 22.0, is_marked=False)
    (reacting,) = of(CupReacting, found)
    at = int(np.searchsorted(record.time_s, reacting.t - T0))
    watcher = at_cup(resin())
    watched(watcher, type(record)(record.time_s[: at + 1], record.value_c[: at + 1]), 22.0, is_marked=False)
    watcher.see(started(reacting.mix_t, inferred=True, t=reacting.t))
    return watcher, reacting, type(record)(record.time_s[at + 1 :], record.value_c[at + 1 :])


def test_a_measured_reaction_without_a_mark_still_kicks() -> None:
    _, record = measured_record("calorimetry_data_6.csv", 12.0, 30.0, 0.1)
    watcher, _, rest = opened(record)
    assert of(Kicked, watched(watcher, rest, 22.0, is_marked=False))


def test_an_inferred_pour_that_climbs_no_more_is_dropped_after_a_pot_life() -> None:
    _, record = measured_record("calorimetry_data_6.csv", 12.0, 30.0, 0.1)
    watcher, reacting, rest = opened(record)
    still = type(rest)(reacting.t - T0 + np.arange(1.0, 900.0), np.full(899, float(rest.value_c[0])))
    found = watched(watcher, still, 22.0, is_marked=False)
    (dropped,) = of(NoCure, found)
    assert dropped.inferred
    assert dropped.t - reacting.t == pytest.approx(180.0, abs=5.0)  # the label's pot life
    assert not of(Kicked, found)


def test_a_break_in_the_record_ends_an_inferred_pour() -> None:
    _, record = measured_record("calorimetry_data_6.csv", 12.0, 30.0, 0.1)
    watcher, reacting, rest = opened(record)
    cold = type(rest)(reacting.t - T0 + np.arange(1.0, 30.0), np.full(29, 22.0))
    found = watched(watcher, cold, 22.0, is_marked=False)
    (dropped,) = of(NoCure, found)
    assert dropped.inferred
    assert dropped.t - reacting.t < 15.0


def test_a_marked_pours_no_cure_is_not_called_inferred() -> None:
    watcher = at_cup(resin())
    _, like = measured_record("calorimetry_data_6.csv", 12.0, 30.0, 0.1)
    dead = type(like)(np.arange(0.0, 700.0), np.full(700, 22.0))
    (dropped,) = of(NoCure, [*watched(watcher, dead, 22.0), *watcher.see(Tick(T0 + 701.0))])
    assert not dropped.inferred
