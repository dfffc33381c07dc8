"""Plays pots in a hand's care (rehearsed/hands.py) through the whole engine: which words come at a vent or a fill."""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import dataclass, field

from rehearsed.hands import Bench as Air
from rehearsed.hands import Hand
from rehearsed.pots import draw_pots

from benchd.core.bench import Bench, Channel, Cup, Lot, Mold, Pot, Resin
from benchd.core.bench.context import context_parts
from benchd.core.engine import Engine
from benchd.core.findings import Effect, HoldComplete
from benchd.core.intake.wire import encode
from benchd.core.model import Context, Line, Mark, Utterance
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.plugins import watcher_plan
from benchd.rehearsal.vessel import PA_PER_PSI, VesselSpec

T0 = 1_767_606_000.0
FAST_S, SLOW_S = 180.0, 1800.0  # pot lives: one for a hold of minutes, one that leaves any fill the time it takes
MOLD = Mold(id="m02", code="M02", name="Keeper arms", cavity_ml=28.0, gate_ml=9.0, thin_mm=2.2, thick_mm=9.0)
TARGET_PSI, FLOOR_PSI = 42.0, 35.0
MIX_S, LID_S = 5.0, 90.0
KICK_S = MIX_S + 165.0


def spec_of(count: int, seed: int) -> list[VesselSpec]:
    """Pots of 10, 13 and 60 L as their air sees them."""
    pots = draw_pots(count, seed)
    columns = zip(pots.free_l, pots.tau_s, pots.bend, pots.density_bend, pots.jet, pots.wall_j_k, strict=True)
    return [
        VesselSpec(free_l=float(v), cooling_s=float(tau), cooling_bend=float(bend), density_bend=float(dense),
                   jet=float(jet), wall_j_k=float(wall))
        for v, tau, bend, dense, jet, wall in columns
    ]  # fmt: skip


def bench_of(spec: VesselSpec, pot_life_s: float) -> Bench:
    """The bench that owns this pot: its gauge, one cup without a probe, one mold, one lot of this pot life [s]."""
    resin = Resin(id="white", name="White", pot_life_s=pot_life_s, demold_s=600.0)
    pot = Pot(
        id="barrel", name="Barrel", volume_l=1.2 * spec.free_l, free_l=spec.free_l, marked_kpa=60 * PSI,
        relief_kpa=55 * PSI, target_kpa=TARGET_PSI * PSI, floor_kpa=FLOOR_PSI * PSI, limit_kpa=54 * PSI,
    )  # fmt: skip
    gauge = Channel(id="barrel-pressure", source="board", senml="b1-pot", role="pot_pressure", of="barrel",
                    period_s=0.5)  # fmt: skip
    return Bench(
        id="north", shop="quiet-harbour", name="North bench", channels=(gauge,), pots=(pot,),
        cups=(Cup(id="cup-1", name="Cup one"),), molds=(MOLD,), resins=(resin,), sources=(("board", "crc32"),),
        lots=(Lot(id="r-07", code="R-07", resin="white", label=resin),),
    )  # fmt: skip


@dataclass
class Played:
    """One pot and the engine that watches it, in step."""

    air: Air
    engine: Engine
    pot_life_s: float
    effects: list[Effect] = field(default_factory=list)
    done: int = 0

    def catch_up(self) -> None:
        """Show the engine the samples it has not seen."""
        for k in range(self.done, len(self.air.times)):
            pa = self.air.psi[k] * PA_PER_PSI
            line = encode([("pot", pa, None, "Pa")], board="b1-", seq=k + 1, up=self.air.times[k])
            self.effects += self.engine.step(Line(T0 + self.air.times[k], "board", line.decode().rstrip("\n")))
        self.done = len(self.air.times)

    def mark(self, verb: str, **more: object) -> None:
        """What the caster marks, now."""
        self.catch_up()
        self.effects += self.engine.step(Mark(t=T0 + self.air.t_s, verb=verb, **more))  # type: ignore[arg-type]

    def fork(self) -> Played:
        """The same moment, to go on from another way; nothing said yet."""
        self.catch_up()
        engine = Engine.thaw(self.engine.freeze(), watcher_plan, [context_of(self.air.spec, self.pot_life_s)])
        return Played(copy.deepcopy(self.air), engine, self.pot_life_s, [], self.done)

    def said(self) -> list[tuple[float, str, str]]:
        """(s, code, words) of every utterance."""
        self.catch_up()
        return [(u.t - T0, u.code, u.say) for u in self.effects if isinstance(u, Utterance)]

    @property
    def is_held(self) -> bool:
        """Whether benchd has called the hold done."""
        self.catch_up()
        return any(isinstance(e, HoldComplete) for e in self.effects)


def context_of(spec: VesselSpec, pot_life_s: float) -> Context:
    """The context of the bench with this pot."""
    bench = bench_of(spec, pot_life_s)
    config, shelf, resins = context_parts(bench)
    return Context(T0, config, shelf, resins, bench.learned, bench.utc_offsets, "test", "hash", None)


def mixed(spec: VesselSpec, seed: int, pot_life_s: float = SLOW_S) -> Played:
    """A cup mixed and poured; the lid goes on next."""
    play = Played(Air(spec, seed), Engine(watcher_plan), pot_life_s)
    play.effects += play.engine.step(context_of(spec, pot_life_s))
    play.air.run(MIX_S)
    play.mark("mix", cup="cup-1", pot="barrel", lot="r-07", molds=("m02",))
    play.air.run(LID_S - MIX_S)
    play.mark("poured")
    return play


def held(spec: VesselSpec, seed: int, *, fed: bool, done: bool) -> Played:
    """A pot at pressure, fed or shut after 60 s: 90 s after the fill, or once benchd has called the hold done."""
    play = mixed(spec, seed, FAST_S)
    play.air.fill(TARGET_PSI, 30.0 if spec.free_l < 30.0 else 60.0)
    play.air.run(60.0)
    if not fed:
        play.air.shut()
        play.mark("shut", pot="barrel")
    play.air.run(30.0)
    if play.air.t_s < KICK_S + 10.0:
        play.air.run(KICK_S + 10.0 - play.air.t_s)
    play.mark("kicked", cup="cup-1")
    while done and not play.is_held and play.air.t_s < 3600.0:
        play.air.run(20.0)
    play.air.run(20.0)
    play.catch_up()
    return play


def vented(start: Played, in_s: float, hand: Hand, *, marked: bool) -> list[tuple[float, str, str]]:
    """(s, code, words) of what is said from the turn of the bleed on, until a minute after."""
    play = start.fork()
    begun = play.air.t_s
    if marked:
        play.mark("dumped", pot="barrel")
    play.air.vent(in_s, hand)
    play.air.run(60.0)
    return [(round(s - begun, 1), code, words) for s, code, words in play.said()]


def filled(start: Played, in_s: float, hold_s: float = 240.0) -> list[tuple[float, str, str]]:
    """(s, code, words) of what is said from the opening of the air on, while the pot is fed for hold_s."""
    play = start.fork()
    begun = play.air.t_s
    play.air.fill(TARGET_PSI, in_s)
    play.air.run(60.0)
    play.air.shut()
    play.mark("shut", pot="barrel")
    play.air.run(hold_s)
    return [(round(s - begun, 1), code, words) for s, code, words in play.said()]


def codes(said: Iterable[tuple[float, str, str]]) -> list[str]:
    """The codes of what was said, each once, in order."""
    return list(dict.fromkeys(code for _, code, _ in said))
