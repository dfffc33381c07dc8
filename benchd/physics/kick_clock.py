"""When will this cup kick, from its label, its temperature and the heat it has put out so far?

Two witnesses of x = ln(time from mix to kick), each with its doubt:

  the label   ln(pot life * 2^((23 - T)/10)), doubt: the lot and the label themselves, and T;
  the rise    once the reaction has put r kelvin into the cup at `elapsed`, resins stand at a fraction f(r) of their
              time to the kick, whatever that time is: ln(elapsed / f(r)), doubt: how much resins differ in f(r), and
              what a wrong starting temperature makes of r.

Weighed by their variances (the two hardly correlate: -0.1 to -0.3 over simulated resins), then cut at `elapsed`: a cup
that has not kicked yet kicks later than now.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import exp, hypot, log
from statistics import NormalDist

from benchd.physics.cup_heat import KELVIN_PER_DOUBLING, label_time_factor

RISE_TABLE: tuple[tuple[float, float, float], ...] = (
    (3.0, 0.312, 0.369), (5.0, 0.399, 0.323), (8.0, 0.500, 0.272), (12.0, 0.601, 0.222), (16.0, 0.677, 0.183),
    (20.0, 0.737, 0.153), (25.0, 0.796, 0.122), (30.0, 0.842, 0.098), (40.0, 0.909, 0.064), (50.0, 0.958, 0.047),
    (60.0, 0.998, 0.052),
)  # fmt: skip
"""Compensated rise [K], fraction of the time to the heating rate's peak (mean over resins of its ln), sd of its ln.

[model] 246 simulated witness cups of steady, mid and snap resins (tests/cup_population.py, seeds 1 and 2; rebuilt by
tests/physics/test_kick_clock.py), probe put in within 45 s of the mix; mixing cups differ by 2 %, residue by 4 %.
"""

_NORMAL = NormalDist()
COVERAGE = 0.90
_EDGES = (0.05, 0.5, 0.95)


@dataclass(frozen=True, slots=True)
class Guess:
    """A normal belief about ln(time from mix to kick [s]): its mean and sd."""

    mean: float
    sd: float

    def time_s(self, share: float = 0.5) -> float:
        """The time [s] with this share of the belief below it."""
        return exp(self.mean + self.sd * _NORMAL.inv_cdf(share))

    def and_also(self, other: Guess) -> Guess:
        """Both beliefs together, as independent ones: weighed by 1/variance."""
        mine, theirs = self.sd**-2, other.sd**-2
        return Guess((mine * self.mean + theirs * other.mean) / (mine + theirs), (mine + theirs) ** -0.5)

    def window_s(self, elapsed_s: float) -> tuple[float, float, float]:
        """Early, likely and late time from mix to kick [s] (90 %), given that elapsed_s have passed without one."""
        gone = _NORMAL.cdf((log(elapsed_s) - self.mean) / self.sd) if elapsed_s > 0.0 else 0.0
        gone = min(gone, 1.0 - 1e-6)
        early, likely, late = (self.time_s(gone + (1.0 - gone) * share) for share in _EDGES)
        return early, likely, late


def label_guess(pot_life_s: float, temp_c: float, label_sd: float, temp_sd_k: float, stretch: float = 1.0) -> Guess:
    """The label's belief: pot life [s], the resin's temperature [C] and its doubt [K]; label_sd: sd of ln of the label.

    stretch: how much longer this kind of cup takes than the label's own.
    """
    mean = log(pot_life_s * label_time_factor(temp_c) * stretch)
    return Guess(mean, hypot(label_sd, temp_sd_k * log(2.0) / KELVIN_PER_DOUBLING))


def rise_guess(elapsed_s: float, rise_k: float, start_sd_k: float) -> Guess | None:
    """The rise's belief, elapsed_s [s] after the mix with rise_k [K] put in; start_sd_k: doubt of where it began [K].

    None below the table's first rise: so little may be the probe's own settling.
    """
    if elapsed_s <= 0.0 or rise_k < RISE_TABLE[0][0]:
        return None
    rise_k = min(rise_k, RISE_TABLE[-1][0])
    for (r0, f0, s0), (r1, f1, s1) in pairwise(RISE_TABLE):
        if rise_k <= r1:
            share = (rise_k - r0) / (r1 - r0)
            step = (log(f1) - log(f0)) / (r1 - r0)
            mean = log(elapsed_s) - log(f0) - step * (rise_k - r0)
            return Guess(mean, hypot(s0 + share * (s1 - s0), step * start_sd_k))
    raise AssertionError("the table covers every rise up to its last")
