"""Holds what is believed of a resin and a cup before any measurement: three shapes of resin, each a Gaussian.

Steady resins climb all the way; snap resins sit nearly flat for two thirds of their pot life, then rise at 3 to 4 K/s.
The decisive coordinate is the speed over the label's: all parameter sets then gel on the label's word in the label's
cup, and doubt about the resin's shape leaves that unchanged.  Figures: [study] a simulation study of 30 building
resins, no published source; [model] this project's own building population (seeds below 1000).  Where a resin gels on
its curve, and how much heat it has, no curve shows before it is over: both are kept wider than one population had them
(measured gels lie at 0.55 to 0.8: Flory's 1/sqrt(r (f - 1)(g - 1)) for f 3 to 4, g 2 to 2.7, and later in practice).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np
import numpy.typing as npt

from benchd.physics.cup_model import BENDS, BENT, DELAY, GEL, LF, LN_RISE, LN_TAU, SIZE, START, Drained
from benchd.stored import stored

Array = npt.NDArray[np.float64]
RESIN_SIZE = BENT + BENDS
SHAPES = ("steady", "mid", "snap")

LABEL_SD, LOT_SD, MAP_SD = 0.10, 0.18, 0.06
"""sd of ln speed: labels against their resin, lots against one another, the map from label cup to cup [study]."""
TYPED_SD = 0.09  # a lot whose own pot life was typed: read off one watched cup
POUR_SD = np.array([0.06, 0.10, 0.04, 0.04, 0.06, 0.12, 0.03, *[0.03] * BENDS])
"""Pour-to-pour spread of a resin's parameters [study, extended].  The rise, and where on it the gel lies, are those of
the probe's own spot, which changes with every pour: stem, depth and wall take a tenth (common practice, no source)."""
FREED_BEND_SD, FREED_RISE_SD, FREED_GEL_SD = 0.6, 0.25, 0.10
"""How far a resin that has cups of its own may lie from every known law [model: one that misses none of its points]."""

_MEANS = np.array([
    [0.0, -1.3, 1.58, 2.15, 4.5, 4.80, 0.695],
    [0.0, -2.6, 1.32, 2.38, 5.15, 4.78, 0.735],
    [0.0, -4.1, 0.96, 2.45, 5.5, 4.77, 0.725],
])  # fmt: skip
_SDS = np.array([
    [0.22, 0.7, 0.25, 0.25, 0.75, 0.22, 0.05],
    [0.22, 0.65, 0.33, 0.27, 0.85, 0.20, 0.05],
    [0.22, 0.8, 0.24, 0.3, 0.8, 0.20, 0.05],
])  # fmt: skip


BEND_SD = 0.15
"""sd of a bend of the rate law, and how alike two neighbours are [-]."""
BEND_ALIKE = 0.5
_MEANS = np.hstack([_MEANS, np.zeros((len(_MEANS), BENDS))])
_SDS = np.hstack([_SDS, np.full((len(_SDS), BENDS), BEND_SD)])


