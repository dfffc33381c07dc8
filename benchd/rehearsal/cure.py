"""Integrates how the cup and every mold section of one pour heat and harden, minute by minute.

Strang splitting: half a step of heat flow (exact, by matrix exponentials cached for steps of 1/32 s to 8 s), a whole
step of reaction cell by cell, half a step of heat flow.  Steps shrink with the fastest rate anywhere.  Rows start when
they are poured: until then they hold their own temperature, then take over the mixing cup's mean state.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchd.rehearsal.layers import RESIN_CELLS, Row
from benchd.rehearsal.resin import Array, CureState, ResinTruth, react

TICK_S = 1.0 / 32.0
CONVERSION_A_STEP = 0.012
EARLY_S = 900.0
EARLY_STEP_S = 2.0
LATE_STEP_S = 8.0


@dataclass(frozen=True, slots=True)
class Start:
    """When a row is poured [s after mix] and at what temperature its wall waits [C]."""

    poured_s: float
    wall_c: float


@dataclass(frozen=True, slots=True)
class CureCurves:
    """What happened: times (M) [s after mix], temp_c (M, rows, cells) of all cells, a (M, rows, resin cells)."""

    times_s: Array
    temp_c: Array
    a: Array


class _HeatFlow:
    """Exact heat flow of a batch of rows over a given step: T - T_air decays by a symmetric matrix's exponential."""

    def __init__(self, rows: Sequence[Row]) -> None:
        root = np.sqrt(np.array([row.capacities for row in rows]))
        matrix = np.array([_conductance(row) for row in rows]) / root[:, :, None] / root[:, None, :]
        self._decay_per_s, self._modes = np.linalg.eigh(matrix)
        self._root = root
        self._cache: dict[float, Array] = {}

    def over(self, dt_s: float) -> Array:
        if dt_s not in self._cache:
            faded = self._modes * np.exp(-self._decay_per_s * dt_s)[:, None, :]
            step = faded @ self._modes.transpose(0, 2, 1)
            self._cache[dt_s] = step * self._root[:, None, :] / self._root[:, :, None]
        return self._cache[dt_s]


def _conductance(row: Row) -> Array:
    size = len(row.capacities)
    matrix = np.diag(row.losses.astype(float))
    index = np.arange(size - 1)
    matrix[index, index] += row.links
    matrix[index + 1, index + 1] += row.links
    matrix[index, index + 1] -= row.links
    matrix[index + 1, index] -= row.links
    return matrix


def _step_s(rate_per_s: float, t_s: float, limit_s: float) -> float:
    most = min(CONVERSION_A_STEP / max(rate_per_s, 1e-9), EARLY_STEP_S if t_s < EARLY_S else LATE_STEP_S, limit_s)
    step = LATE_STEP_S
    while step > most and step > TICK_S:
        step *= 0.5
    return step


def cure(
    resin: ResinTruth,
    rows: Sequence[Row],
    starts: Mapping[int, Start],
    resin_c: float,
    air_c: float,
    stirred_s: float,
    until_s: float,
) -> CureCurves:
    """Integrate one pour from the first contact of A with B.

    Row 0 is the mixing cup, filled at 0 and stirred until stirred_s; starts gives every other row's pouring.  resin_c
    is the temperature of A and B, air_c that of room and mixing cup.  Curves reach at least until_s.
    """
    run = _Run(resin, rows, starts, resin_c, air_c, stirred_s)
    run.go(until_s)
    return CureCurves(np.array(run.times), np.array(run.temps), np.array(run.conversions))


class _Run:
    """The integrator's state while it goes."""

    def __init__(
        self,
        resin: ResinTruth,
        rows: Sequence[Row],
        starts: Mapping[int, Start],
        resin_c: float,
        air_c: float,
        stirred_s: float,
    ) -> None:
        self.resin, self.air_c, self.stirred_s = resin, air_c, stirred_s
        self.flow = _HeatFlow(rows)
        self.mix_share = rows[0].share
        self.temp_c = np.full((len(rows), len(rows[0].capacities)), air_c)
        self.temp_c[0, :RESIN_CELLS] = resin_c
        self.walls_c = {i: start.wall_c for i, start in starts.items()}
        self.waiting = sorted((_on_grid(start.poured_s), i) for i, start in starts.items())
        self.state = CureState.fresh((len(rows), RESIN_CELLS))
        self.t_s, self.rate = 0.0, 1e-3
        self.times: list[float] = []
        self.temps: list[Array] = []
        self.conversions: list[Array] = []

    def go(self, until_s: float) -> None:
        self._hold()
        self._keep()
        while self.t_s < until_s:
            ahead = [t for t, _ in self.waiting[:1]] + ([self.stirred_s] if self.t_s < self.stirred_s else [])
            dt = _step_s(self.rate, self.t_s, min([t - self.t_s for t in ahead if t > self.t_s], default=LATE_STEP_S))
            self._step(dt)
            self._pour()
            self._keep()

    def _step(self, dt_s: float) -> None:
        half = self.flow.over(0.5 * dt_s)
        temp = self.air_c + (half @ (self.temp_c - self.air_c)[:, :, None])[:, :, 0]
        self.state, rise, self.rate = react(self.resin, self.state, temp[:, :RESIN_CELLS], dt_s)
        temp[:, :RESIN_CELLS] += rise
        self.temp_c = self.air_c + (half @ (temp - self.air_c)[:, :, None])[:, :, 0]
        self.t_s += dt_s
        if self.t_s <= self.stirred_s:
            self.temp_c[0, :RESIN_CELLS] = self.temp_c[0, :RESIN_CELLS] @ self.mix_share
        self._hold()

    def _hold(self) -> None:
        """Rows not yet poured wait: resin as unreacted as it was, everything at the wall's temperature."""
        for _, i in self.waiting:
            self.temp_c[i] = self.walls_c[i]
            for part in (self.state.a, self.state.awake, self.state.water):
                part[i] = 0.0

    def _pour(self) -> None:
        while self.waiting and self.waiting[0][0] <= self.t_s:
            _, i = self.waiting.pop(0)
            self.temp_c[i, :RESIN_CELLS] = self.temp_c[0, :RESIN_CELLS] @ self.mix_share
            self.temp_c[i, RESIN_CELLS:] = self.walls_c[i]
            for part in (self.state.a, self.state.awake, self.state.water):
                part[i] = part[0] @ self.mix_share

    def _keep(self) -> None:
        self.times.append(self.t_s)
        self.temps.append(self.temp_c.copy())
        self.conversions.append(self.state.a.copy())


def _on_grid(t_s: float) -> float:
    return round(t_s / TICK_S) * TICK_S
