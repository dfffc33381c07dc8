"""Measures how fast a pot's gauge falls just now, for any reason, from its last samples and five-second means."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from benchd.core.seat.pressure_trace import MEDIANS_SLOPE, PressureTrace

WARMTH_OF_ONSET = 1.2  # calc: an opening leak cools the gas; the fall is 1.4 times as steep at first, 1.0 in the end
EVEN = 1.5  # calc: the first seconds of an opening leak are 1.4 times as steep as its later ones, not its last
Means = Sequence[tuple[float, float]]
"""Five-second means (t, kPa), newest last."""


def pace_kpa_min(means: Means) -> float:
    """Fall from the first to the last of the latest seven means [kPa/min]; inf while there are fewer.

    60 (p1 - p7) / (t7 - t1); means: (t [s], kPa), newest last.

    >>> pace_kpa_min([(5.0 * n, 300.0 - n) for n in range(7)])
    12.0
    """
    recent = means[-7:]
    if len(recent) < 7:
        return math.inf
    return (recent[0][1] - recent[-1][1]) / (recent[-1][0] - recent[0][0]) * 60.0


def falls_one_by_one(means: Means, kpa_min: float) -> bool:
    """Whether each of the last four means is below the previous one by kpa_min [kPa/min] or more.

    A moved hose gives a single step.

    >>> falls_one_by_one([(0.0, 300.0), (5.0, 299.0), (10.0, 298.0), (15.0, 297.0)], 12.0)
    True
    """
    recent, least = means[-4:], kpa_min / 60.0
    return len(recent) == 4 and all(a[1] - b[1] >= least * (b[0] - a[0]) for a, b in itertools.pairwise(recent))


def sudden_window_s(trace: PressureTrace, least_s: float, doubt_kpa_min: float) -> float:
    """How long a fall has to be watched for its slope to be known to doubt_kpa_min [kPa/min], one sd; least_s or more.

    A slope over W of samples with noise s, dt apart, has sd s sqrt(12 dt / W) / W (least squares, white noise), hence
    W = (s sqrt(12 dt) / sd)^(2/3).
    """
    noise = MEDIANS_SLOPE * trace.noise_kpa * math.sqrt(12.0 * trace.period_s)
    return max(least_s, math.pow(noise / (doubt_kpa_min / 60.0), 2.0 / 3.0))


def sudden_kpa_min(trace: PressureTrace, window_s: float, least_kpa_min: float, *, whole: bool = False) -> float | None:
    """The loss [kPa/min] of a leak that has just opened: -60 slope / WARMTH_OF_ONSET, the slope being over window_s.

    None unless the window is full and each of its halves falls by least_kpa_min [kPa/min] over the whole window, which
    a step does not, and the last third about as fast as the whole, at most EVEN times and at least half: neither the
    first seconds of a vent nor a fall that is over is a leak that has been open for a window.  whole: nor one that
    began within its first third, which may be a valve opened elsewhere on the hose.
    """
    part, slope = trace.last(window_s), trace.slope_kpa_s(window_s)
    if slope is None or part[-1][0] - part[0][0] < window_s - max(2.0, trace.period_s):
        return None
    half, least = part[len(part) // 2][1], least_kpa_min / 60.0 * window_s
    if part[0][1] - half < least or half - part[-1][1] < least:
        return None
    late = trace.slope_kpa_s(window_s / 3.0)
    doubt = 2.0 * trace.slope_sd_kpa_s(window_s / 3.0)
    if late is not None and not EVEN * slope - doubt <= late <= 0.5 * slope + doubt:
        return None
    first = [s for s in part if s[0] <= part[0][0] + window_s / 3.0]
    begun_kpa_s = (first[-1][1] - first[0][1]) / max(first[-1][0] - first[0][0], 1e-9)
    if whole and begun_kpa_s > 0.8 * slope:
        return None
    return -60.0 * slope / WARMTH_OF_ONSET
