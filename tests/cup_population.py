"""What do simulated cups and decoys look like to a probe?  Truths for the kick's tests, sharing no code with benchd.

Cups: two rates, r = k (c exp(-(E + dE) x) + exp(-E x) a^m) (1 - a)^n with x = (1/T - 1/298.15 K)/R, and
dT/dt = dTad r - (T - Troom)/tau.  k is set so that the label's own cup (100 g, 23 C) gels at the label's pot life, then
shifted by the lot.  Three shapes, steady, mid and snap (the parameters' ranges follow a simulation study; no published
source), pot lives 150 to 240 s and 300 to 600 s.  Decoys: everything that warms a probe without a reaction.

Building seeds (the thresholds and tables in benchd were set on them): 1 to 5.  Reporting seeds: 100 and up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
STEP_S = 0.25
GAS_J_MOL_K = 8.314
STEEPEST_K_S = 6.0  # cups steeper than this are not cast: peak slopes of casting resins are 0.2 to 4 K/s

SHAPES = {  # (mean, sd) of ln c, m, n, E [J/mol], ln adiabatic rise [K], gel conversion
    "steady": ((-1.1, 0.7), (1.6, 0.25), (2.15, 0.25), (43e3, 7.5e3), (4.74, 0.12), (0.70, 0.03)),
    "mid": ((-2.8, 0.6), (1.3, 0.33), (2.35, 0.27), (51e3, 8e3), (4.77, 0.13), (0.76, 0.05)),
    "snap": ((-4.4, 0.75), (1.0, 0.25), (2.4, 0.28), (53e3, 6.5e3), (4.78, 0.13), (0.73, 0.035)),
}
TAU_S = {"witness": (1275.0, 0.4), "mixing": (2290.0, 0.3), "residue": (403.0, 0.5)}  # median, sd of ln
LABEL_TAU_S = 1590.0


@dataclass(frozen=True, slots=True)
class Cup:
    """One simulated cup: true temperature [C] and heat put in [K] each 0.25 s from the mix, kick and gel [s]."""

    shape: str
    pot_life_s: float
    room_c: float
    lag_s: float
    temp_c: Array
    heat_k: Array
    kick_s: float
    gel_s: float
    steepest_k_s: float


@dataclass(frozen=True, slots=True)
class Seen:
    """What the probe's channel delivered: times [s after the mix] and values [C], with all the usual dirt."""

    time_s: Array
    value_c: Array


def _solve(p: dict[str, Array], tau_s: Array, start_c: Array, room_c: Array, end_s: float) -> tuple[Array, Array]:
    """Temperatures [C] and conversions, shape (steps, cups), by the midpoint rule."""
    steps = int(end_s / STEP_S) + 1
    temp, share = start_c.copy(), np.zeros(len(start_c))
    temps, shares = np.empty((steps, len(temp))), np.empty((steps, len(temp)))

    def rate(temp: Array, share: Array) -> Array:
        x = (1.0 / 298.15 - 1.0 / (temp + 273.15)) / GAS_J_MOL_K
        own = p["c"] * np.exp((p["e"] + p["de"]) * x) + np.exp(p["e"] * x) * share ** p["m"]
        return np.asarray(p["k"] * own * (1.0 - share) ** p["n"])

    for i in range(steps):
        temps[i], shares[i] = temp, share
        r = rate(temp, share)
        half_temp = temp + 0.5 * STEP_S * (p["rise"] * r - (temp - room_c) / tau_s)
        half_share = np.minimum(share + 0.5 * STEP_S * r, 1.0)
        r = rate(half_temp, half_share)
        temp = temp + STEP_S * (p["rise"] * r - (half_temp - room_c) / tau_s)
        share = np.minimum(share + STEP_S * r, 1.0)
    return temps, shares


def _gel_s(shares: Array, gel: Array) -> Array:
    reached = shares >= gel
    return np.where(reached.any(0), reached.argmax(0) * STEP_S, np.nan)


