"""What is damaged: the golden recordings, rehearsed loads and decoys, each with its truth.

Rehearsed loads are whole loads of the rehearsal's bench with resins, cups, pots and hands drawn from a seed.  BUILDING
(seeds below 5000, resins of the family "two-rate") may be looked at while the watch is changed; REPORTING (seeds from
5001, "two-rate", "two-step" and "moisture") and the decoys of seeds from 5000 are for the table alone.  Every fourth
load has no mark of its mix; every fourth, from the second on, is vented within the recording.

Passed over, since they are not what damage is about: load 6 (its pot is up 20 s before the kick, and "Late" hangs on a
second of doubt), loads 5003 and 5012 as "two-step" (their undamaged kicks are told 14 and 10 % late).
"""

from __future__ import annotations

import lzma
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from damage.lines import PA_PER_PSI, Body, Moments, Sent, written
from rehearsed.decoys import DECOYS, decoy
from rehearsed.pours import DrawnPour, DrawnResin, draw_resin

from benchd.core.bench import Bench, Channel, Cup, Lot, Mold, Pot, Resin
from benchd.core.bench.context import context_parts
from benchd.core.format.mark_form import mark_from_body
from benchd.core.format.record import read_recording
from benchd.core.model import Context, Line, Mark, Table
from benchd.core.model.learned import Learned
from benchd.rehearsal import Rehearsal, Scenario, load_scenario
from benchd.rehearsal.acts import Act
from benchd.rehearsal.scenario import BoardSpec, CupSpec, LotSpec, MoldSpec, PotSpec, RoomSpec
from benchd.rehearsal.supply import SupplySpec
from benchd.rehearsal.vessel import VesselSpec

RECORDINGS = Path(__file__).parents[1] / "recordings"
RECORDED = ("load-1", "load-2-crumb", "load-3-damp")
PSI = 6.894757293168  # kPa
T0 = 1_767_607_200.0  # 2026-01-05 10:00:00 UTC
LEAD_S = 30.0
AFTER_KICK = 1.25  # a recording goes on so far past its kick, in times from mix to kick
AND_S = 90.0
DECOY_S = 480.0  # a marked mix nobody pours: what follows its "Lid now", at 364 to 382 s the latest, fits in


@dataclass(frozen=True)
class Subject:
    """One recording: what the core knows first, the caster's marks [t unix s], the board's lines, and the truth."""

    name: str
    start_t: float
    head: tuple[Context | Table, ...]
    marks: tuple[Mark, ...]
    body: Body
    is_decoy: bool = False


# ------------------------------------------------------------------------------------------------------ the recordings


def recorded(name: str) -> Subject:
    """A golden recording, cut a while after its kick; the first is kept until its pot was vented and opened."""
    with lzma.open(RECORDINGS / f"{name}.jsonl.xz", "rt", encoding="utf-8") as lines:
        items = list(read_recording(lines))
    start_t = items[0].t
    run = Rehearsal(load_scenario(name), 1)  # the seed they were made with
    for _ in run.frames():
        pass
    load = run.truth.loads[0]
    mix_s, kick_s = run.truth.pours[0].mix_s, run.truth.kick_s[0]
    assert kick_s is not None
    first_s = max(0.0, mix_s - 60.0)  # what came before is of no use to a kick
    end_s = (load.opened_s or 0.0) + 30.0 if name == RECORDED[0] else _end_s(mix_s, kick_s)
    lines_in = tuple(
        Sent(i.t - start_t - first_s, i.t - start_t - first_s, i.line)
        for i in items
        if isinstance(i, Line) and first_s <= i.t - start_t < end_s
    )
    marks = tuple(i for i in items if isinstance(i, Mark) and start_t + first_s <= i.t < start_t + end_s)
    head = tuple(replace(i, t=start_t + first_s) for i in items if isinstance(i, Context | Table))
    at = _moments(mix_s - first_s, end_s - first_s, kick_s - first_s, _less(load.at_pressure_s, first_s),
                  _less(load.shut_s, first_s))  # fmt: skip
    return Subject(name, start_t + first_s, head, marks, Body(lines_in, at))


def _less(s: float | None, by_s: float) -> float | None:
    return None if s is None else s - by_s


def _end_s(mix_s: float, kick_s: float) -> float:
    return mix_s + AFTER_KICK * (kick_s - mix_s) + AND_S


def _moments(mix_s: float, end_s: float, kick_s: float, at_floor_s: float | None, shut_s: float | None) -> Moments:
    return Moments(mix_s, end_s, kick_s, at_floor_s, shut_s if shut_s is not None and shut_s < end_s else None)


# --------------------------------------------------------------------------------------------------- loads, rehearsed


@dataclass(frozen=True)
class Drawn:
    """A load as drawn: its script, its resin, whether its mix is marked and its pot vented within the recording."""

    scenario: Scenario
    resin: DrawnResin
    is_marked: bool
    is_vented: bool


