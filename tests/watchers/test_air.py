"""Damp rooms and wet air: levels, hysteresis, the tank's part, and the physics behind the numbers."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import psychrolib
import pytest
from nearly import nearly
from of_kind import as_kind, known
from watchers.bench_log import BENCH, T0, Story, day_log, fresh, in_order, places, watch

from benchd.core.bench import Channel
from benchd.core.findings import (
    AirFinding,
    AirWet,
    BatchWeighed,
    Event,
    Finding,
    LotsDamp,
    MoldWet,
    PotAtPressure,
    PotVented,
    PourEnded,
    PourStarted,
    RoomDamp,
)
from benchd.core.model import Reading, Subject
from benchd.core.seat.watcher import Place
from benchd.watchers import air

PLACE = places(air)[0]
TANKLESS = replace(
    PLACE, bench=replace(BENCH, channels=tuple(c for c in BENCH.channels if not c.role.startswith("tank")))
)


def weather(
    rh_of: Callable[[float], float],
    until_s: float,
    room_c: float = 21.5,
    tank_c: float | None = None,
    tank_kpa: float = 690.0,
    each_s: float = 5.0,
) -> list[Event]:
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


def damp(events: Sequence[Event], place: Place = PLACE, **settings: Any) -> list[tuple[int, str, bool]]:
    found = [f for f in watch(fresh(air, place, **settings), events) if isinstance(f, RoomDamp)]
    return [(round(f.t - T0), f.level, f.active) for f in found]


def wet(events: Sequence[Event], place: Place = PLACE) -> list[AirWet]:
    return [f for f in watch(fresh(air, place), events) if isinstance(f, AirWet) and f.subject.pot == "barrel"]


@pytest.mark.parametrize(("rh_pct", "level"), [(44.0, None), (49.0, None), (52.0, "warn"), (64.0, "hold-off")])
def test_the_scenarios_rooms(rh_pct: float, level: str | None) -> None:
    # warn above 50 % (published by resin makers), hold off above 60 % (common practice); the three loads' rooms
    found = damp(weather(lambda t: rh_pct, 900.0))
    assert found == ([] if level is None else [(nearly(20, abs=10), level, True)])


def test_the_numbers_are_the_rooms_median_and_its_dew_point() -> None:
    [found] = [f for f in watch(fresh(air, PLACE), weather(lambda t: 64.0, 300.0, 24.1)) if isinstance(f, RoomDamp)]
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert found.rh_pct == pytest.approx(64.0, abs=0.3)
    # PsychroLib (ASHRAE); 0.1 C for the probe noise of 0.2 %RH
    assert found.dew_point_c == pytest.approx(psychrolib.GetTDewPointFromRelHum(24.1, 0.64), abs=0.1)
    assert found.subject == Subject(bench="north")
    assert (found.basis, found.pot_rh_pct) == ("measured", None)


def test_it_ends_only_after_ten_minutes_below_the_limit_less_three() -> None:
    found = damp(weather(lambda t: 52.0 if t < 300 else 46.0, 2000.0))
    assert [(level, active) for _, level, active in found] == [("warn", True), ("warn", False)]
    assert found[1][0] == pytest.approx(300 + 30 + 600, abs=20)


def test_hovering_between_the_lines_keeps_it_on_and_quiet() -> None:
    assert damp(weather(lambda t: 52.0 if t % 400 < 200 else 47.8, 6000.0))[1:] == []


def test_each_change_of_level_is_told_once() -> None:
    def rh(t: float) -> float:
        return 44.0 if t < 300 else 53.0 if t < 600 else 63.0 if t < 900 else 55.0 if t < 2400 else 40.0

    found = damp(weather(rh, 4000.0))
    assert [(level, active) for _, level, active in found] == [
        ("warn", True),
        ("hold-off", True),
        ("warn", True),
        ("warn", False),
    ]


def test_a_draught_or_a_spike_is_smoothed_away() -> None:
    assert damp(weather(lambda t: 95.0 if 300 <= t < 320 else 44.0, 900.0)) == []


@pytest.mark.parametrize("each_s", [0.1, 1.0, 5.0, 30.0])
def test_any_reading_period_gives_the_same(each_s: float) -> None:
    found = damp(weather(lambda t: 52.0 if t < 300 else 46.0, 1500.0, each_s=each_s))
    assert [(level, active) for _, level, active in found] == [("warn", True), ("warn", False)]


def test_without_fresh_readings_nothing_changes() -> None:
    log = weather(lambda t: 52.0, 300.0)
    later = in_order([Reading(T0 + 5000.0, "barrel-pressure", "pot_pressure", "barrel", 0.0, 0.0)])
    assert [active for _, _, active in damp([*log, *later])] == [True]


# ----------------------------------------------------------------------------------------------------------- the pot


def test_without_tank_probes_it_is_only_possible_and_begins_at_the_rule_of_a_quarter() -> None:
    # at 42 psi in a room at 1 atm: 14.70 / 56.70 = 25.9 %RH
    assert wet(weather(lambda t: 25.0, 600.0), TANKLESS) == []
    [found] = wet(weather(lambda t: 28.0, 600.0), TANKLESS)
    assert (found.basis, found.active) == ("possible", True)
    assert found.pot_rh_pct == pytest.approx(28.0 * 56.7 / 14.7, abs=1.5)
    assert found.subject == Subject(bench="north", pot="barrel")


def test_the_pot_dew_point_is_that_of_the_compressed_air() -> None:
    # 15 C, 50 %RH pressed to 3 bar gauge: 25.852 C by CoolProp's real humid air
    pots = tuple(replace(p, target_kpa=300.0) for p in BENCH.pots)
    place = replace(TANKLESS, bench=replace(TANKLESS.bench, pots=pots))
    [found] = wet(weather(lambda t: 50.0, 300.0, room_c=15.0), place)
    assert found.pot_dew_point_c == pytest.approx(25.852, abs=0.1)


def test_a_cool_tank_keeps_the_scenarios_first_load_dry() -> None:
    assert wet(weather(lambda t: 44.0, 600.0, 21.5, tank_c=21.5)) == []


def test_a_warm_tank_on_a_wet_day_wets_the_third_load_and_drying_both_ends_it() -> None:
    # load 3: 24.1 C, 64 %, tank 9 K warm; then dried to 50 % and cooled
    wet_part = weather(lambda t: 64.0, 600.0, 24.1, tank_c=33.1)
    [found] = wet(wet_part)
    # r + 100 Pg/(Pt + Patm) es(33.1)/es(24.1), es from the steam tables: 5065 and 3005 Pa
    assert found.pot_rh_pct == pytest.approx(64.0 + 100.0 * 289.6 / 791.3 * 5065.0 / 3005.0, abs=1.0)
    assert (found.basis, found.active) == ("measured", True)

    def rh(t: float) -> float:
        return 64.0 if t < 600 else 50.0

    log = [_tank_cooled(e) for e in weather(rh, 2400.0, 24.1, tank_c=33.1)]
    assert [f.active for f in wet(log)] == [True, False]


def _tank_cooled(event: Event) -> Event:
    is_late_tank = isinstance(event, Reading) and event.role == "tank_temperature" and event.t - T0 >= 600.0
    return replace(as_kind(Reading, event), value=24.1) if is_late_tank else event


def test_a_tank_probe_that_is_only_late_is_waited_for() -> None:
    """Silent for two minutes and heard again: nothing is guessed from the compressor's own air meanwhile."""
    log = [
        e for e in weather(lambda t: 44.0, 1500.0, 21.5, tank_c=21.5)
        if not (isinstance(e, Reading) and e.role == "tank_pressure" and 600.0 < e.t - T0 < 720.0)
    ]  # fmt: skip
    assert wet(log) == []


