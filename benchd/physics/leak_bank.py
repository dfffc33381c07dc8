"""Estimates a shut pot's leak from its pressures, and how sure that is.

A bank of Kalman filters, one for each cooling time, takes ln p (absolute) apart into STATES; a leak is a straight line
in ln p while its outflow is choked.  Filters are weighted by how well they predicted what came; the leak may drift
slowly and may come out below zero.  Every shape has a prior spread: what a shape can explain is not called a
leak, and the doubt that remains is the leak that would not have shown yet.

The priors are empirical Bayes: means and covariances between pots and between one pot's fills, fitted to simulated
tight fills (leak_priors.py).  A pot's own tight fills narrow the first of the two (leak_learning.py), and the cooling
time, which is taken to be nearly unknown before.

Sums are taken in a fixed order and no linear algebra library is called: two machines print the same digits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchd.physics import leak_priors
from benchd.stored import stored

Array = NDArray[np.float64]

STATES = ("level", "leak", "warmth", "skin", "soak", "drift", "hump_0", "hump_1", "hump_2")
QUICKEST_S, SLOWEST_S = 9.0, 260.0  # calc: a small stirred pot; still gas under a warm lid, full of molds
TAUS_S: Array = np.array([QUICKEST_S * (SLOWEST_S / QUICKEST_S) ** (i / 23.0) for i in range(24)])
TAU_LN_MEAN = 0.5 * math.log(QUICKEST_S * SLOWEST_S)
TAU_LN_SD = math.log(SLOWEST_S / QUICKEST_S) / 4.0
"""A pot nobody has measured may cool by any time of the bank: its ends lie two sd from the middle.  Simulated pots
agree far better (leak_priors.py), but they share their kind of walls; a pot's own tight fills narrow this.  Where a
probe measures the gas its cooling is no guess, and the simulated spread is kept."""
SIZES = (len(STATES), len(TAUS_S))
SHAPES = len(STATES) - 2  # all but level and leak

LEVEL_SD = 0.2
LEAK_SD = 0.15  # a share of the absolute pressure a minute: wider than any leak that is not a burst
NOISE_TIMES = 8.0  # the formal variance of a bin is this much too small: shapes that no column has
WALK_SD = 2.0e-4  # how far a leak drifts in a minute's square root
UNSEEN_SD = 1.0  # of the warmth, when the fill was not seen
WILD, MOST_PASSED_OVER = 4.0, 2  # a bin of an electric spike
JUMP_BINS, JUMP = 12, 10.0  # a minute of falls this far below the prediction opens the leak again


Kind = Literal["bare", "probed", "empty"]


@stored("prior")
@dataclass(frozen=True, slots=True)
class Prior:
    """Means (7,) and covariances (7, 7) of the shapes between pots and between fills, and ln weights of the taus."""

    mean: Array
    between: Array
    within: Array
    log_weights: Array
    fills: int = 0


@dataclass(frozen=True, slots=True)
class LeakEstimate:
    """Share of absolute pressure lost a minute, its sd, the fall of ln p that cooling still owes, bins judged."""

    per_min: float
    sd: float
    yet_to_cool: float
    tau_s: float
    bins: int


def generic_prior(kind: Kind = "bare") -> Prior:
    """What is known of a pot without any history: bare, with a gas probe, or empty of molds."""
    shipped = leak_priors.SHIPPED[kind]
    mean, sd = (shipped.tau_ln_mean, shipped.tau_ln_sd) if kind == "probed" else (TAU_LN_MEAN, TAU_LN_SD)
    apart = [(math.log(tau) - mean) / sd for tau in TAUS_S.tolist()]
    return Prior(
        np.array(shipped.mean), np.array(shipped.between), np.array(shipped.within),
        np.array([-0.5 * z * z for z in apart]),
    )  # fmt: skip


@stored("leak-bank")
@dataclass(slots=True)
class LeakBank:
    """The bank of filters: mean (states, taus), cov (states, states, taus), log_weight (taus).

    is_unseen: nobody saw the fill.
    """

    prior: Prior
    is_unseen: bool = False
    count: int = 0
    passed_over: int = 0
    misfits: list[float] = field(default_factory=list)
    mean: Array = field(init=False)
    cov: Array = field(init=False)
    log_weight: Array = field(init=False)
    _columns: Array = field(init=False)

    def __post_init__(self) -> None:
        self.mean, self.cov = np.zeros(SIZES), np.zeros((SIZES[0], *SIZES))
        self.cov[0, 0], self.cov[1, 1] = LEVEL_SD**2, LEAK_SD**2
        self.cov[2:, 2:] = (self.prior.between + self.prior.within)[:, :, None]
        if self.is_unseen:
            self.cov[2, 2] += UNSEEN_SD**2
        self.mean[2:] = self.prior.mean[:, None]
        self.log_weight = self.prior.log_weights.copy()
        self._columns = np.zeros(SIZES)

    def step(self, columns: Array, log_p: float, variance: float) -> None:
        """Take one bin: its columns (states, taus), its mean of ln p, the formal variance of that mean."""
        if self.count:
            self.cov[1, 1] += WALK_SD**2 * 5.0 / 60.0
        self.count += 1
        self._columns = columns
        gain = np.zeros(SIZES)
        foretold = np.zeros(SIZES[1])
        for j in range(SIZES[0]):
            gain += self.cov[:, j] * columns[j]
            foretold += self.mean[j] * columns[j]
        spread = np.full(SIZES[1], NOISE_TIMES * variance)
        for j in range(SIZES[0]):
            spread += columns[j] * gain[j]
        error = log_p - foretold
        if self._is_wild(error, spread):
            return
        self.mean = self.mean + gain * (error / spread)
        self.cov = self.cov - gain[:, None] * gain[None, :] / spread
        if self.count > 1:
            self.log_weight = self.log_weight - 0.5 * (np.log(spread) + error * error / spread)
        self._watch_jump(error, spread)

    def _is_wild(self, error: Array, spread: Array) -> bool:
        """True for a bin far off for every cooling time, unless those before it were too: then it is the truth."""
        nearest = float(np.min(np.abs(error) / np.sqrt(spread)))
        wild = self.count > 4 and nearest > WILD and self.passed_over < MOST_PASSED_OVER
        self.passed_over = self.passed_over + 1 if wild else 0
        return wild

    def _watch_jump(self, error: Array, spread: Array) -> None:
        best = int(np.argmax(self.log_weight))
        misfit = float(error[best]) / math.sqrt(float(spread[best]))
        self.misfits = [*self.misfits, max(-2.0, min(2.0, misfit))][-JUMP_BINS:]
        if self.count >= 2 * JUMP_BINS and sum(self.misfits) < -JUMP:
            self.cov[1, 1] += (LEAK_SD / 5.0) ** 2
            self.misfits = []

    def weights(self) -> list[float]:
        """How likely each cooling time is; they add to 1."""
        logs = self.log_weight.tolist()
        top = max(logs)
        raw = [math.exp(v - top) for v in logs]
        whole = sum(raw)
        return [v / whole for v in raw]

    def estimate(self) -> LeakEstimate:
        """The leak over all cooling times, weighted by how likely each is."""
        weights, leaks, spreads = self.weights(), self.mean[1].tolist(), self.cov[1, 1].tolist()
        leak = _mean(weights, leaks)
        variance = _mean(weights, [s + (v - leak) ** 2 for v, s in zip(leaks, spreads, strict=True)])
        yet = _mean(weights, (self.mean[2] * self._columns[2]).tolist())
        return LeakEstimate(leak, math.sqrt(max(0.0, variance)), yet, _mean(weights, TAUS_S.tolist()), self.count)


def _mean(weights: list[float], values: list[float]) -> float:
    return sum(w * v for w, v in zip(weights, values, strict=True))
