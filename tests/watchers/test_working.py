"""Is the working time told before a mix, moved with the room, and kept still while a cup is worked with?"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from of_kind import as_kind

from benchd.core.bench import Bench, Channel, Cup, Lot, Resin
from benchd.core.findings import Finding, Kicked, PourEnded, PourStarted, WorkingTimeLeft
from benchd.core.learned.working_time import working_time
from benchd.core.model import Reading, Subject, Tick
from benchd.core.model.learned import Drift, Learned
from benchd.core.seat.watcher import Place
from benchd.physics.cure_prior import label_belief
from benchd.watchers import working

T0 = 1_767_607_200.0
HOME = Subject(bench="north")
POUR = Subject(bench="north", cup="cup-1", pour="cup-1-1")


def resin(cure: dict[str, Any] | None = None) -> Resin:
    return Resin(id="harbour-fast", name="Harbour Fast", pot_life_s=165.0, demold_s=600.0, cure=cure or {})


def bench(*resins: Resin, lots: tuple[Lot, ...] = ()) -> Bench:
    return Bench(id="north", shop="quiet-harbour", name="North bench", resins=resins, lots=lots)


def room(t: float, value: float) -> Reading:
    return Reading(t, "room-1", "room_temperature", "", value, value)


def run(
    watcher: working.WorkingWatcher, room_at: Callable[[int], float], from_s: int = 0, to_s: int = 600
) -> list[WorkingTimeLeft]:
    found: list[Finding] = []
    for s in range(from_s, to_s):
        found += watcher.see(room(T0 + s, room_at(s)))
        found += watcher.see(Tick(T0 + s))
    return [f for f in found if isinstance(f, WorkingTimeLeft)]


def watcher(of: Bench) -> working.WorkingWatcher:
    return working.make(working.Settings(), Place(of, HOME))


def test_it_is_the_labels_own_time_at_the_labels_own_temperature() -> None:
    (told,) = run(watcher(bench(resin())), lambda s: 23.0)
    assert told.working_s == pytest.approx(165.0, rel=0.01)
    assert told.early_s < told.working_s < told.late_s
    assert (told.basis, told.temp_basis, told.temp_c) == ("label", "measured", 23.0)


def test_ten_kelvin_colder_it_is_twice_as_long() -> None:
    """Common practice, no source: twice as slow per 10 C colder; published energies of 43 to 68 kJ/mol: 1.8 to 2.5."""
    warm, cold = (working_time(bench(resin()), None, c, T0) for c in (23.0, 13.0))
    assert warm is not None
    assert cold is not None
    assert 1.8 < cold.working_s / warm.working_s < 2.5


def test_it_follows_the_room_and_is_silent_in_one_that_stands_still() -> None:
    drifting = run(watcher(bench(resin())), lambda s: 20.0 + s / 200.0, to_s=1200)
    assert 5 <= len(drifting) <= 20
    assert all(b.working_s < a.working_s for a, b in pairwise(drifting))
    noise = np.random.default_rng(3).normal(0.0, 0.1, 1200)
    assert len(run(watcher(bench(resin())), lambda s: 20.0 + noise[s], to_s=1200)) <= 2


def test_between_a_mix_and_its_kick_the_cup_itself_counts() -> None:
    seat = watcher(bench(resin()))
    assert len(run(seat, lambda s: 20.0, to_s=60)) == 1
    seat.see(PourStarted(t=T0 + 60, subject=POUR, mix_t=T0 + 60, lot=None, molds=(), inferred=False, number=1))
    assert not run(seat, lambda s: 26.0, 60, 200)
    at = T0 + 200
    seat.see(Kicked(t=at, subject=POUR, at=at, early=at, late=at, temp_c=None, basis="curve"))
    assert len(run(seat, lambda s: 26.0, 200, 260)) == 1
    seat.see(PourEnded(t=T0 + 260, subject=POUR, why="marked"))
    assert not run(seat, lambda s: 26.0, 260, 320)


def test_without_a_room_probe_it_is_the_labels_and_wider() -> None:
    seat = watcher(bench(resin()))
    (blind,) = [as_kind(WorkingTimeLeft, f) for s in range(60) for f in seat.see(Tick(T0 + s))]
    (told,) = run(watcher(bench(resin())), lambda s: 23.0, to_s=60)
    assert (blind.temp_basis, blind.temp_c) == ("label", 23.0)
    assert blind.late_s - blind.early_s > told.late_s - told.early_s


def test_a_room_probe_that_is_not_heard_gets_no_guess_in_its_stead() -> None:
    probe = Channel(id="room-1", role="room_temperature", source="board", senml="b1-room")
    home = replace(bench(resin()), channels=(probe,))
    seat = watcher(home)
    assert not [f for s in range(600) for f in seat.see(Tick(T0 + s))]
    assert len(run(watcher(home), lambda s: 21.0, to_s=60)) == 1


def test_a_probe_in_an_oven_is_not_the_room() -> None:
    assert {f.temp_basis for f in run(watcher(bench(resin())), lambda s: 75.0, to_s=60)} == {"label"}


def test_without_a_label_nothing_is_claimed() -> None:
    assert not run(watcher(bench()), lambda s: 23.0)


def test_what_was_learned_of_the_lot_in_use_is_used() -> None:
    """A lot that kicked a fifth sooner than its label has a fifth less working time, and a narrower window."""
    table = label_belief(0.1).to_plain() | {"pot_life_s": 165.0, "lots": {"r-07": [0.223, 0.03, 6]}}
    fast = Lot(id="r-07", code="R-07", resin="harbour-fast", label=resin(table), opened=2.0)
    home = Bench(id="north", shop="quiet-harbour", name="North bench", resins=(resin(table),), lots=(fast,),
                 cups=(Cup(id="cup-1", name="Cup one", kind="mixing", mass_g=100.0),))  # fmt: skip
    (told,) = run(watcher(home), lambda s: 23.0, to_s=60)
    assert told.working_s == pytest.approx(165.0 * 0.8, rel=0.03)
    assert (told.lot, told.basis) == ("r-07", "learned")
    (label,) = run(watcher(bench(resin())), lambda s: 23.0, to_s=60)
    assert told.late_s / told.early_s < label.late_s / label.early_s


def test_a_lot_that_slows_as_it_ages_is_taken_as_it_is_now() -> None:
    """A drift of 1 % a day from the label's own at opening: 30 days on, 35 % longer, and known better than a label."""
    drift = Drift(level=0.15, per_day=0.01, sd=0.001, noise=0.05, mean_days=15.0, last_days=29.0, pours=20,
                  is_clear=True)  # fmt: skip
    old = Lot(id="r-07", code="R-07", resin="harbour-fast", label=resin(), opened=T0 - 30 * 86_400.0)
    home = replace(bench(resin(), lots=(old,)), learned=Learned(lots={"r-07": drift}))
    (told,) = run(watcher(home), lambda s: 23.0, to_s=60)
    assert told.working_s == pytest.approx(165.0 * math.exp(0.30), rel=0.02)
    assert told.basis == "drift"
    unclear = replace(home, learned=Learned(lots={"r-07": replace(drift, is_clear=False)}))
    (plain,) = run(watcher(unclear), lambda s: 23.0, to_s=60)
    assert (plain.basis, round(plain.working_s)) == ("label", 165)
    assert told.late_s / told.early_s < plain.late_s / plain.early_s
