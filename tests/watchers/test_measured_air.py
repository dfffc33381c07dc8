"""The pot's and the room's watchers on measured air: chambers that keep or lose their pressure, a day of weather."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from measured_air import CHAMBER_LEAKING_BAR, CHAMBER_LEAKING_FASTER_BAR, CHAMBER_TIGHT_BAR, WEATHER_DAY
from some_of import some_of
from watchers.bench_log import BENCH, T0, fresh, in_order, places, watch
from watchers.test_leak import Three, gauge

from benchd.core.findings import PotHold, PotLeaking, PotLosing, PotVenting, RoomDamp
from benchd.core.intake.conditioning import Conditioner
from benchd.core.intake.intake import MOTIONS
from benchd.core.model import Mark, Reading
from benchd.watchers import air

ATM_PSI = 14.696
TIMES_LARGER = 12.0
"""A vessel twelve times as large behind the same hole takes twelve times as long: dp/dt = m' R T / V."""


def chamber(bar_abs: Sequence[float]) -> Three:
    """A chamber's curve as a 42 psi pot's, one sample a second, the inlet marked shut at its first second.

    Absolute pressures are scaled: choked outflow is a share of them (ISO 6358-1), whatever they are.
    """
    psi = np.array(bar_abs) * (42.0 + ATM_PSI) / bar_abs[0] - ATM_PSI
    seconds = np.arange(0.0, TIMES_LARGER * (len(psi) - 1))
    three = Three()
    for s in seconds:
        three.see(gauge(float(s), float(np.interp(s / TIMES_LARGER, np.arange(len(psi)), psi))))
        if s == 10.0:
            three.see(Mark(t=gauge(10.0, 0.0).t, verb="shut", pot="barrel"))
    return three


def test_a_measured_tight_chamber_is_silent() -> None:
    three = chamber(CHAMBER_TIGHT_BAR)
    assert not [f for f in three.told if isinstance(f, PotLeaking | PotLosing | PotVenting)]
    assert len(three.of(PotHold)) >= 20


def test_measured_leaks_are_told_and_the_faster_one_first() -> None:
    told_s = []
    for bar_abs in (CHAMBER_LEAKING_FASTER_BAR, CHAMBER_LEAKING_BAR):
        told = chamber(bar_abs).told
        told_s.append(min(f.t for f in told if isinstance(f, PotLeaking | PotLosing)) - gauge(0.0, 0.0).t)
    assert told_s[0] < told_s[1] <= 180.0


def test_a_day_of_weather_passes_the_rooms_conditioning_untouched() -> None:
    for column, role in enumerate(("room_temperature", "room_humidity", "barometer")):
        stage = Conditioner(MOTIONS[role])
        per = 0.1 if role == "barometer" else 1.0  # hPa to kPa
        kept = [stage.see(T0 + 300.0 * i, row[column] * per) for i, row in enumerate(WEATHER_DAY)]
        assert all(is_good and not again for is_good, again in kept)


@pytest.mark.parametrize("lift_pct", some_of([0.0, -10.0, 10.0, 20.0], 1))
def test_a_day_of_weather_does_not_flap(lift_pct: float) -> None:
    place = places(air)[0]
    dry = replace(BENCH, channels=tuple(c for c in BENCH.channels if not c.role.startswith("tank")))
    dice, events = np.random.default_rng(5), []
    for i in range(0, 300 * (len(WEATHER_DAY) - 1), 10):
        at = np.arange(len(WEATHER_DAY)) * 300.0
        room_c, rh = (float(np.interp(i, at, [row[k] for row in WEATHER_DAY])) for k in (0, 1))
        rh += lift_pct + float(dice.normal(0.0, 0.5))
        events.append(Reading(T0 + i, "room-temperature", "room_temperature", "", room_c, room_c))
        events.append(Reading(T0 + i, "room-humidity", "room_humidity", "", rh, rh))
    found = [f for f in watch(fresh(air, replace(place, bench=dry)), in_order(events)) if isinstance(f, RoomDamp)]
    assert len(found) <= sum(level_changes([row[1] + lift_pct for row in WEATHER_DAY], limit) for limit in (50.0, 60.0))
    assert len(found) <= 8


def level_changes(rh_pct: Sequence[float], limit_pct: float) -> int:
    """How often five-minute values pass a limit upwards, or stay 3 % below it for ten minutes (the alert table)."""
    above, low, count = False, 0, 0
    for rh in rh_pct:
        low = low + 1 if rh < limit_pct - 3.0 else 0
        if (not above and rh > limit_pct) or (above and low >= 3):
            above, count = not above, count + 1
    return count
