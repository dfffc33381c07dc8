"""Raw volts, currents and counts as quantities: published scales, failure bands, cold junctions."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nearly import nearly

from benchd.core.bench import Channel, Sensor
from benchd.core.bench.context import bench_from_context, to_plain
from benchd.core.intake.calibrate import calibrate
from benchd.core.intake.sensor import off_as_made_c, scaled, wire_unit
from benchd.core.model import Context, Quality
from benchd.core.model.learned import Learned
from benchd.physics.thermocouple import Kind, ToleranceClass, emf_mv

ATM_KPA = 101.325
GOOD, SUSPECT, FAULT = Quality.GOOD, Quality.SUSPECT, Quality.FAULT


def ratiometric(full: float = 100.0, **more: Any) -> Sensor:
    return Sensor(kind="ratiometric", signal=(0.5, 4.5), span=(0.0, full), **more)


# P = (V / Vs - 0.1) / 0.8 of full scale, failed below 5 % and above 95 % of supply: 10-90 % transducers,
# common practice, no source; (full scale, V, supply V, value, failed)
RATIOMETRIC = [
    (100, 0.5, 5.0, 0.0, False), (100, 1.5, 5.0, 25.0, False), (100, 2.5, 5.0, 50.0, False),
    (100, 4.5, 5.0, 100.0, False), (100, 2.45, 4.9, 50.0, False), (100, 0.2, 5.0, -7.5, True),
    (100, 4.8, 5.0, 107.5, True), (100, 0.49, 4.9, 0.0, False), (100, 0.47, 5.0, -0.75, False),
    (150, 1.5, 5.0, 37.5, False), (150, 2.45, 4.9, 75.0, False), (150, 0.47, 5.0, -1.125, False),
    (150, 4.8, 5.0, 161.25, True), (200, 2.5, 5.0, 100.0, False), (200, 0.2, 5.0, -15.0, True),
    (200, 0.49, 4.9, 0.0, False),
]  # fmt: skip


@pytest.mark.parametrize(("full", "volts", "supply_v", "value", "failed"), RATIOMETRIC)
def test_a_ratiometric_transducer_follows_its_supply(
    full: int, volts: float, supply_v: float, value: float, failed: bool
) -> None:
    got, quality, why = scaled(ratiometric(float(full), beside="b1-5v"), volts, supply_v)
    assert quality is (FAULT if failed else GOOD)
    assert (got is None, bool(why)) == (failed, failed)
    if not failed:
        assert got == pytest.approx(value, abs=1e-9)


def test_without_a_supply_record_the_nominal_supply_is_taken() -> None:
    assert scaled(ratiometric(), 2.5, None) == (nearly(50.0), GOOD, "")
    assert scaled(ratiometric(), 2.45, 4.9)[0] == pytest.approx(48.75)


@pytest.mark.parametrize(
    ("supply_v", "why"),
    [(None, "supply b1-5v not heard"), (3.3, "supply at 3.3 V"), (0.0, "supply at 0 V"), (float("nan"), "supply at")],
)
def test_a_supply_that_is_not_heard_or_not_there_is_a_fault(supply_v: float | None, why: str) -> None:
    value, quality, told = scaled(ratiometric(beside="b1-5v"), 2.5, supply_v)
    assert (value, quality) == (None, FAULT)
    assert told.startswith(why)


LOOP = Sensor(kind="4-20 mA", signal=(0.004, 0.020), span=(0.0, 10.0))
# NAMUR NE 43 as told on secondary pages: measures 3.8 .. 20.5 mA, failure <= 3.6 or >= 21.0 mA; (mA, bar, quality)
NE_43 = [
    (2.0, -1.25, FAULT), (3.59, -0.25625, FAULT), (3.6, -0.25, FAULT), (3.7, -0.1875, SUSPECT), (3.8, -0.125, GOOD),
    (4.0, 0.0, GOOD), (8.0, 2.5, GOOD), (12.0, 5.0, GOOD), (20.0, 10.0, GOOD), (20.5, 10.3125, GOOD),
    (20.9, 10.5625, SUSPECT), (21.0, 10.625, FAULT), (25.0, 13.125, FAULT), (0.0, -2.5, FAULT),
]  # fmt: skip


@pytest.mark.parametrize("shunt_ohm", [None, 150.0, 165.0])
@pytest.mark.parametrize(("milliamperes", "bar", "quality"), NE_43)
def test_a_current_loop_tells_failure_and_doubt_apart(
    milliamperes: float, bar: float, quality: Quality, shunt_ohm: float | None
) -> None:
    raw = milliamperes / 1000.0 * (shunt_ohm or 1.0)
    got, found, why = scaled(Sensor(**{**to_plain(LOOP), "shunt_ohm": shunt_ohm}), raw, None)
    assert found is quality
    assert (why == "") is (quality is GOOD)
    assert got is None if quality is FAULT else got == pytest.approx(bar)
    if why:
        assert f"{milliamperes:.4g} mA" in why


def test_a_doubtful_loop_keeps_its_value_through_the_channel() -> None:
    sensor = Sensor(**{**to_plain(LOOP), "span": (0.0, 1000.0)})
    channel = Channel(id="p", source="b", senml="b-p", role="pot_pressure", sensor=sensor)
    value, quality, why = calibrate(channel, 0.0037, "A", ATM_KPA)
    assert (value, quality) == (nearly(-18.75), SUSPECT)
    assert "3.7 mA" in why
    assert calibrate(channel, 0.0037, "V", ATM_KPA) == (None, FAULT, "unit V, not A")


# type, cold junction C, hot C, measured mV = E(hot) - E(cold) of the ITS-90 reference functions (NIST Monograph 175),
# and what the voltage alone would read
COLD_JUNCTION = [
    ("K", 15, 20, 0.201148, 5.083), ("K", 23.5, 20, -0.141387, -3.592), ("K", 23.5, 90, 2.742372, 67.377),
    ("K", 25, 120, 3.919640, 95.734), ("K", 30, 20, -0.405155, -10.342), ("J", 15, 90, 3.964185, 75.866),
    ("J", 23.5, 90, 3.526762, 67.706), ("J", 20, 120, 5.341156, 101.329), ("T", 15, 90, 3.225044, None),
    ("T", 25, 120, 4.236472, None), ("T", 30, 20, -0.406835, None),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "cold_c", "hot_c", "mv", "naive_c"), COLD_JUNCTION)
def test_a_thermocouple_is_compensated_in_volts_and_in_counts(
    kind: Kind, cold_c: float, hot_c: float, mv: float, naive_c: float | None
) -> None:
    volts = Sensor(kind="thermocouple", type=kind, beside="b1-cj")
    assert scaled(volts, mv / 1000.0, cold_c) == (nearly(hot_c, abs=2e-5), GOOD, "")
    counts = Sensor(kind="thermocouple", type=kind, beside="b1-cj", v_per_count=1e-6)
    assert scaled(counts, mv * 1000.0, cold_c)[0] == pytest.approx(hot_c, abs=2e-5)
    if naive_c is not None:
        assert scaled(volts, mv / 1000.0, 0.0)[0] == pytest.approx(naive_c, abs=6e-4)


@pytest.mark.parametrize(
    ("raw_v", "cold_c", "why"),
    [
        (0.002, None, "cold junction b1-cj not heard"),
        (0.002, 127.9, "cold junction at 127.9 C"),
        (0.002, float("nan"), "cold junction at nan C"),
        (1.2, 25.0, "1200 mV is no voltage of type K: open or shorted"),
        (-0.9, 25.0, "-900 mV is no voltage of type K: open or shorted"),
    ],
)
def test_what_cannot_be_a_thermocouple_is_a_fault(raw_v: float, cold_c: float | None, why: str) -> None:
    assert scaled(Sensor(kind="thermocouple", type="K", beside="b1-cj"), raw_v, cold_c) == (None, FAULT, why)


# IEC 60584-1:2013, "Thermocouples - Part 1: EMF specifications and tolerances": the larger of C and share of |t|
@pytest.mark.parametrize(
    ("kind", "iec_class", "temp_c", "off_c"),
    [
        ("K", 1, 23.0, 1.5), ("K", 2, 100.0, 2.5), ("K", 2, 400.0, 3.0), ("J", 1, 400.0, 1.6), ("T", 1, 100.0, 0.5),
        ("T", 2, 200.0, 1.5), ("T", 3, -100.0, 1.5), ("T", 3, 100.0, None), ("J", 3, 20.0, None),
    ],
)  # fmt: skip
def test_how_far_a_new_thermocouple_may_be_off(
    kind: Kind, iec_class: ToleranceClass, temp_c: float, off_c: float | None
) -> None:
    sensor = Sensor(kind="thermocouple", type=kind, iec_class=iec_class)
    assert off_as_made_c(sensor, temp_c) == (None if off_c is None else pytest.approx(off_c))
    assert off_as_made_c(LOOP, temp_c) is None


def test_counts_lie_on_the_line_through_their_two_points_rising_or_falling() -> None:
    # a 10-bit converter referred to the transducer's own supply: 10 % is 102.3 counts, 90 % is 920.7
    pot = Sensor(kind="counts", signal=(102.3, 920.7), span=(0.0, 100.0))
    assert [scaled(pot, n, None)[0] for n in (102.3, 511.5, 920.7)] == [pytest.approx(p) for p in (0.0, 50.0, 100.0)]
    falling = Sensor(kind="counts", signal=(900.0, 100.0), span=(0.0, 40.0))
    assert scaled(falling, 300.0, None)[0] == pytest.approx(30.0)


# codes of thermocouple amplifiers' registers and the temperature they stand for, from datasheet tables: the 14-bit
# part's thermocouple field (bits 31..18, 0.25 C) out of whole frames, the 19-bit part's field (24 bits >> 5, 1/128 C)
FRAMES_14_BIT = [(0x64007F00, 1600.0), (0x3E806490, 1000.0), (0x064C1900, 100.75), (0x01900000, 25.0),
                 (0x0000FFF0, 0.0), (0xFFFCFF00, -0.25), (0xFFF0EC00, -1.0), (0xF060C900, -250.0)]  # fmt: skip
CODES_19_BIT = [(0x640000, 1600.0), (0x3E8000, 1000.0), (0x064F00, 100.9375), (0x019000, 25.0), (0x000100, 0.0625),
                (0xFFFF00, -0.0625), (0xFFF000, -1.0), (0xF06000, -250.0), (0x063FE0, 99.9921875)]  # fmt: skip


def signed(code: int, bits: int) -> int:
    return code - (1 << bits) if code >> (bits - 1) else code


def test_an_amplifiers_register_sent_as_it_stands_is_counts_with_two_points() -> None:
    by_quarters = Sensor(kind="counts", signal=(0.0, 400.0), span=(0.0, 100.0))
    for frame, temp_c in FRAMES_14_BIT:
        assert scaled(by_quarters, float(signed(frame >> 18, 14)), None)[0] == pytest.approx(temp_c, abs=1e-9)
    by_128 = Sensor(kind="counts", signal=(0.0, 12800.0), span=(0.0, 100.0))
    for code, temp_c in CODES_19_BIT:
        assert scaled(by_128, float(signed(code >> 5, 19)), None)[0] == pytest.approx(temp_c, abs=1e-9)


def test_an_absolute_transducer_becomes_gauge_and_the_casters_points_stand_in_gauge() -> None:
    sensor = Sensor(kind="ratiometric", signal=(0.5, 4.5), span=(0.0, 1000.0))
    channel = Channel(
        id="p", source="b", senml="b-p", role="pot_pressure", reference="absolute", sensor=sensor,
        calibration=((1.0, 0.0), (301.0, 303.0)),
    )  # fmt: skip
    raw_v = 0.5 + 4.0 * (95.0 + 151.0) / 1000.0
    assert calibrate(channel, raw_v, "V", 95.0) == (nearly(151.5), GOOD, "")


def test_a_context_carries_the_sensor_and_an_old_one_has_none() -> None:
    sensor = Sensor(kind="thermocouple", type="T", beside="b1-cj", v_per_count=7.8125e-6)
    channel = Channel(id="c", source="b", senml="b-c", role="cup_temperature", sensor=sensor)
    plain = to_plain(channel)
    assert plain["sensor"]["signal"] == [0.0, 1.0]
    config = {"id": "n", "shop": "s", "name": "N", "channels": [plain]}
    assert bench_from_context(Context(0.0, config, {}, {}, Learned(), (), "", "")).channels == (channel,)
    del plain["sensor"]
    assert bench_from_context(Context(0.0, config, {}, {}, Learned(), (), "", "")).channels[0].sensor is None


SENSORS = st.sampled_from([ratiometric(), ratiometric(beside="x"), LOOP, Sensor(kind="counts"),
                           Sensor(kind="thermocouple", type="K", beside="x"),
                           Sensor(kind="thermocouple", type="J", beside="x", v_per_count=1e-6)])  # fmt: skip


@given(SENSORS, st.floats(-1e30, 1e30), st.none() | st.floats())
def test_any_number_is_a_value_or_a_fault_with_a_reason(sensor: Sensor, raw: float, beside: float | None) -> None:
    channel = Channel(id="c", source="b", senml="b-c", role="cup_temperature", sensor=sensor)
    value, quality, why = calibrate(channel, raw, wire_unit(sensor), ATM_KPA, beside)
    assert (value is None) is (quality is FAULT)
    assert (why == "") is (quality is GOOD)
    if value is not None:
        assert -40.0 <= value <= 400.0


@given(st.sampled_from(["K", "J", "T"]), st.floats(-30.0, 350.0), st.floats(-30.0, 80.0))
def test_there_and_back_through_a_cold_junction(kind: Kind, hot_c: float, cold_c: float) -> None:
    volts = (emf_mv(kind, hot_c) - emf_mv(kind, cold_c)) / 1000.0
    assert scaled(Sensor(kind="thermocouple", type=kind, beside="x"), volts, cold_c)[0] == pytest.approx(
        hot_c, abs=1e-4
    )
