"""Are a cold junction's steps taken out of a record, and nothing that a probe, a resin or a converter can do?

What comes through a probe follows its lag, 1 - exp(-t / lag), from a second (the quickest probe in resin; common
practice, no source) upwards; a climb is an exponential, doubling in 10 s and more.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import product

import numpy as np
import pytest

from benchd.physics.junction_steps import JunctionSteps
from benchd.physics.probe_record import Second

NOISE_K = 0.1


def taken(of: Callable[[float], float], end_s: int = 120, code_k: float = 0.25, noise_k: float = NOISE_K, seed: int = 1,
          step_s: float = 1.0) -> tuple[list[Second], JunctionSteps]:  # fmt: skip
    """The seconds of `of` [C] as they are passed on, and the steps taken out."""
    rng, steps, out = np.random.default_rng(seed), JunctionSteps(), list[Second]()
    for t in np.arange(0.0, end_s, step_s).tolist():
        read_c = of(t) + float(rng.normal(0.0, noise_k))
        out += steps.see(Second(t, round(read_c / code_k) * code_k), max(noise_k, 0.08))
    return out, steps


def climb(t: float, doubling_s: float = 20.0) -> float:
    return 22.0 + 2.0 * math.exp(math.log(2.0) * min(t, 100.0) / doubling_s)


@pytest.mark.parametrize(
    ("step_k", "at_s"), [*product((-3.0, -1.5, 1.5, 3.0, 8.0), (20.5, 60.5)), (-3.0, 80.5), (3.0, 80.5), (8.0, 80.5)]
)
def test_a_step_of_the_junction_leaves_no_trace(step_k: float, at_s: float) -> None:
    got, steps = taken(lambda t: climb(t) + (step_k if t > at_s else 0.0))
    assert steps.offset_k == pytest.approx(step_k, abs=0.5)
    assert len(got) >= 118, "none is lost, two at most still wait"
    assert max(abs(x.temp_c - climb(x.t)) for x in got) < 0.8


def test_there_and_back_is_nothing() -> None:
    _, steps = taken(lambda t: climb(t) + (2.0 if 40.5 < t < 70.5 else 0.0))
    assert steps.offset_k == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize(("lag_s", "most"), [(1.0, 4), (2.0, 4), (4.0, 0)])
def test_what_comes_through_a_probes_lag_is_no_step(lag_s: float, most: int) -> None:
    """Put into resin, lifted, pushed deeper, at any moment within the second, 48 times: a quick one may
    now and then pass for a step, where noise hides its lag."""
    taken_for_steps = 0
    for by_k, seed in product((-6.0, -3.0, 2.0, 4.0), range(12)):
        put_s = 30.1 + seed / 12.0

        def felt(t: float, by_k: float = by_k, put_s: float = put_s) -> float:
            return climb(t) + (by_k * (1.0 - math.exp(-(t - put_s) / lag_s)) if t > put_s else 0.0)

        got, steps = taken(felt, seed=seed)
        taken_for_steps += steps.offset_k != 0.0
        assert [x.t for x in got] == [float(t) for t in range(len(got))], "each second is passed on, in order"
    assert taken_for_steps <= most


@pytest.mark.parametrize("doubling_s", [10.0, 20.0, 40.0])
@pytest.mark.parametrize("code_k", [0.01, 0.25, 0.5, 1.0, 2.0])
def test_no_climb_and_no_coarse_converter_is_a_step(doubling_s: float, code_k: float) -> None:
    """Up to 4 K/s, the steepest that casting resins are known for (common practice, no source), then level."""
    top_s = doubling_s * math.log2(4.0 * doubling_s / math.log(2.0) / 2.0)
    _, steps = taken(lambda t: climb(min(t, top_s), doubling_s), int(top_s) + 60, code_k, noise_k=0.05)
    assert steps.offset_k == 0.0


@pytest.mark.parametrize("seed", range(20))
def test_heavy_tails_seldom_agree_three_times(seed: int) -> None:
    """Student's t with three degrees of freedom: ten minutes without a step."""
    rng, steps = np.random.default_rng(seed), JunctionSteps()
    for t in range(600):
        steps.see(Second(float(t), 25.0 + 0.5 * float(rng.standard_t(3))), 0.55)
    assert steps.offset_k == 0.0


def test_nothing_is_judged_across_a_pause() -> None:
    _, steps = taken(lambda t: 25.0 + 0.01 * t + (3.0 if t > 50.0 else 0.0), 200, step_s=4.0)
    assert steps.offset_k == 0.0


def test_another_record_begins_without_steps() -> None:
    got, steps = taken(lambda t: climb(t) + (3.0 if t > 60.5 else 0.0))
    assert steps.offset_k != 0.0
    assert steps.see(Second(got[-1].t + 1.0, 90.0, starts_anew=True), NOISE_K)[0].temp_c == 90.0
    assert steps.offset_k == 0.0