def test_a_lost_tank_probe_falls_back_to_possible_and_says_so_once() -> None:
    log = [
        e for e in weather(lambda t: 44.0, 1500.0, 21.5, tank_c=21.5)
        if not (isinstance(e, Reading) and e.role == "tank_pressure" and e.t - T0 > 600.0)
    ]  # fmt: skip
    assert [(f.basis, f.active) for f in wet(log)] == [("possible", True)]


def test_each_pot_is_judged_at_its_own_target() -> None:
    barrel, drum = BENCH.pots
    place = replace(TANKLESS, bench=replace(TANKLESS.bench, pots=(barrel, replace(drum, target_kpa=100.0))))
    found = [f for f in watch(fresh(air, place), weather(lambda t: 40.0, 300.0)) if isinstance(f, AirWet)]
    assert [f.subject.pot for f in found] == ["barrel"]


def _steady(rh_pct: float, t: float) -> float:
    return rh_pct


def test_extreme_weather_never_raises() -> None:
    for room_c, rh_pct in ((69.0, 104.0), (-39.0, -1.0), (0.0, 0.0)):
        found = watch(fresh(air, TANKLESS), weather(partial(_steady, rh_pct), 120.0, room_c))
        assert all(-100.0 <= as_kind(AirFinding, f).dew_point_c <= 100.0 for f in found)
        assert bool(found) == (rh_pct > 100.0)


