"""How fast does a shut pot lose air, beneath its cooling, its molds' warmth and the air its silicone soaks up?

While outflow is choked a leak is a straight line in ln p (absolute).  Beside it the gas cools after its fill, the
molds' exotherm warms it late and for minutes, warm walls and molds settle, and silicone soaks up air: known shapes of
unknown size.  All are fitted together by least squares with prior spreads on their sizes; a cooling term's spread
shrinks with the time since the fill, so that a long feed leaves little of it.  With a thermometer in the gas ln(p/T) is
fitted instead and the warmth shapes keep a tenth of their size.  The spreads come from simulated fills (the building
seeds of the tests), bounded by an adiabatic fill's heat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

COOLING = ((15.0, 0.20), (40.0, 0.15), (110.0, 0.06))  # (time constant [s], sd at the fill's end)
SETTLING_S, SETTLING_SD = 600.0, 0.006
HUMPS_S, HUMP_SD = (180.0, 420.0, 700.0), 0.006
SOAK_MEAN, SOAK_SD = 0.0013, 0.0010  # share of pressure soaked up by silicone in ten minutes
WITH_GAS_PROBE = 0.1  # what a gas thermometer leaves of every warmth shape: its lag and place


@dataclass(frozen=True, slots=True)
class Slope:
    """A leak's share of the pressure lost a minute, and its sd."""

    per_min: float
    sd: float


def fit_leak(t: Array, log_p: Array, fill_t: float, kick_t: float, noise: float, probed: bool) -> Slope:
    """The leak in a window of ln p (or ln p/T when probed), fitted with all shapes.  Arrays (n,), t unix s, n >= 1."""
    since = t - t[0]
    soak = -np.sqrt(np.maximum(0.0, t - fill_t) / 600.0)
    columns, spread = [np.ones_like(since), -since / 60.0], [10.0, 1.0]
    warmth = WITH_GAS_PROBE if probed else 1.0
    for tau_s, sd in COOLING:
        columns.append(np.exp(-since / tau_s))
        spread.append(max(1e-9, warmth * sd * math.exp(-(float(t[0]) - fill_t) / tau_s)))
    columns.append(np.exp(-since / SETTLING_S))
    spread.append(warmth * SETTLING_SD)
    for peak_s in HUMPS_S:
        u = np.maximum(0.0, t - kick_t) / peak_s
        columns.append(u * np.exp(1.0 - u))
        spread.append(warmth * HUMP_SD)
    columns.append(soak)
    spread.append(SOAK_SD)
    scaled = np.stack(columns) * (np.array(spread)[:, None] / noise)
    residual = (log_p - log_p[0] - SOAK_MEAN * soak) / noise
    normal = np.sum(scaled[:, None, :] * scaled[None, :, :], axis=2) + np.eye(len(spread))
    right = np.sum(scaled * residual, axis=1)
    size, variance = _solve_second(normal.tolist(), right.tolist())
    return Slope(size * spread[1], math.sqrt(variance) * spread[1])


def _solve_second(a: list[list[float]], b: list[float]) -> tuple[float, float]:
    """Second unknown of the positive definite system a x = b, and the second diagonal entry of a's inverse (Cholesky).

    Two machines must print the same digits, hence plain sums in a fixed order instead of a linear algebra library.
    """
    n = len(b)
    low = [[0.0] * n for _ in range(n)]
    for i in range(n):
        for j in range(i + 1):
            s = a[i][j] - sum(low[i][k] * low[j][k] for k in range(j))
            low[i][j] = math.sqrt(s) if i == j else s / low[j][j]
    x = _back(low, _forward(low, b))
    unit = _forward(low, [float(i == 1) for i in range(n)])
    return x[1], sum(v * v for v in unit)


def _forward(low: list[list[float]], b: list[float]) -> list[float]:
    y: list[float] = []
    for i, row in enumerate(low):
        y.append((b[i] - sum(row[k] * y[k] for k in range(i))) / row[i])
    return y


def _back(low: list[list[float]], y: list[float]) -> list[float]:
    n = len(y)
    x = [0.0] * n
    for i in reversed(range(n)):
        x[i] = (y[i] - sum(low[k][i] * x[k] for k in range(i + 1, n))) / low[i][i]
    return x
