"""Draws random resins, lots, cups and pours for scorecards, each with its truth.

A resin is drawn with a shape (steady, mid or snap), then its rates are set so that the label's own cup, 100 g at 23 C,
kicks at the label's pot life, give or take the label's own error.  A pour adds the lot's speed, a weighing, the room
and the resin's temperature, a cup and a probe with its faults.  Ranges follow common practice and a simulation study of
casting resins; no published source.  Families: "two-rate" is resin.py's law; "two-step" adds a delayed catalyst,
"moisture" a reaction of water with B that heats and does not gel.  The same seed gives the same pour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchd.rehearsal.acts import Act
from benchd.rehearsal.cure import cure
from benchd.rehearsal.layers import straight_cup
from benchd.rehearsal.parts import section_truth
from benchd.rehearsal.pours import PourRun, pour_runs
from benchd.rehearsal.probes import cup_series, stream
from benchd.rehearsal.resin import Array, ResinTruth
from benchd.rehearsal.scenario import CupSpec, LotSpec, MoldSpec, Scenario

LABEL_C = 23.0
LABEL_G = 100.0
LEAD_S = 30.0
STEEPEST_K_S = 4.5  # peak slopes of casting resins are 0.2 to 4 K/s: common practice
SHAPES: dict[str, tuple[tuple[float, float], ...]] = {
    # mean and sd of ln k1/k2, m, n, E2 [kJ/mol], ln rise [K], gel conversion
    "steady": ((-1.1, 0.6), (1.6, 0.25), (2.15, 0.2), (45.0, 6.0), (4.74, 0.10), (0.70, 0.03)),
    "mid": ((-2.7, 0.5), (1.35, 0.3), (2.3, 0.22), (50.0, 6.0), (4.76, 0.11), (0.73, 0.04)),
    "snap": ((-4.2, 0.6), (1.05, 0.2), (2.3, 0.25), (53.0, 5.0), (4.78, 0.11), (0.73, 0.035)),
}
FAMILIES = ("two-rate", "two-step", "moisture")
CupKind = Literal["witness", "mixing", "residue"]
CUPS: tuple[CupKind, ...] = ("witness", "mixing", "residue")
SAMPLES_HZ = (1.0, 2.0, 4.0)


@dataclass(frozen=True, slots=True)
class DrawnResin:
    """A resin as drawn: its shape and family, what its label says [s], and how it truly reacts."""

    shape: str
    family: str
    pot_life_s: float
    truth: ResinTruth


@dataclass(frozen=True, slots=True, kw_only=True)
class PourPlan:
    """One pour before it happens.  lot: speed of the delivery (1 is the label's); ratio: B per A over right B per A;
    fault: "" or "lift" (the probe slips out halfway and is put back), "slow" (a film of old resin on the probe)."""

    kind: CupKind = "witness"
    mass_g: float = 25.0
    lot: float = 1.0
    ratio: float = 1.0
    room_c: float = 23.0
    resin_c: float = 23.0
    fault: str = ""
    seed: int = 0


@dataclass(frozen=True, slots=True)
class DrawnPour:
    """What the probe's channel delivered, times in s after the mix, and the truth: kick_s when the hottest resin in the
    cup gels (None: never), hottest_s when it heats fastest."""

    plan: PourPlan
    time_s: Array
    value_c: Array
    room_c: float
    kick_s: float | None
    hottest_s: float


def draw_resin(seed: int, shape: str = "", family: str = "two-rate", pot_life_s: float = 0.0) -> DrawnResin:
    """A resin; shape and pot life [s] (120 to 1200, as many short as long) are drawn unless given.

    Resins that would rise faster than any real one are drawn again.
    """
    rng = stream(seed, f"resin {family}")
    shape = shape or str(rng.choice(list(SHAPES)))
    drawn_s = pot_life_s or float(np.exp(rng.uniform(math.log(120.0), math.log(1200.0))))
    for _ in range(60):
        truth = draw_truth(rng, shape, family)
        told = drawn_s * float(np.exp(rng.normal(0.0, 0.10)))
        made = to_label(truth, told)
        if made is not None:
            return DrawnResin(shape, family, drawn_s, made)
        drawn_s = pot_life_s or float(np.exp(rng.uniform(math.log(120.0), math.log(1200.0))))
    raise RuntimeError(f"no resin for seed {seed}")


def draw_truth(rng: np.random.Generator, shape: str, family: str) -> ResinTruth:
    """A resin of a shape and family, its speed still to be set; latency and water as shares of the kick time."""
    c, m, n, e2, rise, gel = (
        mean + sd * float(np.clip(rng.normal(), -1.8, 1.8)) for mean, sd in SHAPES[shape]
    )  # fmt: skip
    e2 = max(e2, 38.0)
    truth = ResinTruth(
        k1_per_s=0.004 * math.exp(c), k2_per_s=0.004, e1_j_mol=(e2 + float(rng.normal(0.0, 4.0))) * 1e3,
        e2_j_mol=e2 * 1e3, m=max(m, 0.6), n=n, rise_k=math.exp(rise), gel_conversion=gel,
        tg_full_c=float(rng.uniform(65.0, 100.0)), tg_bend=float(rng.uniform(0.3, 0.45)),
        b_per_a=float(rng.uniform(0.8, 1.05)),
    )  # fmt: skip
    if family == "two-step":
        return replace(truth, latency_s=float(rng.uniform(0.15, 0.4)), latency_e_j_mol=float(rng.uniform(50e3, 70e3)))
    if family == "moisture":
        return replace(truth, water_rise_k=float(rng.uniform(3.0, 9.0)), water_per_s=float(rng.uniform(0.5, 2.0)))
    return truth


def to_label(truth: ResinTruth, kick_s: float) -> ResinTruth | None:
    """The same resin, faster or slower, so that the label's cup kicks at kick_s; None if it rises absurdly fast.

    latency_s and water_per_s come in as shares of the kick time.
    """
    truth = replace(truth, latency_s=truth.latency_s * kick_s, water_per_s=truth.water_per_s / kick_s)
    speed, steepest = 1.0, 0.0
    for _ in range(7):
        now = replace(truth, k1_per_s=truth.k1_per_s * speed, k2_per_s=truth.k2_per_s * speed)
        got_s, steepest = _label_cup(now, kick_s)
        if abs(math.log(got_s / kick_s)) < 0.003:
            break
        speed *= (got_s / kick_s) ** (1.5 if truth.latency_s else 1.0)
    else:
        return None
    return now if steepest <= STEEPEST_K_S else None


def _label_cup(resin: ResinTruth, kick_s: float) -> tuple[float, float]:
    """When the label's cup kicks [s] (three times kick_s if not by then), and its steepest climb [K/s]."""
    row = straight_cup(resin, LABEL_G, "plastic")
    curves = cure(resin, [row], {}, LABEL_C, LABEL_C, 30.0, 3.0 * kick_s)
    found = section_truth(resin, curves, 0, row.share).kick_s
    middle = curves.temp_c[:, 0, 0]
    return found or 3.0 * kick_s, float((np.diff(middle) / np.diff(curves.times_s)).max())


def draw_plan(seed: int, kind: CupKind | Literal[""] = "", lot: float | None = None) -> PourPlan:
    """A pour on some bench on some day; what is not given is drawn."""
    rng = stream(seed, "pour plan")
    drawn_kind = CUPS[CUPS.index(str(rng.choice(CUPS)))]
    room_c = float(np.clip(rng.normal(22.0, 2.5), 16.0, 29.0))
    resin_c = room_c + float(np.clip(rng.normal(0.0, 1.3), -3.5, 3.5))
    drawn_lot = float(np.exp(np.clip(rng.normal(0.0, 0.17), -0.35, 0.35)))
    ratio = float(1.0 + np.clip(rng.normal(0.0, 0.02), -0.05, 0.05))
    kind = kind or drawn_kind
    mass_g = {"witness": 25.0, "mixing": float(rng.uniform(90.0, 300.0)), "residue": float(rng.uniform(20.0, 28.0))}
    fault = str(rng.choice(("", "", "", "", "", "", "", "", "lift", "slow")))
    return PourPlan(kind=kind, mass_g=mass_g[kind], lot=drawn_lot if lot is None else lot, ratio=ratio, room_c=room_c,
                    resin_c=resin_c, fault=fault, seed=seed)  # fmt: skip


def pour(resin: DrawnResin, plan: PourPlan) -> DrawnPour:
    """What happens, from mix to well past the kick."""
    rng = stream(plan.seed, "pour")
    cup = _cup(plan, rng)
    until_s = 4.0 * resin.pot_life_s / plan.lot
    scenario = _scenario(resin, plan, cup, until_s, rng)
    run = pour_runs(scenario, {0.0: plan.room_c})[0]
    kick_s = None if run.truth.kick_s is None else run.truth.kick_s - LEAD_S
    end_s = min(until_s, 1.6 * (kick_s or until_s) + 60.0)
    hz = scenario.board.hz
    times: Array = np.arange(int((LEAD_S + end_s) * hz)) / hz
    felt = cup_series(cup, [run], scenario.acts, times, np.full(len(times), plan.room_c), LEAD_S, plan.seed)
    kept = kept_samples(times - LEAD_S, rng)
    return DrawnPour(plan, times[kept] - LEAD_S, felt[kept], plan.room_c, kick_s, _hottest_s(run))


def _cup(plan: PourPlan, rng: np.random.Generator) -> CupSpec:
    lag_s = float(np.clip(np.exp(rng.normal(math.log(3.0), 0.4)), 1.0, 8.0))
    spikes = float(rng.choice((0.0, 0.5, 2.0)))
    return CupSpec(
        kind=plan.kind, mass_g=plan.mass_g, lag_s=lag_s * (2.5 if plan.fault == "slow" else 1.0),
        off_centre=float(rng.uniform(0.1, 0.6)), noise_c=float(rng.choice((0.06, 0.12, 0.3))),
        quantum_c=float(rng.choice((0.0, 0.25))), offset_c=float(rng.normal(0.0, 0.5)), emi_per_min=spikes,
    )  # fmt: skip


def _scenario(resin: DrawnResin, plan: PourPlan, cup: CupSpec, until_s: float, rng: np.random.Generator) -> Scenario:
    a_g = max(plan.mass_g, 110.0) / (1.0 + resin.truth.b_per_a)
    mix_s = float(rng.uniform(20.0, 35.0))
    acts = [
        Act(at_s=0.0, do="mix", cup=cup.id, lot="lot", a_g=a_g, b_g=a_g * resin.truth.b_per_a * plan.ratio,
            resin_c=plan.resin_c, mix_s=mix_s),
        Act(at_s=mix_s + float(rng.uniform(4.0, 12.0)), do="witness"),
    ]  # fmt: skip
    if plan.kind == "residue":
        acts.append(Act(at_s=mix_s + float(rng.uniform(20.0, 60.0)), do="pour", mold="m"))
    if plan.fault == "lift":
        lift_s = float(rng.uniform(0.3, 0.5)) * resin.pot_life_s
        acts.append(Act(at_s=lift_s, do="probe_lift", cup=cup.id))
        acts.append(Act(at_s=lift_s + float(rng.uniform(5.0, 15.0)), do="probe_back", cup=cup.id))
    molds = (MoldSpec(code="m", cavity_ml=20.0, thin_mm=4.0, thick_mm=6.0),)
    return replace(
        Scenario(name="drawn"), lead_s=LEAD_S, end_s=until_s, cups=(cup,), molds=molds, acts=tuple(acts),
        lots=(LotSpec(code="lot", resin="drawn", rate_factor=plan.lot),), resins={"drawn": resin.truth},
        board=replace(Scenario(name="").board, hz=float(rng.choice(SAMPLES_HZ))),
    )  # fmt: skip


def kept_samples(time_s: Array, rng: np.random.Generator) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which samples arrive: up to two drop-outs of 2 to 12 s."""
    kept = np.ones(len(time_s), dtype=np.bool_)
    for _ in range(int(rng.integers(0, 3))):
        gone_s = float(rng.uniform(0.0, time_s[-1]))
        kept &= ~((time_s > gone_s) & (time_s < gone_s + float(rng.uniform(2.0, 12.0))))
    return kept


def _hottest_s(run: PourRun) -> float:
    """When the cup's hottest resin reacts fastest [s after the mix], once it is in the cup."""
    is_in = run.curves.times_s > run.in_cup_s - run.mix_s + 10.0
    times_s, share = run.curves.times_s[is_in], run.curves.a[is_in, run.cup_row].max(axis=1)
    return float(times_s[int((np.diff(share) / np.diff(times_s)).argmax())])
