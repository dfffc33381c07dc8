"""Forecasts whether, and when, a shut pot's pressure reaches its floor within the time its molds still need.

The leak's size is only part of the answer: what cooling, the wall's skin, silicone and the exotherm will still do
counts as much.  So the bank's whole state is run ahead: each cooling time's gas is cooled on with the inlet shut, each
filter predicts ln p and its spread from its own means and covariances,

    ln p(t) = c(t) . m,    var = c(t) . P c(t) + (doubt of the leak that no data lessen x time ahead)^2

and the filters' chances of being under the floor are weighted as the bank weighs them.  No leak has to be proved for
the floor to be forecast, and a proved leak that reaches the floor too late raises nothing here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.physics.constants import AIR_J_KG_K
from benchd.physics.leak_bank import SIZES, TAUS_S, Array
from benchd.physics.pot_observer import CV, SKIN_S, PotObserver
from benchd.stored import stored

STEPS_S = (2.5,) * 12 + (5.0,) * 12 + (15.0,) * 14 + (30.0,) * 60  # fine where the gas still cools: 35 min in all
LIKELY, SURE = 0.5, 0.9
PROBE_WANDER = 1e-3  # of ln T a root minute, 0.3 K: a probe shows how warm the gas is, not how warm it will be
PROBE_BINS = 4  # what a gas probe says wavers by its steps of a quarter degree
_ERF = np.vectorize(math.erf, otypes=[np.float64])


@stored("floor-ahead")
@dataclass(frozen=True, slots=True)
class FloorAhead:
    """chance (0..1) of being under the floor by the horizon; seconds from now to when it is a tenth, a half, nine
    tenths (inf: not by the horizon)."""

    chance: float
    early_s: float
    likely_s: float
    late_s: float


def floor_ahead(observer: PotObserver, floor_pa_abs: float, until_s: float, doubt_per_min: float) -> FloorAhead | None:
    """The chances of being under the floor in the next until_s seconds.

    observer: the pot's own; floor_pa_abs: the floor [Pa absolute]; until_s: the horizon [s]; doubt_per_min: the leak's
    doubt that no data lessen, as a share of absolute pressure a minute.  None while the bank has judged under two bins,
    or nothing lies ahead.
    """
    bank, gas = observer.bank, observer.gas
    if bank is None or gas is None or bank.count < 2 or until_s <= 0.0:
        return None
    floor = math.log(floor_pa_abs / observer.full_pa_abs)
    ahead_s, columns, warmer = _columns_ahead(observer, until_s)
    mean = np.zeros(columns.shape[1:])
    variance = np.zeros(columns.shape[1:])
    for i in range(SIZES[0]):
        mean += bank.mean[i][:, None] * columns[i]
        for j in range(i + 1):
            times = 1.0 if i == j else 2.0
            variance += times * bank.cov[i, j][:, None] * columns[i] * columns[j]
    wander = PROBE_WANDER**2 * ahead_s / 60.0 if observer.is_probed else 0.0
    spread = np.sqrt(np.maximum(variance, 1e-12) + (doubt_per_min * ahead_s / 60.0) ** 2 + wander)
    below = 0.5 * (1.0 + _ERF((floor - mean - warmer) / (spread * math.sqrt(2.0))))
    chance = np.zeros(len(ahead_s))
    for weight, row in zip(bank.weights(), below, strict=True):
        chance += weight * row
    rising = np.maximum.accumulate(chance)
    return FloorAhead(float(rising[-1]), *(_first(ahead_s, rising, level) for level in (1.0 - SURE, LIKELY, SURE)))


def _columns_ahead(observer: PotObserver, until_s: float) -> tuple[Array, Array, Array]:
    """(seconds ahead (n,), columns (states, taus, n), ln of the gas's warmth a probed bank leaves out (taus, n))."""
    gas = observer.gas
    assert gas is not None
    now_t, p_pa = observer.now
    density = observer.full_pa_abs / (AIR_J_KG_K * gas.wall_k)
    last = list(observer.bins)[-PROBE_BINS:]
    probe_k = gas.wall_k * math.exp(sum(b.gas_ln for b in last) / len(last))
    over_k = probe_k - gas.wall_k - gas.x_k if observer.is_probed else None
    x_k, skin_k = gas.x_k.copy(), gas.skin_k.copy()
    times: list[float] = []
    columns: list[Array] = []
    warmer: list[Array] = []
    at_s = 0.0
    for step_s in STEPS_S:
        at_s = min(at_s + step_s, until_s)
        dt_s = at_s - (times[-1] if times else 0.0)
        gas_k = gas.wall_k + x_k
        thickness = np.sqrt(p_pa / observer.full_pa_abs * gas.wall_k / gas_k)
        film = density * CV / TAUS_S * thickness * (np.abs(x_k) / 5.0 + 0.06) ** 0.2
        heat = film * x_k
        x_k = x_k * np.exp(-dt_s * film * AIR_J_KG_K * gas_k / (p_pa * CV))
        skin_k = skin_k + dt_s * (heat / (density * CV) - skin_k / SKIN_S)
        times.append(at_s)
        columns.append(observer.columns(now_t + at_s, np.log1p(x_k / gas.wall_k), skin_k / gas.wall_k))
        warmer.append(np.log1p((x_k + over_k) / gas.wall_k) if over_k is not None else np.zeros(SIZES[1]))
        if at_s >= until_s:
            break
    return np.array(times), np.stack(columns, axis=2), np.stack(warmer, axis=1)


def _first(ahead_s: Array, chance: Array, level: float) -> float:
    """When the chance first reaches this level, between the steps by a straight line; inf when it does not."""
    over = np.nonzero(chance >= level)[0]
    if not len(over):
        return math.inf
    i = int(over[0])
    if i == 0:
        return float(ahead_s[0]) if chance[0] < 1.0 else 0.0
    share = (level - float(chance[i - 1])) / float(chance[i] - chance[i - 1])
    return float(ahead_s[i - 1] + share * (ahead_s[i] - ahead_s[i - 1]))