def test_a_whole_day_of_loads_tells_of_the_damp_one_only() -> None:
    day = (Story(), Story(rh_pct=44.0, length_s=1300.0), Story(rh_pct=64.0, room_c=24.1, tank_c=33.1))
    found = watch(fresh(air, PLACE), day_log(day))
    assert [type(f).finding for f in found] == ["room_damp", "air_wet", "air_wet"]
    assert found[0].t - T0 > 2500.0


def with_mold(
    mold_c_of: Callable[[float], float],
    until_s: float = 1800.0,
    room_c: float = 21.5,
    rh_pct: float = 60.0,
    tank_c: float | None = None,
) -> list[Event]:
    """The weather and a probe in mold m02."""
    events = weather(lambda s: rh_pct, until_s, room_c=room_c, tank_c=tank_c)
    for i in range(int(until_s / 5.0)):
        t = T0 + i * 5.0
        events.append(Reading(t, "m02-temperature", "mold_temperature", "m02", mold_c_of(i * 5.0), None))
    return in_order(events)


PROBED = replace(
    PLACE,
    bench=replace(
        BENCH,
        channels=(
            *TANKLESS.bench.channels,
            Channel(id="m02-temperature", source="board", senml="b1-m02", role="mold_temperature", of="m02"),
        ),
    ),
)


def sweating(events: Sequence[Event], place: Place = PROBED) -> list[MoldWet]:
    return [f for f in watch(fresh(air, place), events) if isinstance(f, MoldWet)]


def test_a_mold_colder_than_the_rooms_dew_point_is_told_and_ends_when_it_is_warmed() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    dew_c = psychrolib.GetTDewPointFromRelHum(21.5, 0.60)  # 13.4 C
    told = sweating(with_mold(lambda s: 10.0 if s < 900 else 40.0))
    assert [(f.where, f.active, f.subject.mold) for f in told] == [("room", True, "m02"), ("room", False, "m02")]
    assert told[0].dew_point_c == pytest.approx(dew_c, abs=0.1)
    assert told[0].mold_c == 10.0
    assert 900 < told[1].t - T0 < 1000


def test_a_cool_mold_that_only_the_pots_air_wets_is_told_as_that() -> None:
    # 20 C lies above the room's dew point of 13 C, below that of the same air at 42 psi, which is over 30 C
    (told,) = sweating(with_mold(lambda s: 18.0))
    assert (told.where, told.active) == ("pot", True)
    assert sweating(with_mold(lambda s: 21.4)) == []  # as warm as the room: the pot's walls, not the mold, take it
    assert sweating(with_mold(lambda s: 40.0)) == []


