"""Does thinning keep what a caster must see?"""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchd.core.model import Reading
from benchd.page.trace import Trace
from benchd.physics.decimation import thinned


def reading(t: float, value: float | None, channel: str = "pot") -> Reading:
    return Reading(t, channel, "pot_pressure", "barrel", value, value)


def test_one_point_a_second_the_last_one() -> None:
    trace = Trace()
    for t, value in ((10.0, 1.0), (10.4, 2.0), (10.9, 3.0), (11.0, 4.0), (11.5, None)):
        trace.see(reading(t, value))
    assert trace.between("pot", 0, 100) == [(10.9, 3.0), (11.0, 4.0)]
    assert trace.first_t("pot") == 10.9
    assert trace.between("cup", 0, 100) == []


def test_memory_is_bounded() -> None:
    trace = Trace(kept_s=100)
    for t in range(1000):
        trace.see(reading(float(t), 1.0))
    assert len(trace.between("pot", 0, 2000, most=5000)) == 100
    for number in range(200):
        trace.see(reading(1.0, 1.0, f"c{number}"))
    assert sum(trace.first_t(f"c{n}") is not None for n in range(200)) < 64


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=500), st.integers(2, 60))
def test_the_lowest_and_the_highest_survive_thinning(values: list[float], most: int) -> None:
    points = [(float(i), value) for i, value in enumerate(values)]
    thin = thinned(points, most)
    assert len(thin) <= max(most, 2)
    assert {min(values), max(values)} <= {value for _, value in thin}
    assert thin == sorted(thin)
