"""Solves when mold sections kick, gel, turn green and turn hard: cure and heat flow together, a batch at a time.

Each resin cell reacts by physics/kinetics (with its glass: the rate falls as T nears Tg) and warms by rise * d alpha;
the heat goes through resin, silicone and air film (physics/section_grid, section_heat).  Cell by cell:

    gel     alpha reaches the gel conversion
    green   past gel, and no more than 15 K above its own Tg (flexible, holds its shape)
    hard    past gel, and 2 K below its own Tg
    cool    past gel, and at 55 C or less, where a resin that softens lower than its Tg says keeps its shape too
    cold    past gel, and at 43 C or less, where one that softens lower still does

and a section has got there when nine tenths of it have, for good.  Conversion alone is not enough: a converted but hot
part tears.  The margins are invented within the usual span of the transition.  Reaction: Adams-Bashforth of second
order on each column's own steps.  Valid for 1 to 40 mm, from the pour until hard or `until_s`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchd.physics.kinetics import Cure, Glass, glass_transition_c, rate_per_s
from benchd.physics.section_grid import Array, Grid
from benchd.physics.section_heat import after_heat_flow

MOST = 0.9
GREEN_BELOW_K = -15.0
HARD_BELOW_K = 2.0
COOL_C, COLD_C = 55.0, 43.0  # heat deflection of casting resins begins at about 45 to 70 C; common practice, no source
STEP_SHARE = 0.03  # of the time passed, and of conversion: times come within 1 % of a run with a quarter of it
FIRST_STEP_S = 0.5
CUP_STEPS = 24
LOOK_EVERY = 16  # steps between looks for columns that are done
MOST_STEPS = 3000
MOST_CONVERSION = 0.99999

Flags = npt.NDArray[np.bool_]


@dataclass(slots=True)
class SectionState:
    """A batch in progress: seconds (columns), alpha and the last rate (R, columns), above_k = T - Tair (N, columns)."""

    t_s: Array
    alpha: Array
    above_k: Array
    rate: Array
    last_step_s: Array

    def columns(self, kept: Flags) -> SectionState:
        """The same with only these columns."""
        return SectionState(
            self.t_s[kept], self.alpha[:, kept], self.above_k[:, kept], self.rate[:, kept], self.last_step_s[kept]
        )


def step_section(grid: Grid, state: SectionState, rate: Array, rise_k: Array, step_s: Array) -> SectionState:
    """One step of each column: rate is the one at the state, rise_k the adiabatic rise [K] (columns)."""
    trend = np.where(state.last_step_s > 0.0, 0.5 * step_s / np.maximum(state.last_step_s, 1e-9), 0.0)
    alpha = state.alpha + step_s * np.maximum(rate + trend * (rate - state.rate), 0.0)
    alpha = np.minimum(alpha, MOST_CONVERSION)
    heat_j = grid.capacity[: grid.resin_cells] * rise_k * (alpha - state.alpha)
    above_k = after_heat_flow(grid, state.above_k, heat_j, step_s)
    return SectionState(state.t_s + step_s, alpha, above_k, rate, step_s)


def poured(
    cure: Cure, grid: Grid, mix_c: Array, mold_c: Array, air_c: Array, speed: Array, rise_k: Array, poured_s: float
) -> SectionState:
    """The batch as poured_s [s after the mix] finds it: resin that has warmed itself in the cup, wall at mold_c [C]."""
    alpha, temp_c = np.zeros((1, len(mix_c))), mix_c[None, :].astype(float)
    step_s = poured_s / CUP_STEPS
    for _ in range(CUP_STEPS):
        middle = alpha + 0.5 * step_s * speed * rate_per_s(cure, alpha, temp_c)
        made = step_s * speed * rate_per_s(cure, middle, temp_c + rise_k * (middle - alpha))
        alpha, temp_c = alpha + made, temp_c + rise_k * made
    above_k = np.repeat(mold_c[None, :] - air_c, len(grid.capacity), axis=0)
    above_k[: grid.resin_cells] = temp_c - air_c
    alpha = np.repeat(alpha, grid.resin_cells, axis=0)
    rate = np.zeros_like(alpha)
    return SectionState(np.full(len(mix_c), poured_s), alpha, above_k, rate, np.zeros(len(mix_c)))


@dataclass(frozen=True, slots=True)
class SectionTimes:
    """Seconds from the mix (columns), inf where it never came; kick_s: the first cell to gel; peak_c: its hottest."""

    kick_s: Array
    gel_s: Array
    green_s: Array
    hard_s: Array
    peak_c: Array
    cool_s: Array
    cold_s: Array


@dataclass(slots=True)
class _Watch:
    """Crossing times of each cell (5 kinds, R, columns), what they crossed with, and each column's peak [C]."""

    values: Array
    crossed_s: Array
    peak_c: Array


def section_times(
    cure: Cure, grid: Grid, start: SectionState, air_c: Array, speed: Array, rise_k: Array, until_s: float
) -> SectionTimes:
    """Run a batch until hard and cool.  air_c [C], speed (times the cure's rate) and rise_k [K]: one a column.

    start: the state as poured; its t_s are seconds from the mix.  A cure without glass is given the usual one.
    """
    run = _Run(cure, cure.glass or Glass(), grid, start, air_c, speed, rise_k)
    return run.go(until_s)


