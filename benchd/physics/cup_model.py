"""Computes a reacting cup's temperature over time and its gel time, for many parameter sets at once.

With alpha the conversion, y the cup's excess over its room and tau its cooling time,

    d alpha/dt = k exp(E/R (1/298.15 - 1/T)) (c + alpha^m) (1 - alpha)^n          dy/dt = rise d alpha/dt - y/tau

Conversion, not time, is stepped (72 steps to 0.95): the chemistry is then known beforehand at every step, the step's
duration follows from the temperature in its middle, and a snap curing cup needs no finer steps than a slow one.  The
probe's lag is taken as a delay: exact to first order in lag times the curve's own rate of change.

Columns are parameter sets.  No matrix products: sums are explicit, so that results don't depend on a BLAS.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cbrt

import numpy as np
import numpy.typing as npt

from benchd.physics.constants import GAS_CONSTANT_J_MOL_K, ZERO_C_K
from benchd.physics.kinetics import REFERENCE_K
from benchd.stored import stored

Array = npt.NDArray[np.float64]

LABEL_C = 23.0  # common practice: labels are read at 23 C or 73 F
LABEL_TAU_S = 1590.0  # calc: 100 g in a cup as deep as wide, 10 W/m2K
MOST_ALPHA = 0.95
STEPS = 72
LABEL_STEPS = 40
BEND = 1.5  # steps of conversion grow with its square root of progress: the slow start needs the finest

BEND_AT = (0.04, 0.2, 0.45, 0.75)
"""Conversions at which the rate law may bend: ln of the rate over that of the law above, straight between in the
stepped variable, flat outside.  What no such law says of a resin goes in there; how far it may is in cure_prior."""
BENDS = len(BEND_AT)
LF, LN_C, M, N, E, LN_RISE, GEL = range(7)
BENT = 7
LN_TAU, START, DELAY = range(BENT + BENDS, BENT + BENDS + 3)
"""Rows of a parameter array: ln of the lot's speed over the label's, ln c, m, n, E [10 kJ/mol], ln of the adiabatic
rise [K], conversion at gel, the bends [ln], ln of the cup's cooling time [s], resin's temperature at the mix less its
likely value [K], delay of probe and mix mark together [s]."""
SIZE = BENT + BENDS + 3
LEAST = np.array([-2.5, -8.0, 0.4, 1.0, 2.0, 3.9, 0.40, *[-3.0] * BENDS, 4.0, -12.0, -60.0])
MOST = np.array([2.5, 2.0, 3.0, 4.0, 8.5, 5.4, 0.92, *[3.0] * BENDS, 9.5, 12.0, 120.0])


def _grid(steps: int, most: float) -> tuple[Array, Array]:
    """Conversions at the steps' ends (steps + 1) and middles (steps)."""
    ends = most * (np.arange(steps + 1) / steps) ** BEND
    return ends, 0.5 * (ends[1:] + ends[:-1])


_ENDS, _MIDS = _grid(STEPS, MOST_ALPHA)
_LN_MIDS, _LN_LEFT = np.log(_MIDS)[:, None], np.log1p(-_MIDS)[:, None]
_WIDTHS = np.diff(_ENDS)
_LN_WIDTHS = np.log(_WIDTHS)[:, None]
_UNIT_ENDS, _UNIT_MIDS = _grid(LABEL_STEPS, 1.0)
_UNIT_WIDTHS = np.diff(_UNIT_ENDS)[:, None]


_BEND_SPOTS = (np.array(BEND_AT) / MOST_ALPHA) ** (1.0 / BEND)


def _hats(spots: Array) -> Array:
    """How much of each bend acts at spots (any shape) of the stepped variable: shape (bends, *spots.shape)."""
    return np.stack([np.interp(spots, _BEND_SPOTS, row) for row in np.eye(BENDS)])


_HATS = _hats((_MIDS / MOST_ALPHA) ** (1.0 / BEND))
_UNIT_SPOTS = (_UNIT_MIDS[:, None] / MOST_ALPHA) ** (1.0 / BEND)


def _bent(p: Array) -> Array:
    """What the bends add to ln of the rate at the curve's steps, shape (steps, columns)."""
    out = _HATS[0][:, None] * p[BENT]
    for i in range(1, BENDS):
        out += _HATS[i][:, None] * p[BENT + i]
    return np.asarray(out)


def _bent_label(p: Array) -> Array:
    """The same at the label cup's steps, whose conversions go with each column's gel."""
    spots = _UNIT_SPOTS * p[GEL] ** (1.0 / BEND)
    out = np.zeros_like(spots)
    for i in range(BENDS - 1):  # piecewise straight: each stretch adds what it rises by
        share = np.clip((spots - _BEND_SPOTS[i]) / (_BEND_SPOTS[i + 1] - _BEND_SPOTS[i]), 0.0, 1.0)
        out += share * (p[BENT + i + 1] - p[BENT + i])
    return np.asarray(out + p[BENT])


@stored("drained")
@dataclass(frozen=True, slots=True)
class Drained:
    """A cup that was emptied but for its residue.

    Until at_s [s after the mix] the resin cooled with first_tau_s [s], as a full cup; then floor and walls took their
    part of its heat and of all that came later: heat_share (0..1) is left.
    """

    at_s: float
    first_tau_s: float
    heat_share: float


@dataclass(frozen=True, slots=True)
class Curves:
    """times_s (73, columns) since the mix, excess_k (73, columns) of the cup over its room, gel_s (columns)."""

    times_s: Array
    excess_k: Array
    gel_s: Array

    def seen_k(self, at_s: Array, delay_s: Array) -> Array:
        """The excess a probe shows at at_s (points) [s after the mix], shape (points, columns)."""
        out = np.empty((len(at_s), self.times_s.shape[1]))
        for j, delay in enumerate(delay_s.tolist()):
            out[:, j] = np.interp(at_s - delay, self.times_s[:, j], self.excess_k[:, j])
        return out