@cache
def cups(seed: int, count: int, kind: str) -> tuple[Cup, ...]:
    """About `count` cups of one kind (those that never gel or rise faster than any resin are left out)."""
    rng = np.random.default_rng(seed)
    shapes = np.array(list(SHAPES))[rng.integers(0, 3, count)]
    ranges = np.array([SHAPES[name] for name in shapes])
    drawn = ranges[:, :, 0] + ranges[:, :, 1] * np.clip(rng.normal(size=(count, 6)), -1.8, 1.8)
    p = {"c": np.exp(drawn[:, 0]), "m": np.maximum(drawn[:, 1], 0.5), "n": drawn[:, 2], "e": drawn[:, 3],
         "rise": np.exp(drawn[:, 4]), "de": rng.normal(0.0, 4e3, count), "k": np.full(count, 0.01)}  # fmt: skip
    gel = drawn[:, 5]
    pot_life = np.where(rng.random(count) < 0.6, rng.uniform(150.0, 240.0, count), rng.uniform(300.0, 600.0, count))
    at_23 = np.full(count, 23.0)
    for _ in range(8):
        shares = _solve(p, np.full(count, LABEL_TAU_S), at_23, at_23, 900.0)[1]
        p["k"] = p["k"] * np.nan_to_num(_gel_s(shares, gel), nan=1800.0) / pot_life
    p["k"] = p["k"] * np.exp(-rng.normal(0.0, 0.20, count))
    room = rng.uniform(18.0, 28.0, count)
    start = room + np.clip(rng.normal(0.0, 1.5, count), -4.0, 4.0)
    median_s, spread = TAU_S[kind]
    temps, shares = _solve(p, median_s * np.exp(rng.normal(0.0, spread, count)), start, room, 2400.0)
    heat = shares * p["rise"]
    lag = np.exp(rng.normal(np.log(3.0), 0.4, count))
    gels, kicks = _gel_s(shares, gel), np.diff(heat, axis=0).argmax(0) * STEP_S
    steepest = np.diff(temps, axis=0).max(0) / STEP_S
    made = [
        Cup(str(shapes[j]), float(pot_life[j]), float(room[j]), float(lag[j]), temps[:, j], heat[:, j],
            float(kicks[j]), float(gels[j]), float(steepest[j]))
        for j in range(count)
    ]  # fmt: skip
    return tuple(c for c in made if np.isfinite(c.gel_s) and c.steepest_k_s <= STEEPEST_K_S)


def _lagged(target: Array, lag_s: float, start_c: float) -> Array:
    out, value, share = np.empty_like(target), start_c, 1.0 - np.exp(-STEP_S / lag_s)
    for i, aim in enumerate(target):
        value += (aim - value) * share
        out[i] = value
    return out


def _dirty(rng: Any, felt: Array, rates_hz: tuple[int, ...]) -> Seen:
    """Sampled at 1 to 10 Hz with noise of 0.1 to 0.5 C, often in 0.25 C steps, with spikes and drop-outs."""
    end_s = (len(felt) - 4) * STEP_S
    time_s = np.arange(0.0, end_s, 1.0 / rng.choice(rates_hz)) + rng.uniform(0.0, 0.1)
    value = np.interp(time_s, np.arange(len(felt)) * STEP_S, felt) + rng.normal(0.0, rng.choice([0.1, 0.25, 0.5]),
                                                                              len(time_s))  # fmt: skip
    if rng.random() < 0.5:
        value = np.round(value * 4.0) / 4.0
    hit = rng.random(len(time_s)) < rng.choice([0.0, 0.005, 0.02])
    value[hit] += rng.choice([-1.0, 1.0], hit.sum()) * rng.uniform(5.0, 200.0, hit.sum())
    kept = np.ones(len(time_s), dtype=bool)
    for _ in range(int(rng.integers(0, 3))):
        gone = rng.uniform(0.0, end_s)
        kept &= ~((time_s > gone) & (time_s < gone + rng.uniform(2.0, 12.0)))
    return Seen(time_s[kept], value[kept])


