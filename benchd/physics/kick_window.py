"""Turns a cure fit's shapes into one time window for the kick, and the chance that it has been.

The belief about ln of the time from mix to gel is a mixture of Gaussians, one a shape.  Each is widened by what the fit
does not know of itself: its sd and a floor.  A cup that has not kicked yet kicks later than now: the mixture is cut.

A fit's own sd doesn't know that its law may be the wrong one.  So the edges are moved out by split conformal
calibration (Vovk, Gammerman and Shafer, Algorithmic Learning in a Random World, 2005; Lei et al., J Am Stat Assoc 113
(2018) 1094): the multiplier of a window's log-width is the 90 % quantile of what pours not fitted to needed.  Families
of resins, not pours, are what may be exchanged here, as in two-layer models (Dunn, Wasserman and Ramdas, J Am Stat
Assoc 118 (2023) 2491), so the largest of the families' quantiles is taken: that of a family not seen is below the
largest of K others' with probability K/(K + 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import erf, exp, hypot, log, pi, sqrt

from benchd.physics.cure_fit import Posterior
from benchd.stored import stored

FLOOR = 0.03  # sd of ln that no fit goes below
DOUBT_SD = 0.2  # of ln, for each unit of misfit beyond what a law that fits has: tests/accuracy/README.md, by families
MISFIT_FREE, MOST_MISFIT = 0.15, 1.5
LEAST_LABEL = 0.02  # a clock with less weight than this moves no edge
SHAPE_SHARE = 0.5
"""The share believed of what a curve says about which shape of resin it is: none of them is the resin's own law, and
evidence taken whole settles on one too soon (Grünwald and van Ommen, Bayesian Analysis 12 (2017) 1069).  By families,
as above (decision 7.32)."""
COVERAGE = 0.90
Z_BOTH = 2.0 * 1.645  # sds from edge to edge of such a window
WIDER = ((0.6, 1.13, 1.0), (9.0, 1.07, 1.18))
"""Share of the way to the likely kick up to which a row holds; the multiplier of the log-width of a fit's window that
goes through its points (misfit up to WELL_FIT), and of one that misses them; at least 1.  From 40 resins of each of
four families, seeds 0 to 39 (tests/accuracy/fit_windows.py; without each of them: tests/accuracy/family_table.py)."""
WELL_FIT = 0.15
LEAST_KICK = 0.069  # ln from a kick's date to its window's edges, from the errors of the same pours in the same way
MOST_STEPS, LN_STEP = 60, 1e-12  # of ln of a time: as near as 44 halvings came
TWO_OVER_ROOT_PI = 2.0 / sqrt(pi)


@stored("gel-belief")
@dataclass(frozen=True, slots=True)
class GelBelief:
    """Weights, means and sds of a mixture over ln of the time to gel [s]."""

    weights: tuple[float, ...]
    means: tuple[float, ...]
    sds: tuple[float, ...]

    @property
    def mean(self) -> float:
        """Mean of the whole mixture."""
        return sum(w * m for w, m in zip(self.weights, self.means, strict=True))

    @property
    def sd(self) -> float:
        """sd of the whole mixture."""
        mean = self.mean
        terms = zip(self.weights, self.means, self.sds, strict=True)
        return sqrt(sum(w * (s * s + (m - mean) ** 2) for w, m, s in terms))

    def share_by(self, time_s: float) -> float:
        """The chance (0..1) that the gel comes by time_s [s after the mix]."""
        return _share_by(time_s, self._terms())

    def _terms(self) -> list[tuple[float, float, float]]:
        """Half the weight, mean and sd times the root of two of each Gaussian."""
        root = sqrt(2.0)
        return [(0.5 * w, m, s * root) for w, m, s in zip(self.weights, self.means, self.sds, strict=True)]

    def time_s(self, share: float) -> float:
        """The time [s after the mix] by which the gel comes with this chance (0..1).

        By Newton's steps, and by halves where one would leave what the root is known to lie in.
        """
        low = min(m - 8.0 * s for m, s in zip(self.means, self.sds, strict=True))
        high = max(m + 8.0 * s for m, s in zip(self.means, self.sds, strict=True))
        terms = self._terms()
        x = 0.5 * (low + high)
        for _ in range(MOST_STEPS):
            over = sum([half * (1.0 + erf((x - mean) / width)) for half, mean, width in terms]) - share
            low, high = (x, high) if over < 0.0 else (low, x)
            density = sum([half / width * exp(-(((x - mean) / width) ** 2)) for half, mean, width in terms])
            before, x = x, x - over / (density * TWO_OVER_ROOT_PI) if density > 0.0 else low
            if not low < x < high:
                x = 0.5 * (low + high)
            if abs(x - before) < LN_STEP:
                break
        return exp(x)

    def window_s(self, elapsed_s: float, coverage: float = COVERAGE) -> tuple[float, float, float]:
        """Early, likely and late [s after the mix], given that elapsed_s [s] passed without a kick."""
        gone = min(self.share_by(elapsed_s), 1.0 - 1e-6)
        tail = 0.5 * (1.0 - coverage)
        early, likely, late = (self.time_s(gone + (1.0 - gone) * share) for share in (tail, 0.5, 1.0 - tail))
        return early, likely, late


def _share_by(time_s: float, terms: list[tuple[float, float, float]]) -> float:
    if time_s <= 0.0:
        return 0.0
    x = log(time_s)
    return sum([half * (1.0 + erf((x - mean) / width)) for half, mean, width in terms])


def foretold_s(belief: GelBelief, elapsed_s: float, misfit: float | None) -> tuple[float, float, float]:
    """Early, likely and late [s after the mix] as a curve's belief foretells them, elapsed_s [s] after the mix.

    misfit: that of the fit, whose window is then as wide as other families' pours needed; None: as it is.
    The likely time is the one whose error, as a share of the true time, has the least mean square: of a time whose ln
    is Gaussian that is exp(mean - 1.5 sd^2), from E[1/t] / E[1/t^2], sooner than the median.
    """
    early, middle, late = belief.window_s(elapsed_s)
    var = (log(late / early) / Z_BOTH) ** 2
    times = 1.0 if misfit is None else wider(elapsed_s / middle, misfit)
    early, late = max(elapsed_s, middle * (early / middle) ** times), middle * (late / middle) ** times
    return early, max(early, middle * exp(-1.5 * var)), late


def gel_belief(fit: Posterior, factor: float = 1.0, more: float = 0.0, shape_share: float = 1.0) -> GelBelief:
    """A fit's belief about its gel, its sds widened by `factor`.

    more: another sd of ln, as of its doubt; shape_share (0..1): how much its weights among the shapes are believed.
    """
    sds: Sequence[float] = [factor * hypot(s, FLOOR, more) for s in fit.ln_gel_sd.tolist()]
    believed: Sequence[float] = [w**shape_share for w in fit.weights.tolist()]
    weights = tuple(w / sum(believed) for w in believed) if shape_share < 1.0 else tuple(believed)
    return GelBelief(weights, tuple(fit.ln_gel.tolist()), tuple(sds))


def doubt(misfit: float) -> float:
    """sd of ln [-] that a fit's forecast has for missing its own points: misfit is the median |residual| in sds.

    A law that fits misses them by 0.1 to 0.2, since a point's sd holds the model's own noise too.
    """
    return DOUBT_SD * min(max(misfit - MISFIT_FREE, 0.0), MOST_MISFIT)


def kick_edges(early_s: float, at_s: float, late_s: float) -> tuple[float, float]:
    """A found kick's window [s after the mix], no narrower than the dates of other families' kicks were off."""
    return min(early_s, at_s * exp(-LEAST_KICK)), max(late_s, at_s * exp(LEAST_KICK))


def wider(progress: float, misfit: float) -> float:
    """How many times its own log-width a window has to have: progress is the share of the way to the likely kick."""
    row = next((row for row in WIDER if progress <= row[0]), WIDER[-1])
    return row[1] if misfit <= WELL_FIT else row[2]


def with_label(curve: GelBelief, label: GelBelief, misfit: float) -> tuple[GelBelief, float]:
    """(the curve's belief and the label's clock side by side, the clock's weight 0..1).

    The clock's weight is that of one source of its own doubt beside another as doubtful as the fit.
    """
    var = doubt(misfit) ** 2
    weight = var / (var + label.sd**2)
    if weight < LEAST_LABEL:
        return curve, 0.0
    weights = (*((1.0 - weight) * w for w in curve.weights), *(weight * w for w in label.weights))
    return GelBelief(weights, (*curve.means, *label.means), (*curve.sds, *label.sds)), weight
