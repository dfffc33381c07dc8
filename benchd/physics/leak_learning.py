"""Updates a pot's learned constants after one proved-tight fill.

Empirical Bayes in two levels: a fill's shapes scatter around its pot's (within), pots around the population
(between).  A filter ends its fill with what that fill's shapes were; what that says of the pot is one backward step of
Rauch, Tung and Striebel (AIAA Journal 3(8), 1965), exact for Gaussians:

    G = B (B + W)^-1,   mean' = mean + G (fill mean - mean),   B' = B + G (P_fill - B - W) G^T

The pot's cooling time is learned from the filters' weights, half of what they claim: the loads inside differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.physics.leak_bank import SHAPES, SIZES, TAUS_S, Array, Kind, LeakBank, Prior, generic_prior
from benchd.stored import stored

TRUST_IN_TAUS = 0.5  # from simulated fills: weights of neighbouring taus claim too much
LEAST_LOG_WEIGHT = -12.0  # no cooling time is ever ruled out
PROVED_TIGHT_SD = 0.0018  # a proved-tight fill's own leak, a share a minute: 0.1 psi/min at 42 psi


def learned(prior: Prior, bank: LeakBank) -> Prior:
    """The pot's prior after a proved-tight fill that `bank` judged with this prior.

    Raises ValueError when the bank was begun with another prior or has judged under two minutes.
    """
    if bank.prior is not prior or bank.count < 24:
        raise ValueError("a fill teaches only what was judged with the prior it adds to, for two minutes at least")
    mean, cov = _pinned(bank)
    gain = _transposed_solve(prior.between + prior.within, prior.between)
    off = mean - prior.mean
    narrower = cov - prior.between - prior.within
    between = prior.between + _product(_product(gain, narrower), gain.T)
    logs = prior.log_weights + TRUST_IN_TAUS * (bank.log_weight - prior.log_weights)
    logs = np.maximum(logs - float(np.max(logs)), LEAST_LOG_WEIGHT)
    return Prior(prior.mean + _product(gain, off[:, None])[:, 0], 0.5 * (between + between.T), prior.within, logs,
                 prior.fills + 1)  # fmt: skip


def _pinned(bank: LeakBank) -> tuple[Array, Array]:
    """Mean and covariance of the likeliest filter's shapes, its leak held to be none within PROVED_TIGHT_SD."""
    best = int(np.argmax(bank.log_weight))
    mean, cov = bank.mean[:, best], bank.cov[:, :, best]
    gain = cov[:, 1] / (cov[1, 1] + PROVED_TIGHT_SD**2)
    held = mean - gain * mean[1]
    narrowed = cov - gain[:, None] * cov[1][None, :]
    assert held.shape == (SIZES[0],)
    return held[2:], narrowed[2:, 2:]


def _product(a: Array, b: Array) -> Array:
    out = np.zeros((a.shape[0], b.shape[1]))
    for k in range(a.shape[1]):
        out += a[:, k, None] * b[None, k]
    return out


def _transposed_solve(whole: Array, part: Array) -> Array:
    """part whole^-1 for a positive definite whole, by Cholesky in a fixed order of sums."""
    a = whole.tolist()
    low = [[0.0] * SHAPES for _ in range(SHAPES)]
    for i in range(SHAPES):
        for j in range(i + 1):
            s = a[i][j] - sum(low[i][k] * low[j][k] for k in range(j))
            low[i][j] = math.sqrt(s) if i == j else s / low[j][j]
    return np.array([_solved(low, row) for row in part.tolist()])


def _solved(low: list[list[float]], right: list[float]) -> list[float]:
    y: list[float] = []
    for i, row in enumerate(low):
        y.append((right[i] - sum(row[k] * y[k] for k in range(i))) / row[i])
    x = [0.0] * len(y)
    for i in reversed(range(len(y))):
        x[i] = (y[i] - sum(low[k][i] * x[k] for k in range(i + 1, len(y)))) / low[i][i]
    return x


@stored("pot-shapes")
@dataclass(frozen=True, slots=True, kw_only=True)
class PotShapes:
    """The learned part of a pot's prior: its shapes, their covariance, ln weights of its cooling times, six figures.

    Raises ValueError where it fits no prior.
    """

    mean: tuple[float, ...]
    between: tuple[tuple[float, ...], ...]
    tau: tuple[float, ...]
    fills: int

    def __post_init__(self) -> None:
        rows = (self.mean, *self.between)
        is_square = len(self.between) == SHAPES and all(len(row) == SHAPES for row in rows)
        if not is_square or len(self.tau) != TAUS_S.size:
            raise ValueError("not a pot's shapes")
        if not all(map(math.isfinite, (*self.tau, *(value for row in rows for value in row)))):
            raise ValueError("shapes beyond a double")


def shapes_of(prior: Prior) -> PotShapes:
    """What is kept of a prior."""
    rows = prior.between.tolist()
    return PotShapes(
        mean=tuple(map(_six, prior.mean.tolist())), between=tuple(tuple(map(_six, row)) for row in rows),
        tau=tuple(map(_six, prior.log_weights.tolist())), fills=prior.fills,
    )  # fmt: skip


def prior_of(shapes: PotShapes | None, kind: Kind) -> Prior:
    """The prior with these shapes, on the shipped spread between fills; the generic one if nothing was learned."""
    generic = generic_prior(kind)
    if shapes is None:
        return generic
    mean, between, logs = (np.array(x, dtype=np.float64) for x in (shapes.mean, shapes.between, shapes.tau))
    return Prior(mean, between, generic.within, logs, shapes.fills)


def _six(value: float) -> float:
    return float(f"{value:.6g}")
