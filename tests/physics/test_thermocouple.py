"""Types K, J, T against the published NIST tables, an independent package, and their own inverse."""

import math
from collections.abc import Callable

import pytest
import thermocouples

from benchd.physics.thermocouple import (
    Kind,
    ToleranceClass,
    compensated_c,
    emf_mv,
    range_c,
    temperature_c,
    tolerance_c,
)

# NIST Standard Reference Database 60 / Monograph 175, table values in mV at C, reference junction 0 C
TEMPS_C = (-50, -20, -10, 0, 5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 100, 110, 120, 130, 140, 150, 175, 200, 250, 300, 350)  # fmt: skip # noqa: E501
TABLE_MV: dict[Kind, tuple[float, ...]] = {
    "K": (-1.889, -0.778, -0.392, 0.000, 0.198, 0.397, 0.597, 0.798, 1.000, 1.203, 1.612, 2.023, 2.436, 2.851, 3.267,
          3.682, 4.096, 4.509, 4.920, 5.328, 5.735, 6.138, 7.140, 8.138, 10.153, 12.209, 14.293),
    "J": (-2.431, -0.995, -0.501, 0.000, 0.253, 0.507, 0.762, 1.019, 1.277, 1.537, 2.059, 2.585, 3.116, 3.650, 4.187,
          4.726, 5.269, 5.814, 6.360, 6.909, 7.459, 8.010, 9.392, 10.779, 13.555, 16.327, 19.090),
    "T": (-1.819, -0.757, -0.383, 0.000, 0.195, 0.391, 0.589, 0.790, 0.992, 1.196, 1.612, 2.036, 2.468, 2.909, 3.358,
          3.814, 4.279, 4.750, 5.228, 5.714, 6.206, 6.704, 7.977, 9.288, 12.013, 14.862, 17.819),
}  # fmt: skip
# the same source, uV/C
SEEBECK = [("K", 20, 40.329), ("K", 100, 41.369), ("K", 300, 41.446), ("J", 20, 51.502), ("J", 150, 55.180),
           ("T", 20, 40.265), ("T", -20, 36.896), ("T", 350, 60.159)]  # fmt: skip
# measured mV = E(hot) - E(cold) from the same functions, (type, cold junction C, hot C, mV)
COLD_JUNCTION = [
    ("K", 15, 20, 0.201148), ("K", 15, 90, 3.084907), ("K", 20, 20, 0.0), ("K", 23.5, 20, -0.141387),
    ("K", 23.5, 60, 1.496965), ("K", 25, 120, 3.919640), ("K", 30, 20, -0.405155), ("K", 30, 90, 2.478604),
    ("J", 15, 60, 2.353376), ("J", 23.5, 40, 0.859132), ("J", 30, 20, -0.517504), ("J", 30, 120, 4.823652),
    ("T", 15, 90, 3.225044), ("T", 23.5, 60, 1.537102), ("T", 25, 120, 4.236472), ("T", 30, 20, -0.406835),
]  # fmt: skip
KINDS: tuple[Kind, ...] = ("K", "J", "T")


@pytest.mark.parametrize("kind", KINDS)
def test_forward_rounds_to_the_published_table(kind: Kind) -> None:
    assert [round(emf_mv(kind, t), 3) + 0.0 for t in TEMPS_C] == list(TABLE_MV[kind])


def _uv_per_c(kind: Kind, temp_c: float) -> float:
    """The sensitivity dE/dT, as the reference function has it there: a difference quotient over 2 mK."""
    return (emf_mv(kind, temp_c + 1e-3) - emf_mv(kind, temp_c - 1e-3)) / 2e-3 * 1000.0


@pytest.mark.parametrize(("kind", "temp_c", "uv_per_c"), SEEBECK)
def test_sensitivity_is_the_published_one(kind: Kind, temp_c: float, uv_per_c: float) -> None:
    assert _uv_per_c(kind, temp_c) == pytest.approx(uv_per_c, abs=0.0006)


