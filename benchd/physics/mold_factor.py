"""Learns how far the cure model is off for one mold from how its pulled parts felt: a grid over ln of a factor.

The model gives a part's green and hard time; a mold with a resin is off by a factor e^b of its own.  Each pull shows
on which side of those times it was:

    hard, stuck   it was hard before the pull              rubbery   it was not yet green
    green         green was past, hard was not             hot       it was not yet hard, the thick limit

b is Gaussian beforehand, thick and thin sections less sure than those a label is read in; a pull's own pour is off by
another 0.11 [model: drawn resins in drawn molds, seeds below 1000].
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import erf, exp, log, sqrt

from benchd.stored import stored

PRIOR_SDS = ((3.0, 0.36), (6.0, 0.24), (12.0, 0.40), (20.0, 0.50))
"""Thickest section [mm], and sd of b beforehand: least at 6 mm, where a label's demold time is read; the softening of
thick ones included [model: parts of four families, none of which is the product's own law]."""
EDGES = ((3.0, 1.15, 1.21), (6.0, 1.36, 1.17), (12.0, 1.1, 1.16), (20.0, 1.01, 1.07))
"""Thickest section [mm], and how many times as far from the likely time as its chances have them a window's early and
late edge lie: so that one part in twenty is sooner, and one in twenty called more than 5 % early.  Split conformal, a
tail at a time (Lei et al., J Am Stat Assoc 113 (2018) 1094), the most that any of four families asks for, 60 resins of
each, seeds 0 to 59 (what it is without each of them: tests/accuracy/family_table.py)."""
THIN_MM = 6.0
RESIN_SD = 0.18  # of the part of b that all molds of one resin share; their own part is the rest [model, the same]
LEAST_TOLD = 1.05  # a sibling's belief at least this much narrower than before its pulls says something
POUR_SD = 0.11
STEP = 0.04
REACH = 35  # grid steps to each side: b from -1.4 to 1.4
SLIP = 0.01  # of all pulls, how many are reported wrong: common practice, no source


@stored("mold-pull")
@dataclass(frozen=True, slots=True, kw_only=True)
class Pull:
    """One part taken out after_s [s after the mix] with what the hand felt; green_s, hard_s are the model's own times,
    before any factor learned for the mold."""

    mold: str
    resin: str
    after_s: float
    feel: str
    green_s: float
    hard_s: float


@stored("mold-factor")
@dataclass(frozen=True, slots=True, kw_only=True)
class MoldFactor:
    """What pulls taught of a mold with a resin: ln of its factor, its sd, of how many pulls.

    note: what would teach more; kept: how many later pulls spoke against it without winning.  Raises ValueError for
    numbers beyond the grid.
    """

    log_bias: float
    sd: float
    pulls: int
    note: str = ""
    kept: int = 0

    def __post_init__(self) -> None:
        if not (abs(self.log_bias) < STEP * REACH and 0.0 < self.sd <= 1.0):
            raise ValueError("not a mold's factor")


@dataclass(frozen=True, slots=True)
class Belief:
    """ln of a mold's factor on the model's times: ln of the weights on the grid, and how many pulls they rest on."""

    ln_weights: tuple[float, ...]
    pulls: int = 0

    @property
    def mean(self) -> float:
        """Mean of ln of the factor, b."""
        weights = self._weights()
        return sum(w * b for w, b in zip(weights, _GRID, strict=True))

    @property
    def sd(self) -> float:
        """sd of b."""
        mean = self.mean
        return sqrt(sum(w * (b - mean) ** 2 for w, b in zip(self._weights(), _GRID, strict=True)))

    def _weights(self) -> list[float]:
        most = max(self.ln_weights)
        raw = [exp(w - most) for w in self.ln_weights]
        total = sum(raw)
        return [w / total for w in raw]

    def after(self, pull: Pull) -> Belief:
        """The belief updated by this pull."""
        told = [log(SLIP + (1.0 - 2.0 * SLIP) * chance(pull, b)) for b in _GRID]
        most = max(w + x for w, x in zip(self.ln_weights, told, strict=True))
        return Belief(tuple(w + x - most for w, x in zip(self.ln_weights, told, strict=True)), self.pulls + 1)

    def beside(self, thick_mm: float, siblings: Sequence[tuple[Belief, float]]) -> Belief:
        """The belief updated by pulls from the resin's other molds: (belief, thickest section [mm]) of each.

        b is the sum of the resin's share (sd RESIN_SD) and the mold's own: what siblings show of the first moves this
        one.
        """
        precision, weighed, pulls = RESIN_SD**-2, 0.0, self.pulls
        for sibling, sibling_mm in siblings:
            before = prior_sd(sibling_mm)
            if sibling.sd * LEAST_TOLD > before:
                continue
            told = sibling.sd**-2 - before**-2
            value = sibling.mean * sibling.sd**-2 / told
            each = 1.0 / (1.0 / told + before**2 - RESIN_SD**2)
            precision, weighed, pulls = precision + each, weighed + each * value, pulls + sibling.pulls
        if weighed == 0.0:
            return self
        mean, before = weighed / precision, prior_sd(thick_mm)
        var = 1.0 / precision + before**2 - RESIN_SD**2
        moved = (
            w + 0.5 * (b / before) ** 2 - 0.5 * (b - mean) ** 2 / var
            for w, b in zip(self.ln_weights, _GRID, strict=True)
        )
        return Belief(tuple(moved), pulls)

    def expects(self, pull: Pull) -> float:
        """How likely this pull's feel was beforehand (0..1)."""
        weights = self._weights()
        return sum(w * (SLIP + (1.0 - 2.0 * SLIP) * chance(pull, b)) for w, b in zip(weights, _GRID, strict=True))


_GRID = tuple(STEP * i for i in range(-REACH, REACH + 1))


def gaussian(mean: float = 0.0, sd: float = PRIOR_SDS[1][1], pulls: int = 0) -> Belief:
    """A belief that is Gaussian: nothing pulled yet, or one read back from its mean and sd."""
    sd = max(sd, STEP)
    return Belief(tuple(-0.5 * ((b - mean) / sd) ** 2 for b in _GRID), pulls)


def chance(pull: Pull, log_bias: float) -> float:
    """How likely this feel is if the mold is off by e^log_bias (0..1).  Raises ValueError on an unknown feel."""
    past_green = _normal((log(pull.after_s / pull.green_s) - log_bias) / POUR_SD)
    past_hard = min(_normal((log(pull.after_s / pull.hard_s) - log_bias) / POUR_SD), past_green)
    match pull.feel:
        case "hard" | "stuck":
            return past_hard
        case "green":
            return past_green - past_hard
        case "rubbery":
            return 1.0 - past_green
        case "hot":
            return 1.0 - past_hard
    raise ValueError(f"no feel {pull.feel!r}")


def _normal(z: float) -> float:
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))


