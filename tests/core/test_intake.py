"""Raw channels through the intake: supplies and cold junctions are records of the same board, fresh and sound."""

from dataclasses import replace

import pytest
from core.bench_double import BENCH, T0, line
from frozen_copy import frozen_copy
from nearly import nearly

from benchd.core.bench import Sensor
from benchd.core.intake.intake import Intake
from benchd.core.intake.wire import encode
from benchd.core.model import Line, Quality, Reading

CUP, POT, _ = BENCH.channels
RAW = replace(
    BENCH,
    channels=(
        replace(CUP, sensor=Sensor(kind="thermocouple", type="K", beside="b1-cj")),
        replace(POT, sensor=Sensor(kind="ratiometric", signal=(0.5, 4.5), span=(0.0, 1000.0), beside="b1-5v")),
    ),
)


def fresh() -> Intake:
    intake = Intake()
    intake.configure(RAW)
    return intake


def readings(intake: Intake, seq: int, after_s: float = 0.0, **values: tuple[float, str | None]) -> dict[str, Reading]:
    found, _, _ = intake.take(Line(T0 + after_s, "board", line=line(seq, **values)))
    return {r.channel: r for r in found}


def test_the_cold_junction_may_stand_after_what_needs_it_on_the_line() -> None:
    # 2.742372 mV with terminals at 23.5 C is 90 C: ITS-90, NIST Monograph 175
    cup = readings(fresh(), 1, cup=(0.002742372, "V"), cj=(23.5, "Cel"))["cup-1-temperature"]
    assert (cup.value, cup.quality) == (nearly(90.0, abs=1e-4), Quality.GOOD)
    assert cup.raw == 0.002742372


def test_it_holds_for_lines_without_it_until_it_is_stale() -> None:
    intake = fresh()
    readings(intake, 1, cj=(23.5, "Cel"))
    assert readings(intake, 2, 29.0, cup=(0.002742372, "V"))["cup-1-temperature"].quality is Quality.GOOD
    stale = readings(intake, 3, 31.0, cup=(0.002742372, "V"))["cup-1-temperature"]
    assert (stale.value, stale.quality, stale.why) == (None, Quality.FAULT, "cold junction b1-cj not heard")


def test_a_board_that_cannot_read_it_takes_it_away_at_once() -> None:
    intake = fresh()
    readings(intake, 1, cup=(0.0027, "V"), cj=(23.5, "Cel"))
    told = encode([("fault", None, "cj open", None)], board="b1-", seq=2).decode().rstrip("\n")
    intake.take(Line(T0 + 1, "board", line=told))
    assert readings(intake, 3, 2.0, cup=(0.0027, "V"))["cup-1-temperature"].quality is Quality.FAULT


def test_a_record_in_the_wrong_unit_or_of_another_board_is_not_taken() -> None:
    intake = fresh()
    assert readings(intake, 1, 0.0, pot=(2.5, "V"), **{"5v": (5.0, "A")})["barrel-pressure"].quality is Quality.FAULT
    supplied = readings(intake, 2, 0.0, pot=(2.45, "V"), **{"5v": (4.9, "V")})
    assert supplied["barrel-pressure"].value == pytest.approx(500.0)
    other = encode([("5v", 4.9, None, "V")], board="b2-", seq=1).decode().rstrip("\n")
    late = Intake()
    late.configure(RAW)
    late.take(Line(T0, "board", line=other))
    assert readings(late, 1, pot=(2.45, "V"))["barrel-pressure"].why == "supply b1-5v not heard"


def test_what_stands_beside_outlives_a_checkpoint_and_a_new_context() -> None:
    intake = fresh()
    readings(intake, 1, cj=(23.5, "Cel"))
    thawed = frozen_copy(intake)
    thawed.configure(RAW)
    assert readings(thawed, 2, 1.0, cup=(0.002742372, "V"))["cup-1-temperature"].value == pytest.approx(90.0, abs=1e-4)
