"""Damp rooms and wet air: levels, hysteresis, the tank's part, and the physics behind the numbers."""

from __future__ import annotations

import random
from dataclasses import replace

import psychrolib
import pytest
from watchers.bench_log import BENCH, T0, Story, day_log, fresh, in_order, places, watch

from benchd.core.model import AirWet, Reading, RoomDamp, Subject
from benchd.watchers import air

PLACE = places(air)[0]
TANKLESS = replace(
    PLACE, bench=replace(BENCH, channels=tuple(c for c in BENCH.channels if not c.role.startswith("tank")))
)


def weather(rh_of, until_s, room_c=21.5, tank_c=None, tank_kpa=690.0, each_s=5.0):
    """Room (and tank) readings; rh_of(seconds) is the humidity."""
    dice = random.Random(3)
    found = []
    for i in range(int(until_s / each_s)):
        t = T0 + i * each_s
        rh = rh_of(i * each_s) + dice.gauss(0.0, 0.2)
        found.append(Reading(t, "room-temperature", "room_temperature", "", room_c, room_c))
        found.append(Reading(t, "room-humidity", "room_humidity", "", rh, rh))
        if tank_c is not None:
            found.append(Reading(t, "tank-temperature", "tank_temperature", "", tank_c, tank_c))
            found.append(Reading(t, "tank-pressure", "tank_pressure", "", tank_kpa, tank_kpa * 1000.0))
    return in_order(found)


def damp(events, place=PLACE, **settings):
    found = [f for f in watch(fresh(air, place, **settings), events) if isinstance(f, RoomDamp)]
    return [(round(f.t - T0), f.level, f.active) for f in found]


def wet(events, place=PLACE):
    return [f for f in watch(fresh(air, place), events) if isinstance(f, AirWet) and f.subject.pot == "barrel"]


@pytest.mark.parametrize(("rh_pct", "level"), [(44.0, None), (49.0, None), (52.0, "warn"), (64.0, "hold-off")])
def test_the_scenarios_rooms(rh_pct, level):
    # warn above 50 % (published by resin makers), hold off above 60 % (common practice); the three loads' rooms
    found = damp(weather(lambda t: rh_pct, 900.0))
    assert found == ([] if level is None else [(pytest.approx(20, abs=10), level, True)])


def test_the_numbers_are_the_rooms_median_and_its_dew_point():
    [found] = [f for f in watch(fresh(air, PLACE), weather(lambda t: 64.0, 300.0, 24.1)) if isinstance(f, RoomDamp)]
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert found.rh_pct == pytest.approx(64.0, abs=0.3)
    # PsychroLib (ASHRAE); 0.1 C for the probe noise of 0.2 %RH
    assert found.dew_point_c == pytest.approx(psychrolib.GetTDewPointFromRelHum(24.1, 0.64), abs=0.1)
    assert found.subject == Subject(bench="north")
    assert (found.basis, found.pot_rh_pct) == ("measured", None)


def test_it_ends_only_after_ten_minutes_below_the_limit_less_three():
    found = damp(weather(lambda t: 52.0 if t < 300 else 46.0, 2000.0))
    assert [(level, active) for _, level, active in found] == [("warn", True), ("warn", False)]
    assert found[1][0] == pytest.approx(300 + 30 + 600, abs=20)


def test_hovering_between_the_lines_keeps_it_on_and_quiet():
    assert damp(weather(lambda t: 52.0 if t % 400 < 200 else 47.8, 6000.0))[1:] == []


def test_each_change_of_level_is_told_once():
    def rh(t):
        return 44.0 if t < 300 else 53.0 if t < 600 else 63.0 if t < 900 else 55.0 if t < 2400 else 40.0

    found = damp(weather(rh, 4000.0))
    assert [(level, active) for _, level, active in found] == [
        ("warn", True),
        ("hold-off", True),
        ("warn", True),
        ("warn", False),
    ]


def test_a_draught_or_a_spike_is_smoothed_away():
    assert damp(weather(lambda t: 95.0 if 300 <= t < 320 else 44.0, 900.0)) == []


@pytest.mark.parametrize("each_s", [0.1, 1.0, 5.0, 30.0])
def test_any_reading_period_gives_the_same(each_s):
    found = damp(weather(lambda t: 52.0 if t < 300 else 46.0, 1500.0, each_s=each_s))
    assert [(level, active) for _, level, active in found] == [("warn", True), ("warn", False)]