def drawn_load(seed: int, family: str = "two-rate") -> Drawn:
    """A good load: mixed at 0, poured, shut in, filled before its kick, held; nothing goes wrong but the damage."""
    rng = np.random.default_rng([seed, 13])
    resin = draw_resin(seed, family=family, pot_life_s=float(rng.uniform(170.0, 320.0)))
    is_marked, is_vented = seed % 4 != 3, seed % 4 == 2
    free_l = float(rng.choice([7.0, 13.0, 40.0]) * rng.uniform(0.9, 1.1))
    fill_s = float(rng.uniform(18.0, 40.0))
    kind = "witness" if rng.random() < 0.7 else "mixing"
    cup = CupSpec(
        kind=kind, mass_g=25.0 if kind == "witness" else float(rng.uniform(60.0, 150.0)),
        lag_s=float(rng.uniform(1.5, 6.0)), noise_c=float(rng.choice((0.06, 0.1, 0.2))), quantum_c=0.25,
        off_centre=float(rng.uniform(0.1, 0.5)),
    )  # fmt: skip
    scenario = Scenario(
        name=f"rehearsed-{seed}", lead_s=LEAD_S, end_s=1200.0, cups=(cup,),
        board=BoardSpec(hz=float(rng.choice((1.0, 2.0, 4.0))), clock_ppm=float(rng.uniform(-60.0, 60.0))),
        room=RoomSpec(temp_c=float(rng.uniform(18.0, 27.0))),
        pot=PotSpec(volume_l=free_l * 1.27, inlet_mm=1.52 * math.sqrt(free_l / 13.0 * 30.0 / fill_s),
                    bleed_mm=6.0 * math.sqrt(4.4 / 40.0 * free_l / 13.0), resolution_psi=0.02,
                    noise_psi=float(rng.uniform(0.02, 0.06))),
        vessel=VesselSpec(free_l=free_l, cooling_s=float(rng.uniform(14.0, 40.0))),
        supply=SupplySpec(tank_l=24.0 * max(1.0, free_l / 13.0), droop_psi_s_g=26.0 / free_l, pump_g_s=free_l / 12.0),
        molds=(MoldSpec(code="M02", cavity_ml=28.0, gate_ml=9.0, thin_mm=2.2, thick_mm=9.0, start_c=40.0),),
        lots=(LotSpec(code="R-07", resin="drawn", rate_factor=float(np.exp(rng.normal(0.0, 0.12)))),),
        resins={"drawn": resin.truth}, acts=_acts(rng, resin, is_marked),
    )  # fmt: skip
    return Drawn(scenario, resin, is_marked, is_vented)


def _acts(rng: np.random.Generator, resin: DrawnResin, is_marked: bool) -> tuple[Act, ...]:
    a_g = 120.0 / (1.0 + resin.truth.b_per_a)
    told: dict[str, Any] = {"way": "typed"} if is_marked else {}
    lid_s = float(rng.uniform(82.0, 95.0))
    shut_s = lid_s + float(rng.uniform(70.0, 110.0))
    return (
        Act(at_s=0.0, do="mix", cup="cup-1", pot="barrel", lot="R-07", molds=("M02",), a_g=a_g,
            b_g=a_g * resin.truth.b_per_a * float(rng.uniform(0.97, 1.03)), **told),
        Act(at_s=31.0, do="witness"),
        Act(at_s=lid_s - 20.0, do="pour", mold="M02", way="switch" if is_marked else ""),
        Act(at_s=lid_s, do="lid"),
        Act(at_s=lid_s + 2.0, do="inlet_open"),
        Act(at_s=shut_s, do="inlet_shut", **(told | {"pot": "barrel"} if is_marked else {})),
    )  # fmt: skip


def rehearsed(seed: int, family: str = "two-rate") -> Subject:
    """The load of a seed as a subject."""
    drawn = drawn_load(seed, family)
    first = Rehearsal(drawn.scenario, seed)
    kick_s = first.truth.kick_s[0]
    assert kick_s is not None, f"load {seed} never kicks: draw another"
    scenario, end_s = drawn.scenario, _end_s(LEAD_S, kick_s)
    if drawn.is_vented:
        bleed_s = 1.6 * (kick_s - LEAD_S) + 60.0
        acts = (*scenario.acts, Act(at_s=bleed_s, do="bleed_open", over_s=6.0), Act(at_s=bleed_s + 70.0, do="lid_off"))
        scenario, end_s = replace(scenario, acts=acts), LEAD_S + bleed_s + 90.0
    run = Rehearsal(replace(scenario, end_s=end_s - LEAD_S), seed)
    marks, lines = list[Mark](), list[Sent]()
    for frame in run.frames():
        marks += [mark_from_body(T0 + m["t_s"], {k: v for k, v in m.items() if k != "t_s"}) for m in frame.marks]
        lines += [Sent(frame.t_s, frame.t_s, raw.decode().rstrip("\n")) for raw in frame.lines]
    load = run.truth.loads[0]
    at = _moments(LEAD_S, end_s, kick_s, load.at_pressure_s, load.shut_s)
    name = f"load {seed}" + ("" if family == "two-rate" else f" {family}")
    bench = bench_of(drawn.scenario, drawn.resin.pot_life_s)
    return Subject(name, T0, (context_of(bench),), tuple(marks), Body(tuple(lines), at))