class _Run:
    """The batch while it runs: columns that are done are taken out, so that the slow ones go alone."""

    def __init__(
        self, cure: Cure, glass: Glass, grid: Grid, start: SectionState, air_c: Array, speed: Array, rise_k: Array
    ) -> None:
        self.cure, self.glass, self.grid, self.state = replace(cure, glass=glass), glass, grid, start
        self.air_c, self.speed, self.rise_k = air_c, speed, rise_k
        self.left = np.arange(len(air_c))
        self.share, self.size = grid.share, len(air_c)
        values = self._values()
        self.watch = _Watch(values, np.where(values >= 0.0, start.t_s, np.inf), self._temp_c().max(axis=0))
        self.crossed_s = np.full((len(values), *start.alpha.shape), np.inf)
        self.peak_c = np.zeros(self.size)

    def _temp_c(self) -> Array:
        return np.asarray(self.air_c + self.state.above_k[: self.grid.resin_cells])

    def _values(self) -> Array:
        """How far each cell is past gel, green, hard, cool, cold (>= 0: there) [K]; gel in hundredths of conversion."""
        past_gel = 100.0 * (self.state.alpha - self.cure.gel_conversion)
        temp_c = self._temp_c()
        below_tg = glass_transition_c(self.glass, self.state.alpha) - temp_c
        green, hard = below_tg - GREEN_BELOW_K, below_tg - HARD_BELOW_K
        each = (green, hard, COOL_C - temp_c, COLD_C - temp_c)
        return np.stack([past_gel, *(np.minimum(past_gel, past) for past in each)])

    def go(self, until_s: float) -> SectionTimes:
        for count in range(1, MOST_STEPS):
            self._step()
            if count % LOOK_EVERY == 0:
                done = (self.watch.values[2:] >= 0.0).all(axis=(0, 1)) | (self.state.t_s >= until_s)
                self._take_out(done)
                if not len(self.left):
                    break
        self._take_out(np.ones(len(self.left), dtype=bool))
        return self._times()

    def _step(self) -> None:
        state = self.state
        rate = self.speed * self._rate()
        fastest = np.maximum(rate.max(axis=0), 1e-9)
        step_s = np.maximum(np.minimum(STEP_SHARE * state.t_s, STEP_SHARE / fastest), 0.2 * FIRST_STEP_S)
        self.state = step_section(self.grid, state, rate, self.rise_k, step_s)
        self._note(state.t_s, step_s)

    def _rate(self) -> Array:
        return rate_per_s(self.cure, self.state.alpha, self._temp_c())

    def _note(self, before_s: Array, step_s: Array) -> None:
        watch, values = self.watch, self._values()
        rises = (watch.values < 0.0) & (values >= 0.0)
        part = watch.values / np.where(rises, watch.values - values, 1.0)
        watch.crossed_s = np.where(rises, before_s + part * step_s, watch.crossed_s)
        watch.values = values
        watch.peak_c = np.maximum(watch.peak_c, self._temp_c().max(axis=0))

    def _take_out(self, done: Flags) -> None:
        if not done.any():
            return
        gone, kept = self.left[done], ~done
        there = self.watch.values[:, :, done] >= 0.0
        self.crossed_s[:, :, gone] = np.where(there, self.watch.crossed_s[:, :, done], np.inf)
        self.peak_c[gone] = self.watch.peak_c[done]
        self.left, self.grid, self.state = self.left[kept], self.grid.columns(kept), self.state.columns(kept)
        self.air_c, self.speed, self.rise_k = self.air_c[kept], self.speed[kept], self.rise_k[kept]
        watch = self.watch
        self.watch = _Watch(watch.values[:, :, kept], watch.crossed_s[:, :, kept], watch.peak_c[kept])

    def _times(self) -> SectionTimes:
        gel_s, green_s, hard_s, cool_s, cold_s = (share_reached_s(cells, self.share) for cells in self.crossed_s)
        return SectionTimes(self.crossed_s[0].min(axis=0), gel_s, green_s, hard_s, self.peak_c, cool_s, cold_s)


def share_reached_s(cell_s: Array, share: Array, most: float = MOST) -> Array:
    """When `most` of a section has got there [s] (columns), from its cells' times and shares (R, columns).

    Cells count in the order they get there, each for its share about its own time; inf if too few ever do.
    """
    order = np.argsort(cell_s, axis=0)
    times, part = np.take_along_axis(cell_s, order, 0), np.take_along_axis(share, order, 0)
    middle = np.cumsum(part, axis=0) - 0.5 * part
    above = np.minimum((middle >= most).argmax(axis=0) + (middle[-1] < most) * (len(times) - 1), len(times) - 1)
    columns = np.arange(times.shape[1])
    below = np.maximum(above - 1, 0)
    low, high = middle[below, columns], middle[above, columns]
    weight = np.clip(np.where(high > low, (most - low) / np.where(high > low, high - low, 1.0), 1.0), 0.0, 1.0)
    low_s, high_s = times[below, columns], times[above, columns]
    finite = np.isfinite(high_s)
    return np.where(finite, low_s + weight * (np.where(finite, high_s, 0.0) - np.where(finite, low_s, 0.0)), np.inf)
