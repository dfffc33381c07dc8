"""Is a relief valve seen to lift, and nothing else taken for it?  Valves shut 4 to 15 % below their mark (common
practice, no source)."""

from __future__ import annotations

import pytest
from watchers.psi_barrel import PLACE, PSI, WHERE

from benchd.core.findings import Finding, PotOverRelief, ReliefLifted
from benchd.core.model import Reading
from benchd.watchers import relief


def told(*psi: float, before: Finding | None = None, hz: float = 2.0) -> list[ReliefLifted]:
    watcher = relief.make(relief.Settings(), PLACE)
    if before is not None:
        watcher.see(before)
    found: list[Finding] = []
    for i, p in enumerate(psi):
        found += watcher.see(Reading(1e9 + i / hz, "barrel-pressure", "pot_pressure", "barrel", p * PSI, None))
    return [f for f in found if isinstance(f, ReliefLifted)]


def test_a_fall_from_the_mark_that_stays_within_reach_is_a_lift() -> None:
    (lifted,) = told(52.0, 54.0, 55.0, 55.0, 51.0, 51.5, 52.5, 53.5)
    assert lifted.kpa == pytest.approx(55.0 * PSI)
    assert lifted.limit_kpa == pytest.approx(55.0 * PSI)


def test_a_valve_that_chatters_is_logged_once_in_half_a_minute() -> None:
    saw = [52.0, 54.0, 55.0, 55.0, 51.0, 52.0, 54.0, 55.0, 55.0, 51.0]
    assert len(told(*saw, *saw)) == 1


@pytest.mark.parametrize(
    "psi",
    [
        (42.0, 42.0, 40.0, 38.0, 36.0),  # a vent
        (54.0, 55.0, 55.0, 30.0, 0.0, 0.0),  # the gauge is gone, or the pot
        (52.0, 58.0, 52.0, 52.0, 52.0),  # one spike
        (55.0, 55.0, 55.0, 54.9, 54.8),  # a regulator that stands there
    ],
)
def test_other_falls_are_none(psi: tuple[float, ...]) -> None:
    assert told(*psi) == []


def test_a_valve_that_is_known_not_to_lift_is_not_said_to_lift() -> None:
    stuck = PotOverRelief(t=1e9, subject=WHERE, kpa=58 * PSI, limit_kpa=57 * PSI, kpa_per_min=0.0, active=True)
    assert told(55.0, 58.0, 58.0, 55.0, 55.0, before=stuck) == []