def prior_sd(thick_mm: float) -> float:
    """sd of b before the first pull from a mold with this thickest section [mm].

    Straight between the thicknesses of PRIOR_SDS, flat outside.

    >>> prior_sd(6.0), prior_sd(30.0)
    (0.24, 0.5)
    """
    return between(thick_mm, PRIOR_SDS)


def edge_shares(thick_mm: float) -> tuple[float, float]:
    """How far the early and the late edge of a window lie out, over its chances' own tails, before the first pull.

    Straight between the thicknesses of EDGES, flat outside.

    >>> edge_shares(6.0), edge_shares(30.0)
    ((1.36, 1.17), (1.01, 1.07))
    """
    early, late = ([(row[0], row[i]) for row in EDGES] for i in (1, 2))
    return between(thick_mm, early), between(thick_mm, late)


def between(x: float, rows: Sequence[tuple[float, float]]) -> float:
    """The second of (x, value) rows, straight between them, flat outside."""
    for (low, left), (high, right) in pairwise(rows):
        if x <= high:
            part = max(0.0, (x - low) / (high - low))
            return left + part * (right - left)
    return rows[-1][1]


def belief_of(known: MoldFactor | None, thick_mm: float = THIN_MM) -> Belief:
    """The belief behind a factor as it was remembered; the prior if there is none."""
    return gaussian(sd=prior_sd(thick_mm)) if known is None else gaussian(known.log_bias, known.sd, known.pulls)