def test_the_air_of_a_wet_pot_has_no_class_and_a_dry_ones_has() -> None:
    found = wet(weather(lambda s: 40.0 if s < 600 else 5.0, 3000.0), TANKLESS)
    assert [f.active for f in found] == [True, False]
    assert found[0].water_class is None  # its dew point lies far above 10 C
    assert known(found[0].pot_dew_point_c) > 10.0
    dew_c = known(found[1].pot_dew_point_c)  # ISO 8573-1: 4 up to 3 C, 5 to 7, 6 to 10
    assert found[1].water_class == (4 if dew_c <= 3 else 5 if dew_c <= 7 else 6 if dew_c <= 10 else None)


def lots(rh_of: Callable[[float], float], until_s: float, opened: float | None) -> list[LotsDamp]:
    lot = replace(BENCH.lots[0], opened=opened)
    place = replace(PLACE, bench=replace(BENCH, lots=(lot,)))
    return [f for f in watch(fresh(air, place), weather(rh_of, until_s, each_s=10.0)) if isinstance(f, LotsDamp)]


def test_opened_lots_are_told_after_an_hour_of_damp_and_it_ends_with_the_damp() -> None:
    began, ended = lots(lambda s: 56.0 if s < 5400 else 40.0, 7200.0, T0 - 86400.0)
    assert (began.lots, began.active, ended.active) == (("r-07",), True, False)
    assert 3600 <= began.t - T0 <= 3700
    assert 6000 <= ended.t - T0 <= 6150  # ten minutes below the line first


def test_unopened_lots_and_a_dry_room_are_none() -> None:
    assert lots(lambda s: 56.0, 5400.0, None) == []
    assert lots(lambda s: 45.0, 5400.0, T0 - 86400.0) == []


def test_a_tank_its_compressor_warms_says_nothing_of_a_pot_already_full() -> None:
    """44 %RH at 21.5 C, by hand: from a tank of 690 kPa at 21.5 C 44 + 290/791 x 100 = 81 %, dry; from one at 40 C,
    whose air holds 7.38/2.57 kPa (psychrometric tables) = 2.9 times the vapour, 44 + min(126, 105) = 149 %, wet."""
    where = Subject(bench=BENCH.id, pot="barrel")
    cool = weather(lambda _: 44.0, 120.0, tank_c=21.5)
    warm = [replace(e, t=e.t + 125.0) for e in weather(lambda _: 44.0, 1000.0, tank_c=40.0)]
    up = PotAtPressure(t=T0 + 122.0, subject=where, kpa=290.0, since=T0 + 117.0, margin_s=None)
    down = PotVented(t=T0 + 350.0, subject=where, kpa=0.0, near_zero=True, vent_s=30.0)

    def wet(*findings: Finding) -> list[int]:
        told = watch(fresh(air, PLACE), in_order([*cool, *warm, *findings]))
        return [round(f.t - T0) for f in told if isinstance(f, AirWet) and f.subject.pot == "barrel" and f.active]

    assert wet()[0] < 200  # a pot still to be filled: it would be wet
    assert wet(up) == []
    assert 950 <= wet(up, down)[0] <= 965  # so is the next load's, but not while this one's parts come out
    out = PourEnded(t=T0 + 500.0, subject=where.filled(cup="cup-1", pour="cup-1-1"), why="demolded")
    assert 500 <= wet(up, down, out)[0] <= 515


