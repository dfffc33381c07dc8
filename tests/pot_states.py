"""Which state is a pot in, and what did the watch say of it?  Rehearsed pots in nine states, and a judge.

A case is a load from the rehearsed bench (its own physics) with one thing done or gone wrong; pots of 7 to 40 l free
space, filled in 18 to 42 s, cooling in 14 to 40 s, gauge noise 0.05 psi, resolution 0.02 psi, one line a second.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchd.core.bench import Bench, Channel, Cup, Lot, Mold, Pot, Resin
from benchd.core.bench.context import context_parts
from benchd.core.engine import Engine
from benchd.core.findings import Effect, Finding
from benchd.core.format.mark_form import mark_from_body
from benchd.core.model import Context, Line, Mark, Reading
from benchd.core.model.learned import Learned
from benchd.plugins import watcher_plan
from benchd.rehearsal import Rehearsal, Scenario
from benchd.rehearsal.acts import Act
from benchd.rehearsal.scenario import BoardSpec, LotSpec, MoldSpec, PotSpec
from benchd.rehearsal.supply import SupplySpec
from benchd.rehearsal.vessel import VesselSpec

PSI = 6.894757293168
T0 = 1_767_607_200.0
LEAD_S = 30.0
STATES = (
    "vent", "letting-go", "gauge-lost", "top-up", "no-pressure", "relief-lifting", "relief-stuck", "creep", "shut",
    "clogged",
)  # fmt: skip
ALARMING = (
    "pot_letting_go", "gauge_dropped", "pot_over_relief", "pot_over_limit", "relief_lifted", "pot_creeping",
    "pot_not_filling", "port_clogged", "pot_topped_up", "pot_venting",
)  # fmt: skip
"""What names a state; whatever of these is told besides the right one is a wrong word."""


@dataclass(frozen=True)
class Case:
    """One rehearsed load: from `from_s` on (since the start) one of `right` must be told by `by_s`; `allowed` may."""

    scenario: Scenario
    seed: int
    from_s: float
    by_s: float
    right: tuple[str, ...]
    allowed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Verdict:
    is_right: bool
    wrong: tuple[str, ...]
    told: tuple[tuple[float, str], ...]


def act(at_s: float, do: str, **keys: Any) -> Act:
    return Act(at_s=at_s, do=do, **keys)


def hole_mm(empties_s: float, free_l: float) -> float:
    """The opening through which a pot empties in this time: 13 l through 6 mm in 4.4 s (computed, common sizes)."""
    return 6.0 * math.sqrt(4.4 / empties_s * free_l / 13.0)


def base(rng: np.random.Generator, *, shut_s: float | None = 220.0, marked: bool = True) -> Scenario:
    """A good load: mixed at 0, poured by 95 s, lid 110 s, filled, fed, shut; nothing else happens."""
    free_l = float(rng.choice([7.0, 13.0, 40.0]) * rng.uniform(0.9, 1.1))
    fill_s = float(rng.uniform(18.0, 42.0))
    inlet_mm = 1.52 * math.sqrt(free_l / 13.0 * 30.0 / fill_s)
    acts = [
        act(0.0, "mix", cup="cup-1", lot="R-07", a_g=60.0, b_g=54.0, pot="barrel", molds=("M02",), way="typed"),
        act(31.0, "witness"),
        act(float(rng.uniform(78.0, 88.0)), "pour", mold="M02", way="switch"),
        act(110.0, "lid"),
        act(112.0, "inlet_open"),
    ]
    if shut_s is not None:
        acts.append(act(shut_s, "inlet_shut", **({"way": "typed", "pot": "barrel"} if marked else {})))
    scale = free_l / 13.0
    return Scenario(
        name="state", lead_s=LEAD_S, end_s=1000.0, board=BoardSpec(hz=1.0),
        pot=PotSpec(
            volume_l=free_l * 1.27, inlet_mm=inlet_mm, resolution_psi=0.02, drift_psi_h=float(rng.normal(0.0, 0.2)),
            relief_mm=5.0 * math.sqrt(scale),
        ),
        vessel=VesselSpec(free_l=free_l, cooling_s=float(rng.uniform(14.0, 40.0))),
        supply=SupplySpec(tank_l=24.0 * max(1.0, scale), droop_psi_s_g=2.0 / scale, pump_g_s=1.1 * scale),
        molds=(MoldSpec(code="M02", cavity_ml=28.0, gate_ml=9.0, thin_mm=2.2, thick_mm=9.0, start_c=40.0),),
        lots=(LotSpec(code="R-07"),), acts=tuple(acts),
    )  # fmt: skip


def with_acts(scenario: Scenario, *more: Act, drop: tuple[str, ...] = (), **changes: Any) -> Scenario:
    acts = sorted([a for a in scenario.acts if a.do not in drop] + list(more), key=lambda a: a.at_s)
    return replace(scenario, acts=tuple(acts), **changes)


def _vent(rng: np.random.Generator) -> Case:
    s = base(rng)
    at_s = float(rng.choice([rng.uniform(300.0, 500.0), rng.uniform(820.0, 900.0)]))
    bleed = hole_mm(float(rng.uniform(20.0, 60.0)), s.vessel.free_l)
    s = with_acts(s, act(at_s, "bleed_open", hole_mm=bleed, over_s=float(rng.uniform(1.0, 8.0))))
    return Case(s, 0, at_s, at_s + 30.0, ("pot_venting", "pot_losing"))


def _letting_go(rng: np.random.Generator, band: tuple[float, float] | None = None) -> Case:
    """Faster than a hand empties a pot, or steep but slower; `band`: an emptying time in which hands vent too."""
    s = base(rng)
    at_s = float(rng.uniform(240.0, 600.0))
    slow = math.exp(rng.uniform(math.log(110.0), math.log(180.0)))
    gauge_s = 1.4 * 2.5 * s.vessel.free_l / 13.0  # faster than a bore of 8 mm (computed) it is a lost gauge's curve
    fast = math.exp(rng.uniform(math.log(gauge_s), math.log(12.0)))
    empties_s = float(rng.uniform(*band)) if band else float(rng.choice([slow, fast]))
    s = with_acts(s, act(at_s, "leak", hole_mm=hole_mm(empties_s, s.vessel.free_l)))
    return Case(s, 0, at_s, at_s + 20.0, ("pot_letting_go", "pot_losing"))


def _gauge_lost(rng: np.random.Generator) -> Case:
    s = base(rng, shut_s=None)
    at_s = float(rng.uniform(200.0, 600.0))
    s = with_acts(s, act(at_s, "hose_off"), pot=replace(s.pot, tap="hose"))
    return Case(s, 0, at_s, at_s + 5.0, ("gauge_dropped",))


def _top_up(rng: np.random.Generator) -> Case:
    s = base(rng, shut_s=float(rng.uniform(160.0, 240.0)))
    free_l = s.vessel.free_l
    at_s = float(rng.uniform(430.0, 560.0))
    leak = 0.1 * math.sqrt(float(rng.uniform(0.7, 1.6)) / 0.3 * free_l / 13.0)
    told = {"way": "typed", "pot": "barrel"} if rng.random() < 0.5 else {}
    s = with_acts(s, act(at_s, "topup", **told), pot=replace(s.pot, leak_mm=leak))
    return Case(s, 0, at_s, at_s + 60.0, ("pot_topped_up",))


def _no_pressure(rng: np.random.Generator) -> Case:
    s = base(rng, shut_s=None)
    what = int(rng.integers(3))
    if what == 0:
        s = with_acts(s, drop=("inlet_open",))
    elif what == 1:
        s = with_acts(s, act(-10.0, "hose_off"))
    else:
        s = with_acts(s, act(111.0, "bleed_open", hole_mm=s.pot.inlet_mm * float(rng.uniform(1.2, 3.0))))
    return Case(s, 0, 110.0, 175.0, ("pot_not_filling",))


def _runaway(rng: np.random.Generator, stuck: bool) -> Case:
    s = base(rng, shut_s=None)
    at_s = float(rng.uniform(200.0, 500.0))
    s = replace(s, board=BoardSpec(hz=4.0))  # a relief valve moves within a fraction of a second
    relief_mm = s.pot.relief_mm * float(rng.uniform(0.5, 1.2))
    s = with_acts(s, act(at_s, "regulator", psi=float(rng.uniform(65.0, 90.0))),
                  pot=replace(s.pot, relief_stuck=stuck, relief_mm=relief_mm))  # fmt: skip
    right = ("pot_over_relief",) if stuck else ("relief_lifted",)
    return Case(s, 0, at_s, at_s + 60.0, right, ("pot_over_limit", "pot_creeping", "pot_topped_up"))


def _creep(rng: np.random.Generator) -> Case:
    s = base(rng, shut_s=None)
    s = replace(s, supply=replace(s.supply, creep_psi_min=float(rng.uniform(0.15, 0.4))))
    return Case(s, 0, 150.0, 900.0, ("pot_creeping",))


def _shut(rng: np.random.Generator) -> Case:
    """Shut without a mark, before the gas has cooled, or over a slow leak: otherwise nothing shows it."""
    early = rng.random() < 0.5
    at_s = float(rng.uniform(150.0, 175.0) if early else rng.uniform(220.0, 300.0))
    s = base(rng, shut_s=at_s, marked=False)
    if not early:
        leak = 0.1 * math.sqrt(float(rng.uniform(0.5, 2.0)) / 0.3 * s.vessel.free_l / 13.0)
        s = replace(s, pot=replace(s.pot, leak_mm=leak))
    return Case(s, 0, at_s, at_s + 300.0, ("pot_isolated",))


def _clogged(rng: np.random.Generator) -> Case:
    s = base(rng)
    s = with_acts(s, act(float(rng.uniform(-20.0, 90.0)), "clog"))
    return Case(s, 0, 110.0, 110.0 + 90.0, ("port_clogged",))


MAKERS: dict[str, Callable[[np.random.Generator], Case]] = {
    "vent": _vent, "letting-go": _letting_go, "gauge-lost": _gauge_lost, "top-up": _top_up,
    "no-pressure": _no_pressure, "relief-lifting": lambda rng: _runaway(rng, False),
    "relief-stuck": lambda rng: _runaway(rng, True), "creep": _creep, "shut": _shut, "clogged": _clogged,
}  # fmt: skip


def case(state: str, seed: int) -> Case:
    """The seed's case of a state, times counted from the rehearsal's start."""
    made = MAKERS[state](np.random.default_rng([seed, STATES.index(state)]))
    return replace(made, seed=seed, from_s=made.from_s + LEAD_S, by_s=made.by_s + LEAD_S)


def letting_go_like_a_vent(seed: int) -> Case:
    """A seal that goes as fast as a hand vents: the curve cannot tell them apart."""
    made = _letting_go(np.random.default_rng([seed, 99]), band=(20.0, 60.0))
    return replace(made, seed=seed, from_s=made.from_s + LEAD_S, by_s=made.by_s + LEAD_S)


# ------------------------------------------------------------------------------------------------------------ the watch


def bench_of(scenario: Scenario) -> Bench:
    """The bench as its caster would have configured it."""
    spec = scenario.pot
    pot = Pot(
        id="barrel", name="Barrel", volume_l=spec.volume_l, free_l=scenario.vessel.free_l, marked_kpa=60 * PSI,
        relief_kpa=spec.relief_psi * PSI, target_kpa=spec.target_psi * PSI, floor_kpa=spec.floor_psi * PSI,
        limit_kpa=54 * PSI,
    )  # fmt: skip
    fast = Resin(id="fast-white", name="Fast white", pot_life_s=180.0, demold_s=600.0, ratio_weight_b=0.9)
    channels = (
        Channel(id="cup-1-temperature", source="board", senml="b1-cup", role="cup_temperature", of="cup-1"),
        Channel(id="barrel-pressure", source="board", senml="b1-pot", role="pot_pressure", of="barrel"),
        Channel(id="room-temperature", source="board", senml="b1-room", role="room_temperature"),
    )
    mold = Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28.0, gate_ml=9.0, thin_mm=2.2, thick_mm=9.0)
    return Bench(
        id="north", shop="quiet-harbour", name="North bench", pots=(pot,), cups=(Cup(id="cup-1", name="Cup one"),),
        channels=channels, molds=(mold,), lots=(Lot(id="r-07", code="R-07", resin="fast-white", label=fast),),
        resins=(fast,), sources=(("board", "crc32"),),
    )  # fmt: skip


def watched(scenario: Scenario, seed: int) -> tuple[list[Effect], Rehearsal]:
    """Everything the whole watch made of a rehearsal."""
    bench = bench_of(scenario)
    config, shelf, resins = context_parts(bench)
    engine = Engine(watcher_plan)
    engine.step(Context(T0, config, shelf, resins, Learned(), (), "test", "hash"))
    rehearsal = Rehearsal(scenario, seed)
    effects: list[Effect] = []
    for frame in rehearsal.frames():
        for body in frame.marks:
            keys = {k: v for k, v in body.items() if k != "t_s"}
            mark: Mark = mark_from_body(T0 + frame.t_s, keys)
            effects += engine.step(mark)
        for line in frame.lines:
            effects += engine.step(Line(T0 + frame.t_s, "board", line.decode().rstrip("\n")))
    return effects, rehearsal


def judged(made: Case) -> Verdict:
    """Was the right state told in time, and what else was said that was not so?"""
    effects, _ = watched(made.scenario, made.seed)
    found = [e for e in effects if isinstance(e, Finding) and getattr(e, "active", True)]
    named = [(f.t - T0, f.finding) for f in found if f.finding in (*ALARMING, *made.right)]
    is_right = any(kind in made.right and made.from_s - 2.0 <= at_s <= made.by_s for at_s, kind in named)
    until_s = made.from_s + 180.0  # afterwards the scene goes on without its caster
    wrong = [k for at_s, k in named if k not in (*made.right, *made.allowed) and at_s <= max(until_s, made.by_s)]
    return Verdict(is_right, tuple(dict.fromkeys(wrong)), tuple(named))


def samples_late(effects: list[Effect], kind: type[Finding]) -> int | None:
    """How many gauge samples past its limit came before the finding was told, the telling one counted; None: untold."""
    floor, limit = 35.0 * PSI - 0.1 * PSI, 54.0 * PSI
    is_up, past = False, 0
    for effect in effects:
        if isinstance(effect, Reading) and effect.role == "pot_pressure" and effect.value is not None:
            is_up = is_up or effect.value > 38.0 * PSI
            beyond = effect.value > limit if kind.finding == "pot_over_limit" else is_up and effect.value <= floor
            past = past + 1 if beyond else 0
        elif isinstance(effect, kind):
            return past
    return None