def seen(rng: Any, cup: Cup, rates_hz: tuple[int, ...] = (1, 2, 4, 10)) -> Seen:
    """The cup through its probe, put in up to 45 s after the mix, until well after the gel."""
    steps = min(len(cup.temp_c), int((2.2 * cup.gel_s + 150.0) / STEP_S))
    target = cup.temp_c[:steps].copy()
    target[: int(rng.uniform(0.0, 45.0) / STEP_S)] = cup.room_c
    return _dirty(rng, _lagged(target, cup.lag_s, cup.room_c), rates_hz)


DECOYS = ("cooling", "hand", "hot air", "bath", "moved", "topped up", "lifted", "lifted wet", "quiet", "warming room")


def decoys(seed: int, count: int, rates_hz: tuple[int, ...] = (1, 2, 4, 10)) -> Iterator[tuple[str, float, Seen]]:
    """(what it is, room [C], what the probe delivered) over 15 minutes, `count` of them in turn through DECOYS."""
    rng = np.random.default_rng(seed)
    for i in range(count):
        kind, room = DECOYS[i % len(DECOYS)], float(rng.uniform(18.0, 28.0))
        yield kind, room, _dirty(rng, _decoy(rng, kind, room), rates_hz)


def _decoy(rng: Any, kind: str, room: float) -> Array:
    t = np.arange(0.0, 900.0, STEP_S)
    since, lag = rng.uniform(30.0, 120.0), float(np.exp(rng.normal(np.log(3.0), 0.4)))
    around = np.full_like(t, room)

    def through(drive: Array, *lags_s: float) -> Array:
        for lag_s in (*lags_s, lag):
            drive = _lagged(drive, lag_s, room)
        return drive

    match kind:
        case "cooling":
            body = room + rng.uniform(20.0, 90.0) * np.exp(-t / rng.uniform(300.0, 1500.0))
            return _lagged(body, lag, float(body[0]) if rng.random() < 0.5 else room)
        case "hand":
            around[(t > since) & (t < since + rng.uniform(60.0, 400.0))] = rng.uniform(32.0, 36.0)
            return through(around, rng.uniform(60.0, 300.0), rng.uniform(5.0, 60.0))
        case "hot air":
            around[(t > since) & (t < since + rng.uniform(30.0, 300.0))] = room + rng.uniform(20.0, 90.0)
            return through(around, rng.uniform(40.0, 300.0), rng.uniform(2.0, 30.0))
        case "bath":
            around[t > since] = rng.uniform(40.0, 75.0)
            return through(around, rng.uniform(40.0, 250.0), rng.uniform(2.0, 60.0))
        case "moved":
            warm = t > since
            excess = rng.uniform(45.0, 110.0) - room
            around[warm] = room + excess * np.exp(-(t[warm] - since) / rng.uniform(300.0, 1500.0))
            return through(around)
        case "topped up":
            body = room + rng.uniform(5.0, 30.0) * np.exp(-t / 1000.0)
            cold = t > since
            body[cold] -= rng.uniform(3.0, 12.0) * np.exp(-(t[cold] - since) / rng.uniform(10.0, 60.0))
            return _lagged(body, lag, float(body[0]))
        case "lifted" | "lifted wet":
            # A cup that does react, its probe taken out before the kick: through air, or with a blob of resin on it.
            body = room + np.minimum(np.exp(rng.uniform(0.01, 0.06) * t) - 1.0, 200.0)
            out = int((body - room > rng.uniform(15.0, 60.0)).argmax())
            body[out:] = room
            return _lagged(body, lag if kind == "lifted" else rng.uniform(8.0, 40.0), room)
        case "warming room":
            return np.asarray(room + rng.uniform(-8.0, 15.0) * t / 900.0)
    return around