def bench_of(scenario: Scenario, pot_life_s: float) -> Bench:
    """The bench as its caster would have configured it."""
    spec, cup = scenario.pot, scenario.cups[0]
    pot = Pot(
        id="barrel", name="Barrel", volume_l=spec.volume_l, free_l=scenario.vessel.free_l, marked_kpa=60 * PSI,
        relief_kpa=spec.relief_psi * PSI, target_kpa=spec.target_psi * PSI, floor_kpa=spec.floor_psi * PSI,
        limit_kpa=54 * PSI,
    )  # fmt: skip
    resin = Resin(id="drawn", name="Drawn", pot_life_s=pot_life_s, demold_s=4.0 * pot_life_s, least_hold_s=120.0)
    channels = (
        Channel(id="cup-1-temperature", source="board", senml="b1-cup", role="cup_temperature", of="cup-1"),
        Channel(id="barrel-pressure", source="board", senml="b1-pot", role="pot_pressure", of="barrel"),
        Channel(id="room-temperature", source="board", senml="b1-room", role="room_temperature"),
    )
    mold = Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28.0, gate_ml=9.0, thin_mm=2.2, thick_mm=9.0)
    return Bench(
        id="north", shop="quiet-harbour", name="North bench", pots=(pot,), default_resin="drawn",
        cups=(Cup(id="cup-1", name="Cup one", kind=cup.kind, mass_g=cup.mass_g),),  # type: ignore[arg-type]
        channels=channels, molds=(mold,), lots=(Lot(id="r-07", code="R-07", resin="drawn", label=resin),),
        resins=(resin,), sources=(("board", "crc32"),),
    )  # fmt: skip


def context_of(bench: Bench) -> Context:
    """The context of a bench that has learned nothing."""
    config, shelf, resins = context_parts(bench)
    return Context(T0, config, shelf, resins, Learned(), (), "test", "hash")


# -------------------------------------------------------------------------------------------------------------- decoys


def decoy_of(kind: str, seed: int) -> Subject:
    """A cup that never kicks, beside an open pot; with an even seed somebody marked a mix."""
    drawn = decoy(seed, kind, DECOY_S)
    rng = np.random.default_rng([seed, 31])
    scenario = Scenario(name="decoy", lead_s=LEAD_S)
    bench = bench_of(scenario, float(rng.uniform(170.0, 320.0)))
    mark = mark_from_body(T0 + LEAD_S, {"verb": "mix", "cup": "cup-1", "pot": "barrel", "lot": "R-07"})
    marks = (mark,) if seed % 2 == 0 else ()
    at = Moments(LEAD_S, LEAD_S + DECOY_S)
    return Subject(
        f"decoy {kind} {seed}", T0, (context_of(bench),), marks, Body(tuple(_lines(drawn, rng)), at), is_decoy=True
    )


def _lines(drawn: DrawnPour, rng: np.random.Generator) -> list[Sent]:
    lines = []
    for count, (s, c) in enumerate(zip(drawn.time_s.tolist(), drawn.value_c.tolist(), strict=True)):
        at_s = round(s - float(drawn.time_s[0]), 3)
        pot_pa = round(float(rng.normal(0.0, 0.05)) * PA_PER_PSI)
        records = [
            {"bn": "b1-", "n": "seq", "v": count}, {"n": "up", "u": "s", "v": at_s},
            {"n": "cup", "u": "Cel", "v": c}, {"n": "pot", "u": "Pa", "v": pot_pa},
            {"n": "room", "u": "Cel", "v": round(drawn.room_c, 2)},
        ]  # fmt: skip
        lines.append(Sent(at_s, at_s, written(records)))
    return lines


# --------------------------------------------------------------------------------------------------------------- lists

BUILDING = (*RECORDED, *(f"load {seed}" for seed in (1, 2, 3, 4, 5, 14, 7, 8)))
REPORTING = ("load 5001", "load 5002", "load 5003", "load 5016 two-step", "load 5004 moisture")
BUILDING_DECOYS = tuple(f"decoy {kind} {1 + i}" for i, kind in enumerate(DECOYS))
REPORTING_DECOYS = tuple(f"decoy {kind} {5000 + i}" for i, kind in enumerate(DECOYS))


@cache
def subject(name: str) -> Subject:
    """The subject of a name in the lists above."""
    if name in RECORDED:
        return recorded(name)
    words = name.split()
    make: dict[str, Callable[[], Subject]] = {
        "load": lambda: rehearsed(int(words[1]), words[2] if len(words) > 2 else "two-rate"),
        "decoy": lambda: decoy_of(" ".join(words[1:-1]), int(words[-1])),
    }
    return make[words[0]]()
