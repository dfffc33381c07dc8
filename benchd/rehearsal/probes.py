"""Simulates what the probes make of the truth: lag, place, noise, rounding, spikes, breaks, drift, clogs.

Cup and room series are made for a whole scenario at once; the gauge follows the pot step by step.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from benchd.rehearsal.acts import Act
from benchd.rehearsal.pours import PourRun
from benchd.rehearsal.resin import Array
from benchd.rehearsal.scenario import CupSpec, PotSpec, RoomSpec

IN_AIR_LAG_S = 12.0  # a bare junction in still air: common practice, no source
WANDER_S = 400.0  # how slowly a room wanders, invented
CLOGGED_S = 900.0  # a gauge behind a clogged port follows this slowly, invented


def stream(seed: int, name: str) -> np.random.Generator:
    """A random stream of its own for each thing named, so that one more draw here changes nothing there."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def lagged(x: Array, lag_s: Array, dt_s: float) -> Array:
    """First-order lag of x, sampled each dt_s, with a lag [s] that may change from sample to sample."""
    gains = (1.0 - np.exp(-dt_s / np.maximum(lag_s, 1e-6))).tolist()
    out, y = [], float(x[0])
    for due, gain in zip(x.tolist(), gains, strict=True):
        y += gain * (due - y)
        out.append(y)
    return np.array(out)


def spans(acts: Sequence[Act], begin: str, end: str, cup: str, t_s: Array, zero_s: float) -> npt.NDArray[np.bool_]:
    """True at each t_s [s since start] at which this cup's probe is between `begin` and `end` (lifted, broken)."""
    is_on = np.zeros(len(t_s), dtype=np.bool_)
    for act in acts:
        if act.cup == cup and act.do in (begin, end):
            is_on[t_s >= act.at_s + zero_s] = act.do == begin
    return is_on


def cup_series(
    spec: CupSpec, runs: Sequence[PourRun], acts: Sequence[Act], t_s: Array, room_c: Array, zero_s: float, seed: int
) -> Array:
    """What the board reads from one cup's probe at each t_s; NaN while the thermocouple is open."""
    rng = stream(seed, f"cup {spec.id}")
    around = room_c.copy()
    in_resin = np.zeros(len(t_s), dtype=np.bool_)
    for run in runs:
        if run.spec.id == spec.id:
            since_mix = t_s >= run.mix_s
            around[since_mix] = run.cup_c(t_s, room_c)[since_mix]
            in_resin[since_mix] = t_s[since_mix] >= (run.mix_s if spec.kind == "residue" else run.in_cup_s)
    is_lifted = spans(acts, "probe_lift", "probe_back", spec.id, t_s, zero_s)
    around = np.where(is_lifted, room_c, around)
    lag_s = np.where(in_resin & ~is_lifted, spec.lag_s, IN_AIR_LAG_S)
    dt_s = float(t_s[1] - t_s[0])
    felt = lagged(around, lag_s, dt_s) + spec.offset_c + rng.normal(0.0, spec.noise_c, len(t_s))
    struck = rng.random(len(t_s)) < spec.emi_per_min / 60.0 * dt_s
    felt += struck * rng.choice([-1.0, 1.0], len(t_s)) * rng.exponential(spec.emi_c, len(t_s))
    rounded = np.round(felt / spec.quantum_c) * spec.quantum_c if spec.quantum_c > 0.0 else felt
    return np.where(spans(acts, "probe_open", "probe_mend", spec.id, t_s, zero_s), np.nan, rounded)


def room_series(spec: RoomSpec, acts: Sequence[Act], t_s: Array, zero_s: float, seed: int) -> tuple[Array, Array]:
    """The room's true temperature [C] and humidity [%RH] at each t_s: scripted drifts plus a slow wander."""
    rng = stream(seed, "room")
    temp_c = _scripted([(a.at_s + zero_s, a.over_s, a.temp_c) for a in acts if a.do == "room"], spec.temp_c, t_s)
    rh_pct = _scripted([(a.at_s + zero_s, a.over_s, a.rh_pct) for a in acts if a.do == "room"], spec.rh_pct, t_s)
    temp_c = temp_c + spec.wander_c * _wander(rng, t_s)
    rh_pct = rh_pct + spec.wander_rh_pct * _wander(rng, t_s)
    return temp_c, np.clip(rh_pct, 1.0, 99.0)


def _scripted(turns: list[tuple[float, float, float | None]], start: float, t_s: Array) -> Array:
    out, now = np.full(len(t_s), start), start
    for at_s, over_s, goal in turns:
        if goal is not None:
            done = np.clip((t_s - at_s) / max(over_s, 1e-6), 0.0, 1.0)
            out = np.where(t_s >= at_s, now + done * (goal - now), out)
            now = goal
    return out


def _wander(rng: np.random.Generator, t_s: Array) -> Array:
    """A slow wander of unit spread that starts at 0: white noise through two lags."""
    dt_s = float(t_s[1] - t_s[0])
    lag_s = np.full(len(t_s), WANDER_S)
    noise = rng.normal(0.0, math.sqrt(4.0 * WANDER_S / dt_s), len(t_s))
    noise[0] = 0.0
    return lagged(lagged(noise, lag_s, dt_s), lag_s, dt_s)


class Gauge:
    """The pot's pressure transducer: where its tap is, clog, offset, drift, noise, resolution.  psi gauge."""

    def __init__(self, spec: PotSpec, seed: int) -> None:
        self.spec = spec
        self.is_clogged = False
        self._behind_psi = 0.0
        self._rng = stream(seed, "gauge")
        self._noise: list[float] = []

    def read_psi(self, t_s: float, dt_s: float, pot_psi: float, hose_psi: float) -> float:
        """One reading [psi gauge] at t_s, dt_s after the last, of the pot or the hose, whichever the tap is on."""
        spec = self.spec
        there = hose_psi if spec.tap == "hose" else pot_psi
        lag_s = CLOGGED_S if self.is_clogged else 0.02
        self._behind_psi += (there - self._behind_psi) * (1.0 - math.exp(-dt_s / lag_s))
        if not self._noise:
            self._noise = self._rng.normal(0.0, spec.noise_psi, 1024).tolist()
        seen = self._behind_psi + spec.offset_psi + spec.drift_psi_h * t_s / 3600.0 + self._noise.pop()
        return round(seen / spec.resolution_psi) * spec.resolution_psi if spec.resolution_psi > 0.0 else seen