def _march(
    ln_slow: Array, e_k: Array, rises: Array, tau_s: Array, room_k: float, start_k: Array
) -> tuple[Array, Array]:
    """Durations (steps, columns) [s] and excess (steps + 1, columns) [K].

    ln_slow (steps, columns): ln of (d alpha / rate) without its exp(E/(R T)); e_k: E/R [K]; rises (steps, columns):
    what each step adds without losses [K].
    """
    steps, columns = ln_slow.shape
    durations, excess = np.empty((steps, columns)), np.empty((steps + 1, columns))
    excess[0] = y = start_k
    fade, loss = np.ones(columns), -0.5 / tau_s
    middles = 0.5 * rises + room_k
    for j in range(steps):
        took = np.exp(ln_slow[j] + e_k / (y * fade + middles[j]))
        fade = np.exp(took * loss)
        y = (y * fade + rises[j]) * fade
        durations[j], excess[j + 1] = took, y
    return durations, excess


def _march_drained(
    ln_slow: Array, e_k: Array, rises: Array, tau_s: Array, room_k: float, start_k: Array, drained: Drained
) -> tuple[Array, Array]:
    """The same for a cup that is drained on the way."""
    steps, columns = ln_slow.shape
    durations, excess = np.empty((steps, columns)), np.empty((steps + 1, columns))
    excess[0] = y = start_k
    at_s, fade, is_pool = np.zeros(columns), np.ones(columns), np.zeros(columns, dtype=np.bool_)
    for j in range(steps):
        now_pool = at_s >= drained.at_s
        y = np.where(now_pool & ~is_pool, y * drained.heat_share, y)
        is_pool = now_pool
        rise = np.where(is_pool, rises[j] * drained.heat_share, rises[j])
        took = np.exp(ln_slow[j] + e_k / (y * fade + 0.5 * rise + room_k))
        fade = np.exp(-0.5 * took / np.where(is_pool, tau_s, drained.first_tau_s))
        y = (y * fade + rise) * fade
        at_s = at_s + took
        durations[j], excess[j + 1] = took, y
    return durations, excess


def label_tau_s(mass_g: float) -> float:
    """Cooling time [s] of the cup a label's pot life was read in: it grows with the cube root of mass_g [g]."""
    return LABEL_TAU_S * cbrt(max(mass_g, 1.0) / 100.0)


def label_ln_k(p: Array, pot_life_s: float, guess: Array, rounds: int = 3, cup_tau_s: float = LABEL_TAU_S) -> Array:
    """ln of k at 25 C [1/s] with which the label's cup (at 23 C) gels at its pot life, for each column of p.

    guess (columns): where to start; each round brings it five times nearer or more.  cup_tau_s: of the label's cup.
    """
    gel = p[GEL]
    alpha = _UNIT_MIDS[:, None] * gel
    chemistry = np.log(np.exp(p[LN_C]) + np.exp(p[M] * np.log(alpha))) + p[N] * np.log1p(-alpha)
    chemistry += _bent_label(p)
    e_k = p[E] * (1e4 / GAS_CONSTANT_J_MOL_K)
    widths = _UNIT_WIDTHS * gel
    rises = np.exp(p[LN_RISE]) * widths
    fixed = np.log(widths) - chemistry - e_k / REFERENCE_K
    tau_s, start = np.full_like(gel, cup_tau_s), np.zeros_like(gel)
    ln_k = guess
    for _ in range(rounds):
        took = _march(fixed - ln_k, e_k, rises, tau_s, LABEL_C + ZERO_C_K, start)[0].sum(axis=0)
        ln_k = ln_k + np.log(took / pot_life_s)
    return ln_k


def cup_curves(p: Array, ln_k: Array, room_c: float, start_c: float, drained: Drained | None = None) -> Curves:
    """The curves of parameter sets p (SIZE, columns) with ln of k (columns), by the equations in this file's docstring.

    room_c, start_c: the room's and the likely starting temperature [C]; drained: set if the cup was emptied on the way.
    """
    chemistry = np.log(np.exp(p[LN_C]) + np.exp(p[M] * _LN_MIDS)) + p[N] * _LN_LEFT + _bent(p)
    e_k = p[E] * (1e4 / GAS_CONSTANT_J_MOL_K)
    ln_slow = _LN_WIDTHS - chemistry - (ln_k + p[LF]) - e_k / REFERENCE_K
    rises = np.exp(p[LN_RISE]) * _WIDTHS[:, None]
    given = ln_slow, e_k, rises, np.exp(p[LN_TAU]), room_c + ZERO_C_K, start_c - room_c + p[START]
    durations, excess = _march(*given) if drained is None else _march_drained(*given, drained)
    times = np.zeros_like(excess)
    np.cumsum(durations, axis=0, out=times[1:])
    return Curves(times, excess, _at_alpha(times, p[GEL]))


def _at_alpha(values: Array, alpha: Array) -> Array:
    """Values (73, columns) read at each column's conversion."""
    spot = STEPS * (np.clip(alpha, 0.0, MOST_ALPHA * 0.999) / MOST_ALPHA) ** (1.0 / BEND)
    low = spot.astype(np.intp)
    share = (alpha - _ENDS[low]) / _WIDTHS[low]
    columns = np.arange(values.shape[1])
    return np.asarray((1.0 - share) * values[low, columns] + share * values[low + 1, columns])


def excess_at_gel_k(curves: Curves, p: Array) -> Array:
    """The cup's excess over its room when it gels [K], for each column."""
    return _at_alpha(curves.excess_k, p[GEL])
