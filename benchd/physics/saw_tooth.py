"""Estimates the leak of a pot that a regulator keeps feeding, from the saw-tooth of its pressure.

A regulator with a dead band lets a leaking pot sag, then feeds it back to its setting.  What leaks in one period is
what one rise brings in; a quick rise warms the gas, so its dp means only dp/gamma of mass:

    leak = rise / (gamma period)        (a leg's own slope reads up to 1.4 times the leak, for the same warmth fades)

Turning points are found with a dead zone of their own, above the gauge's noise.
"""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass, field

from benchd.physics.pot_gas import GAMMA
from benchd.stored import stored

TURN_KPA = 2.5  # 0.36 psi: ten times the noise of a guarded sample; smaller teeth are not seen
NOISE_TURNS = 5.0  # calc: a guarded sample (0.67 of one's sd) swings 2 x 3.3 sd in a thousand: 4.4 of one's
TEETH = 3  # common practice: three alike make a rhythm
ALIKE = 0.35  # periods of one rhythm differ by no more than this share of their mean


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Loss [kPa/min] at the set-point, its spread (sd), period [s], duty (share of time fed), set-point [kPa gauge],
    creep [kPa/min]: how the tops drift, first to last."""

    kpa_per_min: float
    sd_kpa_per_min: float
    period_s: float
    duty: float
    set_kpa: float
    creep_kpa_min: float = 0.0


@stored("saw-tooth")
@dataclass(slots=True)
class SawTooth:
    """The turning points of a fed pot's pressure; step it with guarded samples, t in seconds, kPa gauge."""

    rising: bool = False
    extreme_t: float = 0.0
    extreme_kpa: float | None = None
    turns: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=2 * TEETH + 2))

    def clear(self) -> None:
        """Forget all turning points."""
        self.extreme_kpa = None
        self.turns.clear()

    def step(self, t: float, kpa: float, noise_kpa: float = 0.0) -> bool:
        """Take one sample [s, kPa gauge] of a gauge with this noise [kPa]; True when it completes a rise."""
        turn_kpa = max(TURN_KPA, NOISE_TURNS * noise_kpa)
        if self.extreme_kpa is None:
            self.rising, self.extreme_t, self.extreme_kpa = False, t, kpa
            return False
        ahead = kpa - self.extreme_kpa if self.rising else self.extreme_kpa - kpa
        if ahead >= 0.0:
            self.extreme_t, self.extreme_kpa = t, kpa
        elif -ahead >= turn_kpa:
            self.turns.append((self.extreme_t, self.extreme_kpa))
            self.rising, self.extreme_t, self.extreme_kpa = not self.rising, t, kpa
            return not self.rising
        return False

    def rhythm(self) -> Rhythm | None:
        """The last TEETH whole periods, tops to tops; None before them, or when they are not alike.

        >>> saw = SawTooth()
        >>> for k in range(500):
        ...     s = k % 100
        ...     _ = saw.step(float(k), 290.0 - 7.0 * s / 95 if s <= 95 else 283.0 + 7.0 * (s - 95) / 5)
        >>> [round(x, 1) for x in (saw.rhythm().period_s, saw.rhythm().kpa_per_min, saw.rhythm().set_kpa)]
        [100.0, 3.0, 290.0]
        """
        points = list(self.turns)[: -1 if self.rising else None][-2 * TEETH - 1 :]  # the last of them a top
        if len(points) < 2 * TEETH + 1:
            return None
        tops, bottoms = points[::2], points[1::2]
        periods = [b[0] - a[0] for a, b in itertools.pairwise(tops)]
        rises = [top[1] - low[1] for top, low in zip(tops[1:], bottoms, strict=True)]
        fed_s = sum(top[0] - low[0] for top, low in zip(tops[1:], bottoms, strict=True))
        period_s = sum(periods) / TEETH
        if max(abs(p - period_s) for p in periods) > ALIKE * period_s or max(rises) > 2.0 * min(rises):
            return None
        losses = [60.0 * rise / (GAMMA * p) for rise, p in zip(rises, periods, strict=True)]
        loss = sum(losses) / TEETH
        spread = max(abs(x - loss) for x in losses) + 0.1 * loss  # the rise's share of warmth is known to a tenth
        creep = 60.0 * (tops[-1][1] - tops[0][1]) / (tops[-1][0] - tops[0][0])
        return Rhythm(loss, spread, period_s, fed_s / (TEETH * period_s), sum(p for _, p in tops) / len(tops), creep)
