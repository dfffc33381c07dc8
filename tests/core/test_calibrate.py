"""Units, references, calibration points and ranges of one channel."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from nearly import nearly
from of_kind import known

from benchd.core.bench import ROLES, Channel
from benchd.core.intake.calibrate import PLAUSIBLE, SENML_UNIT, calibrate, corrected, limits
from benchd.core.model import Quality

ATM_KPA = 101.325


def channel(role: str = "cup_temperature", **more: Any) -> Channel:
    return Channel(id="x", source="b", senml="b-x", role=role, **more)


def good(value: float) -> tuple[float, Quality, str]:
    return (nearly(value), Quality.GOOD, "")


def test_each_role_has_a_unit_and_a_plausible_range() -> None:
    assert set(PLAUSIBLE) == set(ROLES)
    assert set(SENML_UNIT) == set(ROLES.values())
    assert all(low < high for low, high in PLAUSIBLE.values())


@pytest.mark.parametrize(
    ("role", "value", "unit", "expected"),
    [
        ("cup_temperature", 23.5, "Cel", 23.5),
        ("room_humidity", 44.0, "%RH", 44.0),
        ("scale", 159.5, "g", 159.5),
        ("pot_pressure", 289579.8, "Pa", 289.5798),  # 42 psi; NIST SP 811: 1 psi = 6894.757 Pa
        ("barometer", 101325.0, "Pa", 101.325),  # stays absolute
    ],
)
def test_units_are_converted_once(role: str, value: float, unit: str, expected: float) -> None:
    assert calibrate(channel(role), value, unit, ATM_KPA) == good(expected)


def test_an_absolute_pressure_becomes_gauge_and_a_barometer_never_does() -> None:
    assert calibrate(channel("pot_pressure", reference="absolute"), 101325.0, "Pa", ATM_KPA) == good(0.0)
    assert calibrate(channel("pot_pressure", reference="absolute"), 384325.0, "Pa", 95.0) == good(289.325)
    assert calibrate(channel("barometer", reference="absolute"), 95000.0, "Pa", ATM_KPA) == good(95.0)


@pytest.mark.parametrize("unit", ["K", "kPa", "Pa", "", None, "cel"])
def test_a_wrong_unit_is_a_fault_that_names_it(unit: str | None) -> None:
    value, quality, why = calibrate(channel(), 20.0, unit, ATM_KPA)
    assert (value, quality) == (None, Quality.FAULT)
    assert "Cel" in why
    assert (unit or "missing") in why


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf, 10**400])
def test_what_is_no_number_is_a_fault(value: float | None) -> None:
    assert calibrate(channel(), value, "Cel", ATM_KPA) == (None, Quality.FAULT, "not a number")


POINTS = ((0.0, 0.5), (100.0, 99.0), (200.0, 205.0))


@pytest.mark.parametrize(
    ("raw", "true"), [(0.0, 0.5), (50.0, 49.75), (100.0, 99.0), (150.0, 152.0), (-100.0, -98.0), (300.0, 311.0)]
)
def test_calibration_is_straight_between_its_points_and_goes_on_beyond_them(raw: float, true: float) -> None:
    assert corrected(POINTS, raw) == pytest.approx(true)


def test_one_point_is_an_offset_and_the_order_of_points_does_not_matter() -> None:
    assert corrected(((20.0, 21.5),), 80.0) == pytest.approx(81.5)
    assert corrected(tuple(reversed(POINTS)), 50.0) == corrected(POINTS, 50.0)
    assert corrected(((5.0, 1.0), (5.0, 7.0)), 6.0) == pytest.approx(8.0)


def test_calibration_points_are_in_the_shown_unit() -> None:
    gauge = channel("pot_pressure", reference="absolute", calibration=((0.0, 2.0), (300.0, 303.0)))
    assert calibrate(gauge, 251325.0, "Pa", ATM_KPA) == good(2.0 + 150.0 * 301.0 / 300.0)


def test_range_is_the_channels_own_else_the_roles() -> None:
    own = channel("pot_pressure", low=-5.0, high=700.0)
    assert limits(own) == (-5.0, 700.0)
    assert limits(channel("pot_pressure", high=700.0)) == (PLAUSIBLE["pot_pressure"][0], 700.0)
    assert calibrate(own, 700_000.0, "Pa", ATM_KPA) == good(700.0)
    assert calibrate(own, 700_100.0, "Pa", ATM_KPA) == (None, Quality.FAULT, "above range: 700.1 kPa")
    assert calibrate(own, -6000.0, "Pa", ATM_KPA) == (None, Quality.FAULT, "below range: -6 kPa")
    assert calibrate(channel(), 2047.75, "Cel", ATM_KPA)[1] is Quality.FAULT


@given(
    st.sampled_from(sorted(ROLES)),
    st.one_of(st.none(), st.floats(), st.integers(-(10**400), 10**400)),
    st.one_of(st.none(), st.sampled_from(["Cel", "Pa", "%RH", "g", "V", "A", "s"]), st.text(max_size=5)),
    st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), max_size=4).map(tuple),
    st.sampled_from(["gauge", "absolute"]),
)
def test_whatever_comes_it_is_a_good_finite_value_in_range_or_a_fault_with_a_reason(
    role: str, value: float | None, unit: str | None, points: tuple[tuple[float, float], ...], reference: str
) -> None:
    ch = channel(role, calibration=points, reference=reference)
    got, quality, why = calibrate(ch, value, unit, ATM_KPA)
    if quality is Quality.GOOD:
        low, high = limits(ch)
        assert low <= known(got) <= high
        assert why == ""
    else:
        assert quality is Quality.FAULT
        assert got is None
        assert why
