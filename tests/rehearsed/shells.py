"""Solves heat and cure of a cup or a mold section in one dimension, for any rate law: the truth behind the families.

Shells of one thickness, a slab (geometry 0), an infinite cylinder (1) or a sphere (2), symmetric about the middle; the
outer shells may be a wall that does not react.  Conduction and the film outside are implicit (one matrix a step length
and film, inverted once); the reaction is explicit, in steps that change no conversion by more than 0.012 and no
temperature by more than 1.5 K.  Shares no code with benchd/rehearsal and benchd/physics.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import exp, log

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Law = Callable[[Array, Array], tuple[Array, Array]]
"""(states (kinds, shells), temperatures [C]) -> (their rates [1/s], heating [K/s])."""
Film = Callable[[float], float]
"""Excess of the surface over the room [K] -> film [W/m2K]."""

RESIN_K_W_MK = 0.21  # invented; ISO 10456:2007, table 3, has 0.25 for rigid polyurethane
RESIN_RHO_CP = 1100.0 * 1800.0  # Baser and Khakhar, Polym Eng Sci 34 (1994) 632, as a public model repeats them
WALL_K_W_MK = 0.235  # silicone sheet 0.224 to 0.249 W/mK at 26 C: a guarded heat flow meter's public test page
WALL_RHO_CP = 1150.0 * 1400.0  # common practice, no source
FLOOR_S, CEILING_S = 0.05, 20.0
MOST_STEP, MOST_STEP_K = 0.012, 1.5
FILM_STEP = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """half_m: half thickness or radius of the resin [m]; wall_m: of the wall around it; end_share: what flat ends add
    to the outer area, as a share of it."""

    geometry: int
    half_m: float
    wall_m: float = 0.0
    film: Film = field(default=lambda excess: 9.0)
    shells: int = 10
    wall_shells: int = 6
    wall_rho_cp: float = WALL_RHO_CP
    wall_k: float = WALL_K_W_MK


@dataclass(frozen=True, slots=True)
class Course:
    """times_s (steps), temp_c (steps, resin shells) and states (steps, kinds, resin shells)."""

    times_s: Array
    temp_c: Array
    states: Array


class _Grid:
    """Volumes and conductances of a body, per unit of its outer extent, and the implicit step's inverse matrices."""

    def __init__(self, body: Body) -> None:
        wall = body.wall_shells if body.wall_m > 0.0 else 0
        edges = np.concatenate([
            np.linspace(0.0, body.half_m, body.shells + 1),
            body.half_m + np.linspace(0.0, body.wall_m, wall + 1)[1:],
        ])  # fmt: skip
        power = body.geometry + 1
        volumes = np.diff(edges**power) / power
        is_resin = np.arange(len(volumes)) < body.shells
        self.capacity = volumes * np.where(is_resin, RESIN_RHO_CP, body.wall_rho_cp)
        k = np.where(is_resin, RESIN_K_W_MK, body.wall_k)
        half = 0.5 * np.diff(edges) / k
        between = edges[1:-1] ** body.geometry / (half[:-1] + half[1:])
        n = len(volumes)
        self.flow = np.zeros((n, n))
        index = np.arange(n - 1)
        self.flow[index, index] += between
        self.flow[index + 1, index + 1] += between
        self.flow[index, index + 1] -= between
        self.flow[index + 1, index] -= between
        self.outer_area = float(edges[-1] ** body.geometry)
        self.outer_resistance = float(half[-1])
        self.count = n
        self._inverse: dict[tuple[int, int], Array] = {}

    def step_s(self, wanted_s: float) -> tuple[int, float]:
        """The nearest allowed step length at or below wanted_s: a power of 1.3."""
        number = int(np.floor(np.log(min(max(wanted_s, FLOOR_S), CEILING_S)) / np.log(1.3)))
        return number, 1.3**number

    def conducted(self, number: int, step_s: float, temp_c: Array, film_w_m2k: float, room_c: float) -> Array:
        """Temperatures after a step of conduction, the film outside included."""
        even = round(log(film_w_m2k) / FILM_STEP)  # a film is taken to half of one per cent, so that matrices repeat
        outer = self.outer_area / (exp(-FILM_STEP * even) + self.outer_resistance)
        inverse = self._inverse.get((number, even))
        if inverse is None:
            lost = np.zeros(self.count)
            lost[-1] = outer
            whole = np.diag(self.capacity + step_s * lost) + step_s * self.flow
            inverse = np.asarray(np.linalg.inv(whole), dtype=np.float64)
            self._inverse[number, even] = inverse
        held = self.capacity * temp_c
        held[-1] += step_s * outer * room_c
        return np.asarray(inverse @ held, dtype=np.float64)


def run(
    body: Body, law: Law, states: Array, resin_c: float, wall_c: float, room_c: float, until_s: float,
    stop: Callable[[float, Array, Array], bool] | None = None,
) -> Course:  # fmt: skip
    """From the mix on; states (kinds) are those of the fresh resin.  stop(t, states, temperatures) ends it sooner."""
    grid = _Grid(body)
    resin = body.shells
    temp = np.full(grid.count, float(wall_c))
    temp[:resin] = resin_c
    held = np.repeat(states[:, None], resin, axis=1)
    t, wanted_s = 0.0, 0.3
    times, temps, kept = [0.0], [temp[:resin].copy()], [held.copy()]
    while t < until_s:
        number, step_s = grid.step_s(wanted_s)
        rates, heating = law(held, temp[:resin])
        middle, warmer = held + 0.5 * step_s * rates, temp[:resin] + 0.5 * step_s * heating
        rates, heating = law(middle, warmer)
        held = held + step_s * rates
        temp[:resin] += step_s * heating
        temp = grid.conducted(number, step_s, temp, body.film(float(temp[-1]) - room_c), room_c)
        t += step_s
        times.append(t)
        temps.append(temp[:resin].copy())
        kept.append(held.copy())
        fastest = max(float(np.abs(rates).max()) / MOST_STEP, float(np.abs(heating).max()) / MOST_STEP_K, 1e-9)
        wanted_s = min(1.0 / fastest, 1.5 * step_s, 0.02 * t + 0.3)
        if stop is not None and stop(t, held, temp[:resin]):
            break
    return Course(np.array(times), np.array(temps), np.array(kept))