@pytest.mark.parametrize("kind", KINDS)
def test_forward_agrees_with_an_independent_package_over_the_whole_range(kind: Kind) -> None:
    # the package `thermocouples`, its forward direction (volts); its inverse is known to be wrong
    other = thermocouples.get_thermocouple(kind)
    low_c, high_c = range_c(kind)
    temps = [low_c + (high_c - low_c) * i / 300 for i in range(301)]
    worst_mv = max(abs(emf_mv(kind, t) - 1000.0 * other.temp_to_volt(t)) for t in temps)
    assert worst_mv < 0.0005


@pytest.mark.parametrize("kind", KINDS)
def test_table_voltages_invert_to_their_temperature_within_the_tables_rounding(kind: Kind) -> None:
    for temp_c, mv in zip(TEMPS_C, TABLE_MV[kind], strict=True):
        rounding_c = 0.0005 / _uv_per_c(kind, temp_c) * 1000.0
        assert temperature_c(kind, mv) == pytest.approx(temp_c, abs=rounding_c * 1.1)


@pytest.mark.parametrize("kind", KINDS)
def test_there_and_back_within_a_hundredth_over_the_whole_range(kind: Kind) -> None:
    low_c, high_c = range_c(kind)
    temps = [low_c + (high_c - low_c) * i / 2000 for i in range(2001)]
    assert max(abs(temperature_c(kind, emf_mv(kind, t)) - t) for t in temps) < 0.01


@pytest.mark.parametrize("kind", KINDS)
def test_pieces_meet_without_a_step(kind: Kind) -> None:
    joint_c = 760.0 if kind == "J" else 0.0
    assert emf_mv(kind, joint_c + 1e-9) == pytest.approx(emf_mv(kind, joint_c - 1e-9), abs=1e-6)


@pytest.mark.parametrize(("kind", "cold_c", "hot_c", "mv"), COLD_JUNCTION)
def test_cold_junction_is_compensated_in_voltage(kind: Kind, cold_c: float, hot_c: float, mv: float) -> None:
    assert compensated_c(kind, mv, cold_c) == pytest.approx(hot_c, abs=0.001)


def test_leaving_the_cold_junction_out_is_badly_wrong() -> None:
    # the same published set: type K, terminals 23.5 C, cup 90 C reads 67.377 C uncompensated
    assert temperature_c("K", 2.742372) == pytest.approx(67.377, abs=0.01)
    assert compensated_c("K", 2.742372, 23.5) == pytest.approx(90.0, abs=0.001)


# IEC 60584-1:2013 tolerance table, the greater of the fixed and the relative part
@pytest.mark.parametrize(
    ("kind", "klass", "temp_c", "expected_c"),
    [("K", 1, 100, 1.5), ("K", 1, 500, 2.0), ("K", 2, 100, 2.5), ("K", 2, 400, 3.0), ("K", 3, -190, 2.85),
     ("J", 2, 700, 5.25), ("T", 1, 100, 0.5), ("T", 1, 200, 0.8), ("T", 2, 120, 1.0), ("T", 3, -100, 1.5)],
)  # fmt: skip
def test_tolerance_classes(kind: Kind, klass: ToleranceClass, temp_c: float, expected_c: float) -> None:
    assert tolerance_c(kind, klass, temp_c) == pytest.approx(expected_c)


def test_out_of_range_is_refused() -> None:
    calls: tuple[Callable[[], float], ...] = (
        lambda: emf_mv("K", 1373.0),
        lambda: emf_mv("T", math.nan),
        lambda: temperature_c("J", 70.0),
        lambda: temperature_c("K", math.inf),
        lambda: tolerance_c("T", 1, 400.0),
        lambda: tolerance_c("J", 3, 0.0),
    )
    for call in calls:
        with pytest.raises(ValueError, match=r"outside|no class"):
            call()
