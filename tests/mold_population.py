"""What do drawn resins do in drawn molds?  Truths for the demold scorecard, from benchd.rehearsal alone.

A resin comes from rehearsed.pours.  Its label's demold time is what its own 6 mm slab at 23 C truly needs, give or
take 12 % (labels are rounded, batches differ: common practice, no source).  A pour draws lot, weighing, room and resin
temperature; each mold its sections, wall and warmth.  Building seeds: below 1000.  Reporting seeds: from 1000.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from rehearsed.pours import DrawnPour, DrawnResin, PourPlan, draw_plan, draw_resin, kept_samples

from benchd.rehearsal.cure import CureCurves, Start, cure
from benchd.rehearsal.layers import RESIN_CELLS, slab, straight_cup
from benchd.rehearsal.parts import MoldTruth, section_truth
from benchd.rehearsal.probes import lagged, stream
from benchd.rehearsal.resin import mixed

LABEL_DEMOLD_SD = 0.12
FILM_W_M2K = (6.0, 10.0)  # from still air to a stirred room, invented


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnMold:
    """One mold of a shelf: sections and wall [mm], how much warmer than the room it is usually kept [K]."""

    code: str
    thin_mm: float
    thick_mm: float
    wall_mm: float
    warm_k: float
    film_w_m2k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cast:
    """One cast in one mold: what the bench knows, and the truth (times in s after the mix; kick_s: of the cup)."""

    mold: DrawnMold
    room_c: float
    resin_c: float
    mold_c: float
    a_g: float
    b_g: float
    kick_s: float
    truth: MoldTruth


@dataclass(frozen=True, slots=True)
class Shelf:
    """A resin with its label's demold time [s], its casts in order, pours x molds, and each pour's witness cup."""

    resin: DrawnResin
    demold_s: float
    casts: tuple[tuple[Cast, ...], ...]
    cups: tuple[DrawnPour, ...]


def draw_molds(seed: int, count: int, least_mm: float = 3.0, most_mm: float = 12.0, kind: str = "m") -> list[DrawnMold]:
    """`count` molds with sections between least_mm and most_mm, coded kind01 and on."""
    rng = stream(seed, f"molds {kind}")
    out = []
    for i in range(count):
        a, b = np.exp(rng.uniform(np.log(least_mm), np.log(most_mm), 2))
        warm_k = float(rng.choice((0.0, 0.0, 12.0, 18.0)))
        out.append(
            DrawnMold(code=f"{kind}{i + 1:02d}", thin_mm=float(min(a, b)), thick_mm=float(max(a, b)),
                      wall_mm=float(rng.uniform(10.0, 18.0)), warm_k=warm_k,
                      film_w_m2k=float(rng.uniform(*FILM_W_M2K)))
        )  # fmt: skip
    return out


def draw_shelf(seed: int, pours: int, molds: list[DrawnMold], family: str = "two-rate", shape: str = "") -> Shelf:
    """A resin and its casts: `pours` pours, each into every mold."""
    resin = draw_resin(seed, shape, family)
    rng = stream(seed, "shelf")
    demold_s = _label_demold_s(resin) * float(np.exp(rng.normal(0.0, LABEL_DEMOLD_SD)))
    made = [_pour(resin, seed * 1000 + i, molds, demold_s) for i in range(pours)]
    return Shelf(resin, demold_s, tuple(casts for casts, _ in made), tuple(cup for _, cup in made))


def _label_demold_s(resin: DrawnResin) -> float:
    truth = mixed(resin.truth)
    rows = [straight_cup(truth, 100.0, "plastic"), slab(truth, 6.0, 12.0)]
    curves = cure(truth, rows, {1: Start(50.0, 23.0)}, 23.0, 23.0, 30.0, 30.0 * resin.pot_life_s)
    found = section_truth(truth, curves, 1, rows[1].share)
    assert found.hard_s is not None
    return found.hard_s


def _pour(resin: DrawnResin, seed: int, molds: list[DrawnMold], demold_s: float) -> tuple[tuple[Cast, ...], DrawnPour]:
    plan, rng = draw_plan(seed, "witness"), stream(seed, "casts")
    truth = mixed(resin.truth, plan.lot, plan.ratio)
    rows = [straight_cup(truth, 250.0, "plastic", 42.0), straight_cup(truth, 25.0, "foam")]
    starts = {1: Start(32.0, plan.room_c)}
    warm: list[float] = []
    for i, mold in enumerate(molds):
        warm.append(plan.room_c + mold.warm_k + float(rng.normal(0.0, 1.0)) * (mold.warm_k > 0.0))
        for thick_mm in (mold.thin_mm, mold.thick_mm):
            starts[len(rows)] = Start(min(40.0 + 14.0 * i, 0.5 * resin.pot_life_s), warm[-1])
            rows.append(slab(truth, thick_mm, mold.wall_mm, mold.film_w_m2k))
    curves = cure(truth, rows, starts, plan.resin_c, plan.room_c, 30.0, 8.0 * demold_s + 3600.0)
    seen = [section_truth(truth, curves, i, row.share) for i, row in enumerate(rows)]
    assert seen[1].kick_s is not None
    a_g = 150.0
    b_g = a_g * resin.truth.b_per_a * plan.ratio * float(np.exp(rng.normal(0.0, 0.003)))  # the scale's own error
    casts = tuple(
        Cast(mold=mold, room_c=plan.room_c, resin_c=plan.resin_c + float(rng.normal(0.0, 0.3)), mold_c=warm[i],
             a_g=a_g, b_g=b_g, kick_s=seen[1].kick_s, truth=MoldTruth(mold.code, seen[2 + 2 * i], seen[3 + 2 * i]))
        for i, mold in enumerate(molds)
    )  # fmt: skip
    return casts, _witness(plan, curves, seen[1].kick_s)


def _witness(plan: PourPlan, curves: CureCurves, kick_s: float) -> DrawnPour:
    """What a probe in the pour's witness cup delivers (row 1 of the curves), drawn as in rehearsed/pours.py."""
    rng, hz = stream(plan.seed, "witness probe"), float(stream(plan.seed, "witness hz").choice((1.0, 2.0, 4.0)))
    times_s = np.arange(int((1.5 * kick_s + 90.0) * hz)) / hz - 30.0
    inside_c = curves.temp_c[:, 1, int(float(rng.uniform(0.1, 0.6)) * RESIN_CELLS)]
    in_s, lag_s = float(rng.uniform(25.0, 45.0)), float(np.clip(np.exp(rng.normal(np.log(3.0), 0.4)), 1.0, 8.0))
    around_c = np.where(times_s < in_s, plan.room_c, np.interp(times_s, curves.times_s, inside_c))
    felt_c = lagged(around_c, np.full(len(times_s), lag_s), 1.0 / hz) + float(rng.normal(0.0, 0.5))
    felt_c = felt_c + rng.normal(0.0, float(rng.choice((0.06, 0.12, 0.3))), len(times_s))
    kept = kept_samples(times_s, rng)
    hottest_s = float(curves.times_s[int((np.diff(inside_c) / np.diff(curves.times_s)).argmax())])
    return DrawnPour(plan, times_s[kept], np.round(felt_c[kept] / 0.25) * 0.25, plan.room_c, kick_s, hottest_s)
