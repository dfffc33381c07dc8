"""The noise of a run of samples: white noise is found, whatever the quantity does meanwhile; holes and spikes are not.

Source of the constant: the standard normal's upper quartile, here from Python's `statistics.NormalDist`; that a sample
less half of each of two neighbours has 1.5 times the variance is elementary.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, sqrt
from statistics import NormalDist

import numpy as np
import pytest
from frozen_copy import frozen_copy

from benchd.physics.noise import BEND_TO_SD, ENOUGH, Noise


def measured(samples: Sequence[tuple[float, float]], most: int = 31) -> Noise:
    noise = Noise(most)
    for neighbours in zip(samples, samples[1:], samples[2:], strict=False):
        noise.see(*neighbours)
    return noise


def test_the_median_bend_of_white_noise() -> None:
    assert pytest.approx(NormalDist().inv_cdf(0.75) * sqrt(1.5), rel=1e-4) == BEND_TO_SD


@pytest.mark.parametrize("slope", [0.0, 7.0, -40.0])
def test_white_noise_on_a_slope_is_found(slope: float) -> None:
    """Uneven times too: a bend is measured against the line through both neighbours at the sample's own time."""
    rng = np.random.default_rng(5)
    times = np.cumsum(rng.uniform(0.8, 1.2, 4000))
    values = slope * times + rng.normal(0.0, 0.6, len(times))
    found = measured(list(zip(times.tolist(), values.tolist(), strict=True)), most=4000).sd
    assert found == pytest.approx(0.6, rel=0.06)


def test_the_steps_of_a_coarse_converter_count() -> None:
    """A rise of 0.37 steps a sample: 0.74 of all samples lie beside a step and bend by half of one, by counting.

    So the noise is half a step over BEND_TO_SD: never less than rounding's own 1 / sqrt(12) (uniform distribution).
    """
    found = measured([(float(i), float(round(0.37 * i))) for i in range(60)]).sd
    assert found == pytest.approx(0.5 / BEND_TO_SD)
    assert found > 1.0 / sqrt(12.0)


def test_one_spike_in_thirty_moves_nothing() -> None:
    quiet = [(float(i), 20.0 + 0.25 * (i % 2)) for i in range(33)]
    spiked = [(t, 900.0 if t == 15.0 else value) for t, value in quiet]
    assert measured(spiked).sd == measured(quiet).sd


def test_no_bend_across_a_hole_or_out_of_order() -> None:
    noise = measured([(0.0, 1.0), (1.0, 9.0), (4.0, 1.0)] * 20)
    assert not noise.is_known
    assert noise.sd == 0.0


def test_unknown_until_there_are_enough_and_again_after_forgetting() -> None:
    line = [(float(i), 0.5 * (i % 2)) for i in range(ENOUGH + 2)]
    noise = measured(line[:-1])
    assert (noise.is_known, noise.sd) == (False, 0.0)
    noise.see(*line[-3:])
    assert noise.is_known
    noise.forget()
    assert not noise.is_known


def test_memory_is_bounded_and_a_wild_value_can_be_stored() -> None:
    noise = measured([(float(i), inf if i % 5 == 0 else 1e300 * (i % 2)) for i in range(500)], most=31)
    assert len(noise._bends) == 31
    assert frozen_copy(noise) == noise
