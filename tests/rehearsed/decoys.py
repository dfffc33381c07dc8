"""Draws records in which no cup kicks though something warms or disturbs the probe.

Each is one of: a cup that cools, a hand, hot air, a warm bath, a probe moved between cups, a cup topped up, a probe
lifted clean or with a blob of resin, a quiet bench, a warming room, or a cup mixed so far off its ratio that it never
gels.
"""

from __future__ import annotations

import math

import numpy as np
from rehearsed.pours import (
    LEAD_S,
    SAMPLES_HZ,
    SHAPES,
    DrawnPour,
    PourPlan,
    draw_truth,
    kept_samples,
    to_label,
)

from benchd.rehearsal.cure import cure
from benchd.rehearsal.layers import RESIN_CELLS, straight_cup
from benchd.rehearsal.parts import section_truth
from benchd.rehearsal.probes import stream
from benchd.rehearsal.resin import Array, mixed

DECOYS = (
    "cooling", "hand", "hot air", "bath", "moved", "topped up", "lifted", "lifted wet", "quiet", "warming room",
    "off ratio",
)  # fmt: skip


def decoy(seed: int, kind: str, for_s: float = 900.0) -> DrawnPour:
    """A record in which no cup kicks though something warms or disturbs the probe; pot lives of minutes in mind."""
    rng = stream(seed, f"decoy {kind}")
    plan = PourPlan(room_c=float(rng.uniform(18.0, 28.0)), seed=seed)
    hz = float(rng.choice(SAMPLES_HZ))
    times: Array = np.arange(int((LEAD_S + for_s) * hz)) / hz - LEAD_S
    felt = _around(rng, kind, plan, times)
    felt = felt + rng.normal(0.0, float(rng.choice((0.06, 0.12, 0.3))), len(times))
    hit = rng.random(len(times)) < float(rng.choice((0.0, 0.5, 2.0))) / 60.0 / hz
    felt = np.where(hit, felt + rng.choice((-1.0, 1.0), len(times)) * rng.exponential(25.0, len(times)), felt)
    kept = kept_samples(times, rng)
    return DrawnPour(plan, times[kept], np.round(felt[kept] * 4.0) / 4.0, plan.room_c, None, math.nan)


def _around(rng: np.random.Generator, kind: str, plan: PourPlan, t: Array) -> Array:
    """What the probe feels at times t [s after the mix]."""
    if kind == "off ratio":
        return _off_ratio(rng, plan, t)
    room, since = plan.room_c, float(rng.uniform(20.0, 150.0))
    after = np.maximum(t - since, 0.0)
    lag = float(np.exp(rng.normal(math.log(3.0), 0.4)))
    around = np.full_like(t, room)
    lags: tuple[float, ...] = ()
    if kind == "cooling":
        around = room + rng.uniform(20.0, 90.0) * np.exp(-(t - t[0]) / rng.uniform(300.0, 1500.0))
    if kind in ("hand", "hot air", "bath"):
        heat, stay, own, skin = {
            "hand": ((32.0 - room, 36.0 - room), (60.0, 400.0), (60.0, 300.0), (5.0, 60.0)),
            "hot air": ((20.0, 90.0), (30.0, 300.0), (40.0, 300.0), (2.0, 30.0)),
            "bath": ((18.0, 50.0), (2000.0, 3000.0), (40.0, 250.0), (2.0, 60.0)),
        }[kind]
        around = np.where((after > 0.0) & (after < rng.uniform(*stay)), room + rng.uniform(*heat), room)
        lags = (float(rng.uniform(*own)), float(rng.uniform(*skin)))
    elif kind == "moved":
        warm = rng.uniform(20.0, 85.0) * np.exp(-after / rng.uniform(300.0, 1500.0))
        around = np.where(after > 0.0, room + warm, room)
    elif kind == "topped up":
        around = room + rng.uniform(5.0, 30.0) * np.exp(-(t - t[0]) / 1000.0)
        around = around - np.where(after > 0.0, rng.uniform(3.0, 12.0) * np.exp(-after / rng.uniform(10.0, 60.0)), 0.0)
    elif kind in ("lifted", "lifted wet"):
        rise = np.minimum(np.exp(rng.uniform(0.01, 0.06) * np.maximum(t, 0.0)) - 1.0, 200.0)
        is_in = np.arange(len(t)) < int((rise > rng.uniform(10.0, 35.0)).argmax())
        around = np.where(is_in, room + rise, room)
        lag = lag if kind == "lifted" else float(rng.uniform(8.0, 40.0))
    elif kind == "warming room":
        around = np.asarray(room + rng.uniform(-8.0, 15.0) * (t - t[0]) / 900.0)
    for each in (*lags, lag):
        around = _through(around, each, float(t[1] - t[0]))
    return around


def _through(around: Array, lag_s: float, dt_s: float) -> Array:
    out, value, gain = np.empty_like(around), float(around[0]), 1.0 - math.exp(-dt_s / lag_s)
    for i, due in enumerate(around.tolist()):
        value += gain * (due - value)
        out[i] = value
    return out


def _off_ratio(rng: np.random.Generator, plan: PourPlan, t: Array) -> Array:
    """A cup mixed at half or a third of B: it warms, but never gels."""
    truth = to_label(draw_truth(rng, str(rng.choice(list(SHAPES))), "two-rate"), float(rng.uniform(180.0, 500.0)))
    if truth is None:
        return np.full_like(t, plan.room_c)
    resin = mixed(truth, 1.0, float(rng.uniform(0.25, 0.4)))
    row = straight_cup(resin, plan.mass_g, "foam")
    curves = cure(resin, [row], {}, plan.room_c, plan.room_c, 30.0, float(t[-1]))
    if section_truth(resin, curves, 0, row.share).kick_s is not None:
        return np.full_like(t, plan.room_c)
    middle = curves.temp_c[:, 0, : RESIN_CELLS // 3].mean(axis=1)
    return np.asarray(np.interp(t - 3.0, curves.times_s, middle))