def test_without_fresh_readings_nothing_changes():
    log = weather(lambda t: 52.0, 300.0)
    later = in_order([Reading(T0 + 5000.0, "barrel-pressure", "pot_pressure", "barrel", 0.0, 0.0)])
    assert [active for _, _, active in damp([*log, *later])] == [True]


# ----------------------------------------------------------------------------------------------------------- the pot


def test_without_tank_probes_it_is_only_possible_and_begins_at_the_rule_of_a_quarter():
    # at 42 psi in a room at 1 atm: 14.70 / 56.70 = 25.9 %RH
    assert wet(weather(lambda t: 25.0, 600.0), TANKLESS) == []
    [found] = wet(weather(lambda t: 28.0, 600.0), TANKLESS)
    assert (found.basis, found.active) == ("possible", True)
    assert found.pot_rh_pct == pytest.approx(28.0 * 56.7 / 14.7, abs=1.5)
    assert found.subject == Subject(bench="north", pot="barrel")


def test_the_pot_dew_point_is_that_of_the_compressed_air():
    # 15 C, 50 %RH pressed to 3 bar gauge: 25.852 C by CoolProp's real humid air
    pots = tuple(replace(p, target_kpa=300.0) for p in BENCH.pots)
    place = replace(TANKLESS, bench=replace(TANKLESS.bench, pots=pots))
    [found] = wet(weather(lambda t: 50.0, 300.0, room_c=15.0), place)
    assert found.pot_dew_point_c == pytest.approx(25.852, abs=0.1)


def test_a_cool_tank_keeps_the_scenarios_first_load_dry():
    assert wet(weather(lambda t: 44.0, 600.0, 21.5, tank_c=21.5)) == []


def test_a_warm_tank_on_a_wet_day_wets_the_third_load_and_drying_both_ends_it():
    # load 3: 24.1 C, 64 %, tank 9 K warm; then dried to 50 % and cooled
    wet_part = weather(lambda t: 64.0, 600.0, 24.1, tank_c=33.1)
    [found] = wet(wet_part)
    # r + 100 Pg/(Pt + Patm) es(33.1)/es(24.1), es from the steam tables: 5065 and 3005 Pa
    assert found.pot_rh_pct == pytest.approx(64.0 + 100.0 * 289.6 / 791.3 * 5065.0 / 3005.0, abs=1.0)
    assert (found.basis, found.active) == ("measured", True)

    def rh(t):
        return 64.0 if t < 600 else 50.0

    log = [replace(e, value=24.1) if _late_tank(e) else e for e in weather(rh, 2400.0, 24.1, tank_c=33.1)]
    assert [f.active for f in wet(log)] == [True, False]


def _late_tank(event):
    return isinstance(event, Reading) and event.role == "tank_temperature" and event.t - T0 >= 600.0


def test_a_lost_tank_probe_falls_back_to_possible_and_says_so_once():
    log = [
        e for e in weather(lambda t: 44.0, 1500.0, 21.5, tank_c=21.5)
        if not (isinstance(e, Reading) and e.role == "tank_pressure" and e.t - T0 > 600.0)
    ]  # fmt: skip
    assert [(f.basis, f.active) for f in wet(log)] == [("possible", True)]


def test_each_pot_is_judged_at_its_own_target():
    barrel, drum = BENCH.pots
    place = replace(TANKLESS, bench=replace(TANKLESS.bench, pots=(barrel, replace(drum, target_kpa=100.0))))
    found = [f for f in watch(fresh(air, place), weather(lambda t: 40.0, 300.0)) if isinstance(f, AirWet)]
    assert [f.subject.pot for f in found] == ["barrel"]


def test_extreme_weather_never_raises():
    for room_c, rh_pct in ((69.0, 104.0), (-39.0, -1.0), (0.0, 0.0)):
        found = watch(fresh(air, TANKLESS), weather(lambda t, rh=rh_pct: rh, 120.0, room_c))
        assert all(-100.0 <= f.dew_point_c <= 100.0 for f in found)
        assert bool(found) == (rh_pct > 100.0)


def test_a_whole_day_of_loads_tells_of_the_damp_one_only():
    day = (Story(), Story(rh_pct=44.0, length_s=1300.0), Story(rh_pct=64.0, room_c=24.1, tank_c=33.1))
    found = watch(fresh(air, PLACE), day_log(day))
    assert [type(f).finding for f in found] == ["room_damp", "air_wet", "air_wet"]
    assert found[0].t - T0 > 2500.0
