"""Fits one cup's curve so far with the resin model: robust Gauss-Newton from each shape of resin.

The parameters (cup_model) are written as mean + root z with z standard normal beforehand.  Each update takes a step
of damped Gauss-Newton on all shapes at once, and more while the step was long: behind a hole, and on a curve half
climbed before anybody mixed, the last estimate is far off.  One batch of curves holds each shape's present set and
neighbours, whose differences give both the slopes of the curve and those of ln of the gel time.  Residuals count by
Huber's rule; each shape's weight is its share of the evidence (Laplace), tempered because residuals of one curve are
correlated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchd.physics.cup_model import (
    DELAY,
    LABEL_TAU_S,
    LEAST,
    MOST,
    SIZE,
    Curves,
    cup_curves,
    excess_at_gel_k,
    label_ln_k,
)
from benchd.physics.cure_prior import RESIN_SIZE, CupBelief, ResinBelief, joint, lower, lower_inverse
from benchd.stored import stored

Array = npt.NDArray[np.float64]

HUBER = 2.5
STRIDE = 0.3  # sd between a set and its neighbours: wide enough to see past rounding, narrow enough to be a slope
MOST_STEP = 1.2  # sd a step may go in any direction [study]
SETTLED_STEP = 0.5  # calc: sd; shorter steps move a window by less than its own doubt
MOST_PASSES = 6  # calc: five longest steps reach any set within 6 sd
LEAST_WEIGHT = 0.05  # common practice: a shape of less weight moves no window
FIRST_LN_K = -5.0


@stored("fit-rule")
@dataclass(frozen=True, slots=True, kw_only=True)
class FitRule:
    """The model's own noise, apart from the probe's: [model] figures tuned on building seeds.

    rise_share: of the rise; slope_s: s of the curve's slope; floor_k; effective: how many residuals of a curve count at
    most as independent; evidence: the share of ln evidence believed.
    """

    rise_share: float = 0.02
    slope_s: float = 0.7
    floor_k: float = 0.2
    effective: float = 25.0
    evidence: float = 0.5


@stored("posterior")
@dataclass(frozen=True, slots=True)
class Posterior:
    """Per shape: weights, z (shapes, SIZE), parameters p (shapes, SIZE), ln_gel and its sd, covariance of z.

    misfit: the likeliest shape's median |residual|; oddness: its distance from what was believed, squared, in sd.
    """

    weights: Array
    z: Array
    p: Array
    ln_gel: Array
    ln_gel_sd: Array
    z_covariance: Array
    misfit: float
    oddness: float
    rise_at_gel_k: float
    speed: float
    speed_sd: float


@stored("cure-fit")
@dataclass(slots=True)
class CureFit:
    """One pour's fit, each update starting where the last one ended.  Plain arrays, kept in checkpoints.

    gel_with_delay: 1.0 when the mix's time is itself in doubt (no mark): then the delay moves the gel too.
    """

    resin: ResinBelief
    cup: CupBelief
    pot_life_s: float
    gel_with_delay: float = 0.0
    label_tau_s: float = LABEL_TAU_S
    rule: FitRule = field(default_factory=FitRule)
    _means: Array = field(init=False)
    _roots: Array = field(init=False)
    _z: Array = field(init=False)
    _ln_k: Array | None = None
    _is_settled: bool = True
    last: Posterior | None = None

    def __post_init__(self) -> None:
        self._means, self._roots = joint(self.resin, self.cup)
        self._z = np.zeros_like(self._means)

    def update(
        self,
        at_s: Sequence[float],
        seen_c: Sequence[float],
        noise_k: Sequence[float],
        room_c: float,
        start_c: float,
        gel_mark: tuple[float, float] | None = None,
        passes: int = 1,
    ) -> Posterior:
        """Fit points at_s [s after the mix], seen_c [C] with noise_k sd [K]; room and likely start [C].

        gel_mark: (s after the mix, sd of its ln) of a kick someone saw.  No points: the prior itself.
        passes: the least number of steps.
        """
        times, seen, noise = (np.asarray(v, dtype=np.float64) for v in (at_s, seen_c, noise_k))
        data = _Data(times, seen - room_c, noise, room_c, start_c, gel_mark)
        if len(times) or gel_mark:
            self._approach(data, passes)
        self.last = self._judge(data)
        return self.last

    def _approach(self, data: _Data, passes: int) -> None:
        """Steps until they are short; one that did not get there has one step a time until it does: no cup of resin."""
        most = max(passes, MOST_PASSES if self._is_settled else 1)
        for done in range(1, most + 1):
            self._is_settled = self._step(data) <= SETTLED_STEP
            if self._is_settled and done >= passes:
                break

    # ---------------------------------------------------------------------------------------------------- one batch

    def _batch(self, data: _Data, z: Array) -> _Batch:
        """Curves of each shape's set z and its neighbours; columns in shape-major order."""
        count = len(z)
        around = np.repeat(z[:, None, :], SIZE + 1, axis=1)
        index = np.arange(SIZE)
        around[:, index + 1, index] += STRIDE
        sets = self._means[:, None, :] + (self._roots[:, None, :, :] * around[:, :, None, :]).sum(axis=3)
        p = np.clip(sets, LEAST, MOST).reshape(-1, SIZE).T
        guess = np.full(count * (SIZE + 1), FIRST_LN_K) if self._ln_k is None else self._ln_k
        self._ln_k = label_ln_k(p, self.pot_life_s, guess, 6 if self._ln_k is None else 2, self.label_tau_s)
        curves = cup_curves(p, self._ln_k, data.room_c, data.start_c, self.cup.drained)
        shape = (count, SIZE + 1)
        gel_s = curves.gel_s + self.gel_with_delay * (p[DELAY] - self.cup.delay_s)
        ln_gel = np.log(np.maximum(gel_s, 1.0)).reshape(shape)
        seen = curves.seen_k(data.at_s, p[DELAY]).reshape(len(data.at_s), *shape)
        return _Batch(p, curves, seen, ln_gel)

    def _step(self, data: _Data) -> float:
        """One step of all shapes; returns how far one that counts went in any direction [sd]."""
        batch = self._batch(data, self._z)
        hessian, gradient = self._normal(data, batch)
        index = np.arange(SIZE)
        hessian[:, index, index] += 1.0
        gradient -= self._z
        inverse = lower_inverse(lower(hessian))
        move = (inverse * (inverse * gradient[:, None, :]).sum(axis=2)[:, :, None]).sum(axis=1)
        step = np.clip(move, -MOST_STEP, MOST_STEP)
        self._z = self._z + step
        counts = np.ones(len(step), dtype=bool) if self.last is None else self.last.weights >= LEAST_WEIGHT
        return float(np.abs(step[counts]).max())

    def _noise(self, data: _Data, base: Array) -> Array:
        """sd of the residuals (points, shapes) [K]: the probe's and the model's own."""
        rule = self.rule
        rise = np.abs(base - base[:1])
        slope = np.gradient(base, data.at_s, axis=0) if len(data.at_s) > 1 else np.zeros_like(base)
        var = data.noise_k[:, None] ** 2 + rule.floor_k**2
        return np.sqrt(var + (rule.rise_share * rise) ** 2 + (rule.slope_s * slope) ** 2)

    def _residuals(self, data: _Data, batch: _Batch) -> tuple[Array, Array, Array]:
        """z-scores (points, shapes), Huber weights times tempering, sd."""
        base = batch.seen[:, :, 0]
        sd = self._noise(data, base)
        scores = (data.excess_k[:, None] - base) / sd
        temper = min(1.0, self.rule.effective / max(len(data.at_s), 1))
        return scores, temper * np.minimum(1.0, HUBER / np.maximum(np.abs(scores), 1e-9)), sd

    def _normal(self, data: _Data, batch: _Batch) -> tuple[Array, Array]:
        """J'WJ (shapes, SIZE, SIZE) and J'Wr (shapes, SIZE)."""
        count = len(self._z)
        hessian, gradient = np.zeros((count, SIZE, SIZE)), np.zeros((count, SIZE))
        if len(data.at_s):
            scores, weight, sd = self._residuals(data, batch)
            slopes = (batch.seen[:, :, 1:] - batch.seen[:, :, :1]) / (STRIDE * sd[:, :, None])
            weighed = slopes * weight[:, :, None]
            hessian += (weighed[:, :, :, None] * slopes[:, :, None, :]).sum(axis=0)
            gradient += (weighed * scores[:, :, None]).sum(axis=0)
        if data.gel_mark is not None:
            slopes = (batch.ln_gel[:, 1:] - batch.ln_gel[:, :1]) / (STRIDE * data.gel_mark[1])
            score = (np.log(data.gel_mark[0]) - batch.ln_gel[:, 0]) / data.gel_mark[1]
            hessian += slopes[:, :, None] * slopes[:, None, :]
            gradient += slopes * score[:, None]
        return hessian, gradient

    # ----------------------------------------------------------------------------------------------------- judgement

    def _judge(self, data: _Data) -> Posterior:
        batch = self._batch(data, self._z)
        hessian, _ = self._normal(data, batch)
        index = np.arange(SIZE)
        hessian[:, index, index] += 1.0
        root = lower(hessian)
        inverse = lower_inverse(root)
        covariance = (inverse[:, :, :, None] * inverse[:, :, None, :]).sum(axis=1)
        slopes = (batch.ln_gel[:, 1:] - batch.ln_gel[:, :1]) / STRIDE
        sd = np.sqrt(((inverse * slopes[:, None, :]).sum(axis=2) ** 2).sum(axis=1))
        squares = (self._z**2).sum(axis=1)
        fit, misfit = self._fit(data, batch)
        evidence = fit - 0.5 * squares - np.log(root[:, index, index]).sum(axis=1)
        ln_weight = self.resin.ln_weights + self.rule.evidence * evidence
        weights = np.exp(ln_weight - ln_weight.max())
        weights /= weights.sum()
        best = int(weights.argmax())
        p = batch.p.T.reshape(len(self._z), SIZE + 1, SIZE)[:, 0]
        at_gel = excess_at_gel_k(batch.curves, batch.p).reshape(len(self._z), SIZE + 1)[:, 0]
        speeds = p[:, 0]
        speed_var = ((inverse * self._roots[:, :1, :]).sum(axis=2) ** 2).sum(axis=1)
        speed = float((weights * speeds).sum())
        return Posterior(
            weights=weights, z=self._z.copy(), p=p, ln_gel=batch.ln_gel[:, 0].copy(), ln_gel_sd=sd,
            z_covariance=covariance, misfit=float(misfit[best]), oddness=float((weights * squares).sum()),
            rise_at_gel_k=float((weights * at_gel).sum()), speed=speed,
            speed_sd=float(((weights * (speed_var + (speeds - speed) ** 2)).sum()) ** 0.5),
        )  # fmt: skip

    def _fit(self, data: _Data, batch: _Batch) -> tuple[Array, Array]:
        """ln likelihood up to a constant, and the median |z-score|, of each shape."""
        count = len(self._z)
        fit, misfit = np.zeros(count), np.zeros(count)
        if len(data.at_s):
            scores, _, sd = self._residuals(data, batch)
            size = np.abs(scores)
            loss = np.where(size < HUBER, 0.5 * size * size, HUBER * (size - 0.5 * HUBER))
            temper = min(1.0, self.rule.effective / len(data.at_s))
            fit -= temper * (loss + np.log(sd)).sum(axis=0)
            misfit = np.median(size, axis=0)
        if data.gel_mark is not None:
            score = (np.log(data.gel_mark[0]) - batch.ln_gel[:, 0]) / data.gel_mark[1]
            fit -= 0.5 * score * score
        return fit, misfit

    def resin_posterior(self) -> ResinBelief:
        """What this pour now says of its resin: the fit's Gaussian of the first seven parameters, per shape."""
        if self.last is None:
            return self.resin
        spread = (self._roots[:, :, :, None] * self.last.z_covariance[:, None, :, :]).sum(axis=2)
        covariance = (spread[:, :, None, :] * self._roots[:, None, :, :]).sum(axis=3)
        weights = np.log(np.maximum(self.last.weights, 1e-6))
        kept = slice(RESIN_SIZE)
        return ResinBelief(self.last.p[:, kept].copy(), covariance[:, kept, kept].copy(), weights)


@dataclass(frozen=True, slots=True)
class _Data:
    at_s: Array
    excess_k: Array
    noise_k: Array
    room_c: float
    start_c: float
    gel_mark: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class _Batch:
    p: Array
    curves: Curves
    seen: Array
    ln_gel: Array
