"""Reads off the cure curves when each cup and part truly gelled, turned green, turned hard and cooled.

A section is *green* when nine tenths of it are past gel and no more than 18 K hotter than their own glass transition
(flexible, holds its shape), *hard* when they are at or below it.  A mold is ready when its thin AND thick sections are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchd.rehearsal.cure import CureCurves
from benchd.rehearsal.layers import RESIN_CELLS
from benchd.rehearsal.resin import Array, ResinTruth, glass_transition_c

MOST = 0.9  # share of a section that must have got there; invented
GREEN_MARGIN_K = -18.0  # invented; see the module's text
HARD_MARGIN_K = 0.0
COOL_C = 40.0  # a hand can hold it: common practice, no source


@dataclass(frozen=True, slots=True)
class SectionTruth:
    """One section or cup, times in s after mix (in a Truth: since the rehearsal's start), None if it never came.

    kick_s: the first cell gels (the bloom begins); gel_s: nine tenths have; green_s, hard_s: from then on; cool_s: its
    hottest cell is below 40 C for good after the peak.
    """

    kick_s: float | None
    gel_s: float | None
    green_s: float | None
    hard_s: float | None
    cool_s: float | None
    peak_c: float

    def shifted(self, by_s: float) -> SectionTruth:
        """The same with every time by_s later."""
        names = ("kick_s", "gel_s", "green_s", "hard_s", "cool_s")
        return replace(self, **{n: t + by_s for n in names if (t := getattr(self, n)) is not None})


@dataclass(frozen=True, slots=True)
class MoldTruth:
    """One mold's part: the later of its thin and thick section for gel, green, hard and cool; the earlier for kick."""

    mold: str
    thin: SectionTruth
    thick: SectionTruth

    @property
    def kick_s(self) -> float | None:
        """When its first section kicks [s]; None if neither does."""
        return min((s.kick_s for s in (self.thin, self.thick) if s.kick_s is not None), default=None)

    @property
    def gel_s(self) -> float | None:
        """When both sections have gelled [s]."""
        return _later(self.thin.gel_s, self.thick.gel_s)

    @property
    def green_s(self) -> float | None:
        """When both sections are green [s]."""
        return _later(self.thin.green_s, self.thick.green_s)

    @property
    def hard_s(self) -> float | None:
        """When both sections are hard [s]."""
        return _later(self.thin.hard_s, self.thick.hard_s)

    @property
    def cool_s(self) -> float | None:
        """When both sections are cool [s]."""
        return _later(self.thin.cool_s, self.thick.cool_s)

    def feel_at(self, t_s: float) -> str:
        """What the hand finds when it pulls at t_s (same zero): rubbery, green, hot or hard."""
        if self.hard_s is not None and t_s >= self.hard_s:
            return "hard"
        if self.green_s is not None and t_s >= self.green_s:
            return "green"
        return "hot" if self.thin.green_s is not None and t_s >= self.thin.green_s else "rubbery"


def _later(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else max(a, b)


def section_truth(resin: ResinTruth, curves: CureCurves, row: int, share: Array) -> SectionTruth:
    """Read one row of the curves; share (resin cells) weighs its cells."""
    temp_c, a, times_s = curves.temp_c[:, row, :RESIN_CELLS], curves.a[:, row], curves.times_s
    gels_s = np.sort(_gel_times_s(times_s, a, resin.gel_conversion))
    gelled = a >= resin.gel_conversion
    margin_k = glass_transition_c(resin, a) - temp_c
    hottest = temp_c.max(axis=1)
    after_peak = np.arange(len(times_s)) >= int(hottest.argmax())
    through = _from_then_on(times_s, (gelled @ share) >= MOST)
    return SectionTruth(
        kick_s=None if np.isinf(gels_s[0]) else float(gels_s[0]),
        gel_s=through,
        green_s=_from_then_on(times_s, ((gelled & (margin_k >= GREEN_MARGIN_K)) @ share) >= MOST),
        hard_s=_from_then_on(times_s, ((gelled & (margin_k >= HARD_MARGIN_K)) @ share) >= MOST),
        cool_s=None if through is None else _from_then_on(times_s, (hottest < COOL_C) & after_peak),
        peak_c=float(hottest.max()),
    )


def _gel_times_s(times_s: Array, a: Array, gel: float) -> Array:
    """Gel time of every cell [s], inf where none, interpolated between steps."""
    index = (a >= gel).argmax(axis=0)
    cells = np.arange(a.shape[1])
    before = np.maximum(index - 1, 0)
    low, high = a[before, cells], a[index, cells]
    part = np.where(high > low, (gel - low) / np.maximum(high - low, 1e-12), 0.0)
    at = times_s[before] + part * (times_s[index] - times_s[before])
    return np.where((a >= gel).any(axis=0), at, np.inf)


def _from_then_on(times_s: Array, is_so: npt.NDArray[np.bool_]) -> float | None:
    """The first time after which is_so always holds; None if there is none."""
    if not is_so[-1]:
        return None
    wrong = np.nonzero(~is_so)[0]
    return float(times_s[wrong[-1] + 1]) if len(wrong) else float(times_s[0])
