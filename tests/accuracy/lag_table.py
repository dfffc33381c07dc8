"""How often a body warmed through equal lags in a row passes for a reaction in a marked cup.

Judged by the finder that knows no resin (physics/past_kick.py) and the shape of its climb (physics/climb_shape.py):

    PYTHONPATH=tests python tests/accuracy/lag_table.py [FIRST SEED]

The closed form: n equal lags answer a step with the gamma distribution's cumulative probability.  54 courses of each n:
lags of 20, 40 and 60 s, six heights from 50 to 120 K, three seeds of 0.3 K of noise at a reading a second.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.stats import gamma

from benchd.physics.climb_shape import ClimbShape
from benchd.physics.past_kick import PastKick

START_C, NOISE_K = 22.0, 0.3
LAGS_S, HEIGHTS_K, SEEDS = (20.0, 40.0, 60.0), (50.0, 64.0, 78.0, 92.0, 106.0, 120.0), 3


def passes(lags: int, lag_s: float, by_k: float, seed: int) -> bool:
    """Whether one such body is taken for a reaction at any time."""
    past, shape, noise = PastKick(), ClimbShape(), np.random.default_rng([seed, lags, int(lag_s), int(by_k)])
    times_s = np.arange(0.0, 60.0 + 12.0 * lags * lag_s)
    curve = START_C + by_k * gamma(lags, scale=lag_s).cdf(times_s - 60.0) + noise.normal(0.0, NOISE_K, len(times_s))
    for t, temp_c in zip(times_s.tolist(), curve.tolist(), strict=True):
        past.see(t, temp_c, NOISE_K, False)
        shape.see(t, temp_c)
        if past.found is not None and shape.is_reaction(is_marked=True, start_c=START_C):
            return True
    return False


def main(first: int) -> None:
    print("| lags in a row | courses | pass | lag and height of those |\n|---|---|---|---|")
    for lags in (1, 2, 3, 4, 5):
        courses = [(s, k, first + i) for s in LAGS_S for k in HEIGHTS_K for i in range(SEEDS)]
        taken = [f"{s:g} s {k:g} K" for s, k, seed in courses if passes(lags, s, k, seed)]
        print(f"| {lags} | {len(courses)} | {len(taken)} | {', '.join(taken)} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 0)