def test_a_tank_that_cools_is_judged_by_what_it_will_be_when_the_next_fill_can_be() -> None:
    """Over a room of 21.5 C at 44 %RH a tank of 690 kPa wets the pot from 28.6 C on: 44 + 290/791 x 3.92/2.57 = 100 %
    (kPa of saturation by psychrometric tables).  From 33.5 C with an hour's time constant it is dry after half an hour.
    """
    where = Subject(bench=BENCH.id, pot="barrel")
    down = PotVented(t=T0 + 100.0, subject=where, kpa=0.0, near_zero=True, vent_s=30.0)
    up = PotAtPressure(t=T0, subject=where, kpa=290.0, since=T0, margin_s=None)

    def falling(reading: Event) -> Event:
        if not isinstance(reading, Reading) or reading.role != "tank_temperature":
            return reading
        return replace(reading, value=21.5 + 12.0 * math.exp((T0 - reading.t) / 3490.0))

    def wet(*findings: Finding) -> list[int]:
        readings = [falling(reading) for reading in weather(lambda _: 44.0, 2400.0, tank_c=33.5)]
        told = watch(fresh(air, PLACE), in_order([*readings, up, down, *findings]))
        return [round(f.t - T0) for f in told if isinstance(f, AirWet) and f.subject.pot == "barrel" and f.active]

    def out(s: float) -> Finding:
        return PourEnded(t=T0 + s, subject=where.filled(cup="cup-1", pour="cup-1-1"), why="demolded")

    assert 600 <= wet(out(600.0))[0] <= 615, "wet in ten minutes still: said as the last part is out"
    assert 700 <= wet()[0] <= 715, "or ten minutes after the vent"
    weighed = BatchWeighed(t=T0 + 400.0, subject=where, a_g=50.0, b_g=45.0, ratio_error=0.0, side="good", lot=None)
    assert 400 <= wet(weighed)[0] <= 415, "at once, where the next batch is on the scale"
    quick = [replace(down, t=T0 + 1250.0), out(1400.0)]
    assert wet(replace(up, t=T0 + 200.0), *quick) == [], "it will have dried by itself"


def test_who_fills_again_before_the_tank_has_cooled_hears_of_its_air_sooner_the_next_time() -> None:
    """45 to 40 C in 50 minutes over a room of 21.5 C at 44 %RH: wet all the while (see above)."""
    where = Subject(bench=BENCH.id, pot="barrel")

    def load(t: float, number: int) -> list[Finding]:
        """Mixed at t, up two minutes later, vented after ten, the last part out five minutes after that [s]."""
        pour = where.filled(cup="cup-1", pour=f"cup-1-{number}")
        mix = PourStarted(t=T0 + t, subject=pour, mix_t=T0 + t, lot=None, molds=(), inferred=False, number=number)
        up = PotAtPressure(t=T0 + t + 120.0, subject=where, kpa=290.0, since=T0 + t + 115.0, margin_s=None)
        down = PotVented(t=T0 + t + 600.0, subject=where, kpa=0.0, near_zero=True, vent_s=30.0)
        return [mix, up, down, PourEnded(t=T0 + t + 900.0, subject=pour, why="demolded")]

    def tank_c(s: float) -> float:
        return 21.5 if s < 125.0 else 45.0 - 5.0 / 3000.0 * s

    readings = [
        replace(e, value=tank_c(e.t - T0)) if isinstance(e, Reading) and e.role == "tank_temperature" else e
        for e in weather(lambda _: 44.0, 3000.0, tank_c=45.0)
    ]

    def wet(*starts: float) -> list[int]:
        loads = [f for number, t in enumerate(starts) for f in load(t, number)]
        told = watch(fresh(air, PLACE, next_fill_s=40_000.0), in_order([*readings, *loads]))  # dry by then
        return [round(f.t - T0) for f in told if isinstance(f, AirWet) and f.subject.pot == "barrel" and f.active]

    assert 2400 <= wet(0.0)[0] <= 2415, "half an hour after the vent"
    assert 2100 <= wet(0.0, 1200.0)[0] <= 2115, "once this load's last part is out"


def test_a_room_that_eases_from_hold_off_to_warn_says_so() -> None:
    """Above 60 %RH hold off, above 50 warn (published, and common practice); dried to 55 it is less damp, not anew."""
    told = watch(fresh(air, PLACE), weather(lambda s: 64.0 if s < 300.0 else 55.0, 1500.0))
    damp = [(f.level, f.eased) for f in told if isinstance(f, RoomDamp) and f.active]
    assert damp == [("hold-off", False), ("warn", True)]