@stored("resin-belief")
@dataclass(frozen=True, slots=True)
class ResinBelief:
    """means (shapes, RESIN_SIZE), covariances of them, and ln weights (shapes) of a resin's parameters."""

    means: Array
    covariances: Array
    ln_weights: Array

    def to_plain(self) -> dict[str, Any]:
        """As lists, for a [cure] table; the covariances as their lower triangles."""
        low = np.tril_indices(RESIN_SIZE)
        return {
            "means": [[round(v, 6) for v in row] for row in self.means.tolist()],
            "covariances": [[float(f"{v:.6g}") for v in c[low].tolist()] for c in self.covariances],
            "ln_weights": [round(v, 4) for v in self.ln_weights.tolist()],
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> ResinBelief:
        """The inverse of `to_plain`.

        Raises ValueError on anything else: wrong sizes, text, a covariance that isn't positive.
        """
        try:
            means = np.array(plain["means"], dtype=np.float64)
            rows = np.array(plain["covariances"], dtype=np.float64)
            weights = np.array(plain["ln_weights"], dtype=np.float64)
        except (KeyError, TypeError, ValueError) as error:
            raise ValueError(f"no cure belief: {error}") from error
        count = len(means)
        size = means.shape[1] if means.ndim == 2 else 0
        low = np.tril_indices(size)
        if size not in (BENT, RESIN_SIZE) or rows.shape != (count, len(low[0])) or weights.shape != (count,):
            raise ValueError("no cure belief: wrong sizes")
        covariances = np.zeros((count, size, size))
        for out, row in zip(covariances, rows, strict=True):
            out[low] = row
            out.T[low] = row
        if size == BENT:
            means, covariances = _unbent(means, covariances)
        found = cls(means, covariances, weights)
        if count == 0 or not all(np.isfinite(x).all() for x in (means, rows, weights)):
            raise ValueError("no cure belief: empty, or not finite")
        lower(found.covariances)
        return found


@stored("cup-belief")
@dataclass(frozen=True, slots=True, kw_only=True)
class CupBelief:
    """What is believed of a cup and its pour: cooling time, start [K off its likely], delay [s]; sds."""

    tau_s: float
    ln_tau_sd: float
    start_sd_k: float
    delay_s: float
    delay_sd_s: float
    drained: Drained | None = None


CUP_TAUS: Mapping[str, tuple[float, float]] = {
    "witness": (1275.0, 0.5),
    "residue": (560.0, 0.4),
    "mixing": (1590.0, 0.4),
}
"""Cooling time [s] and sd of its ln by kind of cup; mixing: for 100 g, growing with the mass's cube root [study]."""


DRAINED = Drained(65.0, 1590.0, 0.8)
"""A mixing cup poured out by 65 s; a 4 mm pool on a 1.2 mm plastic floor, which holds a fifth of the heat [model]."""


def cup_tau(kind: str, mass_g: float) -> tuple[float, float]:
    """(cooling time [s], sd of its ln) of a cup; a mixing cup's time grows with the cube root of its mass.

    kind: a key of `CUP_TAUS`; mass_g: the resin in it [g], counted as 1 g at least.  KeyError on another kind.

    >>> cup_tau("mixing", 100.0)
    (1590.0, 0.4)
    """
    tau_s, sd = CUP_TAUS[kind]
    return tau_s * (max(mass_g, 1.0) / 100.0) ** (1.0 / 3.0) if kind == "mixing" else tau_s, sd


def label_belief(speed_sd: float) -> ResinBelief:
    """What a label alone says: speed_sd is the doubt of ln of the speed (0.22 for a label, less for a watched lot)."""
    sds = _SDS.copy()
    sds[:, LF] = speed_sd
    covariances = np.zeros((len(SHAPES), RESIN_SIZE, RESIN_SIZE))
    index = np.arange(RESIN_SIZE)
    covariances[:, index, index] = sds * sds
    covariances[:, BENT:, BENT:] = _bend_covariance()
    return ResinBelief(_MEANS.copy(), covariances, np.full(len(SHAPES), -log(len(SHAPES))))


def _unbent(means: Array, covariances: Array) -> tuple[Array, Array]:
    """A belief written before rate laws could bend: its bends are as nobody has seen them."""
    count = len(means)
    wider = np.zeros((count, RESIN_SIZE, RESIN_SIZE))
    wider[:, :BENT, :BENT] = covariances
    wider[:, BENT:, BENT:] = _bend_covariance()
    return np.hstack([means, np.zeros((count, BENDS))]), wider


def _bend_covariance() -> Array:
    apart = np.abs(np.subtract.outer(np.arange(BENDS), np.arange(BENDS)))
    return np.asarray(BEND_SD**2 * BEND_ALIKE**apart)


def next_pour(belief: ResinBelief) -> ResinBelief:
    """A resin's belief as one for the parameters of its next pour: wider by the spread from pour to pour."""
    wider = belief.covariances.copy()
    index = np.arange(RESIN_SIZE)
    wider[:, index, index] += POUR_SD * POUR_SD
    return ResinBelief(belief.means, wider, belief.ln_weights)


def freed(belief: ResinBelief) -> ResinBelief:
    """The same resin with its rate law, rise and gel as good as unknown: its own cups will say what they are."""
    wider = belief.covariances.copy()
    index = np.arange(BENT, RESIN_SIZE)
    wider[:, index, index] += FREED_BEND_SD**2
    wider[:, LN_RISE, LN_RISE] += FREED_RISE_SD**2
    wider[:, GEL, GEL] += FREED_GEL_SD**2
    return ResinBelief(belief.means, wider, belief.ln_weights)


def with_speed(belief: ResinBelief, mean: float, sd: float) -> ResinBelief:
    """The same resin with another lot's speed: its ln is mean, give or take sd, and is independent of the rest."""
    means, covariances = belief.means.copy(), belief.covariances.copy()
    means[:, LF] = mean
    covariances[:, LF, :] = 0.0
    covariances[:, :, LF] = 0.0
    covariances[:, LF, LF] = sd * sd
    return ResinBelief(means, covariances, belief.ln_weights)


def with_more(belief: ResinBelief, speed_sd: float, ln_rise: float, ln_speed: float = 0.0) -> ResinBelief:
    """The same resin with more doubt of ln of its speed, and its speed and adiabatic rise moved by these logarithms."""
    if speed_sd == ln_rise == ln_speed == 0.0:
        return belief
    means, covariances = belief.means.copy(), belief.covariances.copy()
    means[:, LN_RISE] += ln_rise
    means[:, LF] += ln_speed
    covariances[:, LF, LF] += speed_sd * speed_sd
    return ResinBelief(means, covariances, belief.ln_weights)


def new_lot_speed(known: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """(mean, sd) of ln speed of a lot never seen, from the (mean, sd) of lots that were.

    Lots scatter about the resin's own speed, which scatters about the label's: a Gaussian of Gaussians.
    """
    own_var, lot_var = LABEL_SD**2 + MAP_SD**2, LOT_SD**2
    precision, weighed = 1.0 / own_var, 0.0
    for mean, sd in known:
        precision += 1.0 / (lot_var + sd * sd)
        weighed += mean / (lot_var + sd * sd)
    return weighed / precision, (1.0 / precision + lot_var) ** 0.5


def joint(resin: ResinBelief, cup: CupBelief) -> tuple[Array, Array]:
    """(means (shapes, SIZE), lower roots (shapes, SIZE, SIZE)) of resin and cup together."""
    count = len(resin.means)
    means, roots = np.zeros((count, SIZE)), np.zeros((count, SIZE, SIZE))
    means[:, :RESIN_SIZE] = resin.means
    means[:, LN_TAU], means[:, DELAY] = log(cup.tau_s), cup.delay_s
    roots[:, :RESIN_SIZE, :RESIN_SIZE] = lower(resin.covariances)
    for row, sd in ((LN_TAU, cup.ln_tau_sd), (START, cup.start_sd_k), (DELAY, cup.delay_sd_s)):
        roots[:, row, row] = sd
    return means, roots


def lower(matrices: Array) -> Array:
    """Cholesky's lower roots L of symmetric matrices, L L^T = A, all (count, n, n).

    Raises ValueError if a matrix is not positive definite.

    >>> lower(np.array([[[4.0, 2.0], [2.0, 5.0]]])).tolist()
    [[[2.0, 0.0], [1.0, 2.0]]]
    """
    n = matrices.shape[-1]
    out = np.zeros_like(matrices)
    for j in range(n):
        left = matrices[:, j, j] - (out[:, j, :j] ** 2).sum(axis=1)
        if not (left > 0.0).all():
            raise ValueError("a covariance must be positive")
        root = np.sqrt(left)
        out[:, j, j] = root
        for i in range(j + 1, n):
            out[:, i, j] = (matrices[:, i, j] - (out[:, i, :j] * out[:, j, :j]).sum(axis=1)) / root
    return out


def lower_inverse(roots: Array) -> Array:
    """Inverses of lower roots (count, n, n), by forward substitution."""
    n = roots.shape[-1]
    out = np.zeros_like(roots)
    for i in range(n):
        out[:, i, i] = 1.0 / roots[:, i, i]
        if i:
            out[:, i, :i] = -(roots[:, i, :i, None] * out[:, :i, :i]).sum(axis=1) / roots[:, i, i][:, None]
    return out
