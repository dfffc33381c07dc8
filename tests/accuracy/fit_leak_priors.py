"""Where do the numbers in benchd/physics/leak_priors.py come from?  Run: python tests/accuracy/fit_leak_priors.py

Ninety simulated pots, five tight fills each, watched for fifteen minutes with wide priors; then an expectation
maximisation over two levels, shape of a fill ~ N(shape of its pot, within), shape of a pot ~ N(mean, between).
Building seeds 1 to 99; the scorecard's are apart.  Writes the module to standard output.
"""

from __future__ import annotations

import math
import sys
from multiprocessing import Pool
from typing import Any

import numpy as np
from leak_runs import BUILD_SEEDS, watched
from rehearsed import pots as population

from benchd.physics import leak_bank
from benchd.physics.leak_bank import SHAPES, Prior

POTS, FILLS, UNTIL_S, ROUNDS = 90, 5, 900.0, 60
WIDE_SD = np.array([1.0, 0.1, 0.01, 0.03, 0.03, 0.03, 0.03])
WIDE_TAU_S, WIDE_TAU_LN = 25.0, 0.6
TIGHT_SD = 0.012 / 56.7  # what a gauge's own drift may look like, as a leak

HEAD = '''"""What shapes do simulated pots show, and how do they differ?  Written by tests/accuracy/fit_leak_priors.py.

Order of the seven: warmth, skin, soak, drift, hump_0, hump_1, hump_2 (see leak_bank.STATES).
"""

from __future__ import annotations

from dataclasses import dataclass

Rows = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Shipped:
    """Mean shapes, covariances between pots and between fills, and the cooling time's ln mean and sd."""

    mean: tuple[float, ...]
    between: Rows
    within: Rows
    tau_ln_mean: float
    tau_ln_sd: float


SHIPPED: dict[str, Shipped] = {'''


def informed(args: tuple[int, str]) -> list[tuple[Any, Any, int]]:
    """Of each pot's fill: the information its shapes gained, the same times their size, and the likeliest tau."""
    seed, kind = args
    leak_bank.LEAK_SD, leak_bank.WALK_SD = TIGHT_SD, 0.0
    likely = -0.5 * ((np.log(leak_bank.TAUS_S) - math.log(WIDE_TAU_S)) / WIDE_TAU_LN) ** 2
    wide = Prior(np.zeros(SHAPES), np.diag(WIDE_SD**2), np.zeros((SHAPES, SHAPES)), likely)
    pots = population.draw_pots(POTS, BUILD_SEEDS[0])
    fills = population.draw_fills(pots, seed, empty=kind == "empty")
    heard = population.record(pots, fills, UNTIL_S + 300.0, seed)
    out = []
    for k in range(POTS):
        bank = watched(heard, fills, k, UNTIL_S, bare=wide, probed=wide, use_probe=kind == "probed")[0].bank
        assert bank is not None
        best = int(np.argmax(bank.weights()))
        inverse = np.linalg.inv(bank.cov[2:, 2:, best])
        out.append((inverse - np.diag(1 / WIDE_SD**2), inverse @ bank.mean[2:, best], best))
    return out


def maximised(gained: Any, sized: Any) -> tuple[Any, Any, Any]:
    """(mean, between, within) of the two levels; gained (fills, pots, 7, 7), sized (fills, pots, 7)."""
    size, fills, pots = SHAPES, gained.shape[0], gained.shape[1]
    mean, between, within = np.zeros(size), np.diag((WIDE_SD / 4) ** 2), np.diag((WIDE_SD / 4) ** 2)
    for _ in range(ROUNDS):
        sums = np.zeros(size), np.zeros((size, size)), np.zeros((size, size))
        b_inv, w_inv = np.linalg.inv(between), np.linalg.inv(within)
        for k in range(pots):
            joint, right = np.zeros((size * (fills + 1),) * 2), np.zeros(size * (fills + 1))
            joint[:size, :size], right[:size] = b_inv + fills * w_inv, b_inv @ mean
            for f in range(fills):
                s = slice(size * (f + 1), size * (f + 2))
                joint[s, s], joint[:size, s], joint[s, :size], right[s] = (
                    w_inv + gained[f, k], -w_inv, -w_inv, sized[f, k],
                )  # fmt: skip
            cov = np.linalg.inv((joint + joint.T) / 2)
            x = cov @ right
            sums[0][:] += x[:size]
            sums[1][:] += cov[:size, :size] + np.outer(x[:size] - mean, x[:size] - mean)
            for f in range(fills):
                s, off = slice(size * (f + 1), size * (f + 2)), x[size * (f + 1) : size * (f + 2)] - x[:size]
                sums[2][:] += cov[s, s] + cov[:size, :size] - cov[s, :size] - cov[:size, s] + np.outer(off, off)
        mean, between, within = sums[0] / pots, sums[1] / pots, sums[2] / pots / fills
    return mean, between, within


def rows_of(matrix: Any) -> str:
    return "(\n" + "".join(f"            ({', '.join(f'{v:.5g}' for v in row)}),\n" for row in matrix) + "        )"


def main() -> None:
    print(HEAD)
    for kind in ("bare", "probed", "empty"):
        with Pool(2) as pool:
            got = pool.map(informed, [(seed, kind) for seed in BUILD_SEEDS[1 : FILLS + 1]])
        gained, sized = (np.array([[x[i] for x in fill] for fill in got]) for i in (0, 1))
        mean, between, within = maximised(gained, sized)
        ln_tau = np.log(leak_bank.TAUS_S)[[[x[2] for x in fill] for fill in got]]
        print(f'    "{kind}": Shipped(\n        mean=({", ".join(f"{v:.5g}" for v in mean)}),')
        print(f"        between={rows_of(between)},\n        within={rows_of(within)},")
        print(f"        tau_ln_mean={ln_tau.mean():.4f},\n        tau_ln_sd={ln_tau.std():.4f},\n    ),")
        print(f"{kind}: tau x/{math.exp(ln_tau.std()):.2f}", file=sys.stderr)
    print("}")


if __name__ == "__main__":
    main()
