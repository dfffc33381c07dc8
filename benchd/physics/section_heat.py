"""Advances the heat of mold sections by one step: conduction, implicit and second order, each column's own step.

    C dT/dt = -K (T - Tair) + q

by the two-stage stiffly accurate SDIRK method of second order (gamma = 1 - 1/sqrt 2; Alexander, SIAM J Numer Anal 14
(1977) 1006), which damps every mode whatever the step.  K is tridiagonal; both stages share one elimination (Thomas).
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from benchd.physics.section_grid import Array, Grid

GAMMA = 1.0 - 1.0 / sqrt(2.0)


def after_heat_flow(grid: Grid, above_k: Array, heat_j: Array, step_s: Array) -> Array:
    """T - Tair of every cell [K] after each column's step_s (columns), given it before (N, columns).

    heat_j: what each cell receives over the step [J] (R, columns: resin cells), evenly in time.
    """
    solve = _Elimination(grid, GAMMA * step_s)
    fed = np.zeros_like(above_k)
    fed[: grid.resin_cells] = heat_j
    stored = grid.capacity * above_k
    first = solve(stored + GAMMA * fed)
    flow = (grid.capacity * first - stored) / GAMMA  # the first stage's step times its rate [J]
    return solve(stored + (1.0 - GAMMA) * flow + GAMMA * fed)


class _Elimination:
    """(C + h K) x = b for many b: eliminated once."""

    def __init__(self, grid: Grid, step_s: Array) -> None:
        self._off = step_s * grid.links
        diagonal = grid.capacity.copy()
        diagonal[:-1] += self._off
        diagonal[1:] += self._off
        diagonal[-1] += step_s * grid.film
        self._ratio = np.empty_like(self._off)
        for i in range(len(self._off)):
            self._ratio[i] = self._off[i] / diagonal[i]
            diagonal[i + 1] -= self._ratio[i] * self._off[i]
        self._diagonal = diagonal

    def __call__(self, right: Array) -> Array:
        x = right.copy()
        for i, ratio in enumerate(self._ratio):
            x[i + 1] += ratio * x[i]
        x[-1] /= self._diagonal[-1]
        for i in range(len(self._ratio) - 1, -1, -1):
            x[i] = (x[i] + self._off[i] * x[i + 1]) / self._diagonal[i]
        return x
