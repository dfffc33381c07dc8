"""Rehearses casters from mix to at-pressure: one who acts on the words two to five seconds later, one who ignores them.

A caster pours what the planner allows for the label and the room, now and then one mold more; has a pace of their own;
and now and then dawdles.  Resins, lots, cups and probes are those of rehearsed/pours.py, which benchd's own models
never saw.  The truth of a load is the cup's true kick: late is at the floor after it.  Ranges of hands and hitches
follow common practice for one person (mix 20 to 35 s, pour 10 to 22 s a mold, lid 20 to 30 s, fill 20 to 40 s).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from rehearsed.pours import DrawnPour, DrawnResin, PourPlan, draw_resin, pour

from benchd.core.bench import Bench, Channel, Cup, Lot, Mold, Pot, Resin
from benchd.core.bench.context import context_parts
from benchd.core.engine import Engine
from benchd.core.findings import Event, Finding, Kicked, KickForecast, PressureLate
from benchd.core.intake.wire import encode
from benchd.core.model import Context, Line, Mark, Utterance
from benchd.core.model.learned import CasterHabits, Learned, PotHabits
from benchd.core.seat.watcher import Reads, WatcherPlan
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.plugins import watcher_plan
from benchd.rehearsal.probes import stream
from benchd.shelf.plan.ask import Ask, Hands
from benchd.shelf.plan.kick import cup_kick
from benchd.shelf.plan.load import Loading, best_loading

T0 = 1_767_606_000.0
LEAD_S = 40.0
FLOOR_PSI, TARGET_PSI = 35.0, 42.0
LIVES_S = (90.0, 150.0, 180.0, 180.0, 240.0, 420.0)
"""Pot lives on the labels: fast resins as often as not; the first is one that hardly any load can keep up with."""
SHELF = (
    ("m01", 110.0, 6.0, 22.0), ("m02", 37.0, 2.2, 9.0), ("m03", 66.0, 2.8, 6.0), ("m04", 160.0, 5.0, 22.0),
    ("m05", 25.0, 2.0, 5.0), ("m06", 44.0, 4.0, 12.0), ("m07", 52.0, 2.5, 8.0), ("m08", 124.0, 10.0, 18.0),
)  # fmt: skip
"""(id, fill ml, thinnest, thickest section mm)."""
IS_LATE_WORD = ("last-mold", "lid-now", "pressure-late")
"""What hurries to the lid; "stop-stirring" is counted apart."""


@dataclass(frozen=True, slots=True)
class Load:
    """One load before it happens; times in s.  marks: how the caster reports molds ("each", "all", "none")."""

    seed: int
    resin: DrawnResin
    plan: PourPlan
    is_timed: bool
    molds: tuple[Mold, ...]
    mix_s: float
    pours_s: tuple[float, ...]
    lid_s: float
    fill_s: float
    hitch_at: int
    """After so many molds, or before the lid, the caster dawdles."""
    hitch_s: float
    react_s: float
    marks: str
    learned: Learned


@dataclass(slots=True)
class Played:
    """What happened: (s after the mix, code, words) of all that was said; when the pot was at its floor, if ever."""

    said: list[tuple[float, str, str]] = field(default_factory=list)
    up_s: float = math.inf
    kick_s: float = math.inf
    poured: int = 0
    spilled: int = 0
    """Molds left half full."""
    late_told: bool = False
    dawdled_s: float = math.inf
    """When the caster stopped working, s after the mix; inf: never."""
    foretold: list[tuple[float, float]] = field(default_factory=list)
    """(s after the mix, likely kick) of every forecast."""
    cup: list[KickForecast | Kicked] = field(default_factory=list)
    """What the cup's watcher told."""

    @property
    def called_s(self) -> float:
        """When the first word about time was said."""
        return next((s for s, code, _ in self.said if code in IS_LATE_WORD), math.inf)

    @property
    def is_told_to_stop_stirring(self) -> bool:
        return any(code == "stop-stirring" for _, code, _ in self.said)

    def likely_s(self, t_s: float) -> float:
        """The likely kick as foretold at t_s, the first forecast before there was one."""
        return next((at for s, at in reversed(self.foretold) if s <= t_s), self.foretold[0][1])

    @property
    def spare_s(self) -> float:
        """How long before the true kick the pot was at its floor."""
        return self.kick_s - self.up_s


def shelf() -> tuple[Mold, ...]:
    return tuple(Mold(id=id, code=id.upper(), name=f"Part {id}", cavity_ml=ml, thin_mm=thin, thick_mm=thick)
                 for id, ml, thin, thick in SHELF)  # fmt: skip


@cache
def resin_of(number: int) -> DrawnResin:
    life_s = LIVES_S[number % len(LIVES_S)]
    return draw_resin(9001 + number, shape="mid" if life_s < 120.0 else "", pot_life_s=life_s)


def label_of(resin: DrawnResin) -> Resin:
    return Resin(id="white", name="White", pot_life_s=resin.pot_life_s, demold_s=3.5 * resin.pot_life_s)


def pot() -> Pot:
    return Pot(
        id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=60 * PSI, relief_kpa=55 * PSI,
        target_kpa=TARGET_PSI * PSI, floor_kpa=FLOOR_PSI * PSI, limit_kpa=54 * PSI, inside_cm=40.0,
    )  # fmt: skip


def draw(seed: int) -> tuple[Load, DrawnPour]:
    """A load and what its cup does."""
    rng = stream(seed, "caster")
    resin = resin_of(int(rng.integers(0, 18)))
    room_c = float(np.clip(rng.normal(22.0, 2.0), 17.0, 27.0))
    lot = float(np.exp(np.clip(rng.normal(0.0, 0.15), -0.35, 0.35)))
    plan = PourPlan(kind="witness", lot=lot, room_c=room_c, resin_c=room_c + float(rng.normal(0.0, 0.8)), seed=seed)
    pace, is_known = float(np.exp(np.clip(rng.normal(0.0, 0.15), -0.3, 0.3))), bool(rng.random() < 0.5)
    usual_lid_s, fill_s = pace * float(rng.uniform(20.0, 30.0)), float(rng.uniform(20.0, 40.0))
    is_timed = bool(rng.random() < 0.5)
    molds = _chosen(rng, resin, plan, is_timed)
    pours_s = tuple(
        pace * Hands().pour_s(mold, label_of(resin)) * float(np.exp(rng.normal(0.0, 0.12))) for mold in molds
    )
    learned = Learned(
        caster=CasterHabits(pour_s=round(pace * 15.0, 1), lid_s=round(usual_lid_s, 1)),
        pots={"barrel": PotHabits(fill_s=round(fill_s, 1))},
    ) if is_known else Learned()  # fmt: skip
    load = Load(
        seed, resin, plan, is_timed, molds, mix_s=float(rng.uniform(20.0, 35.0)), pours_s=pours_s,
        lid_s=usual_lid_s * float(np.exp(rng.normal(0.0, 0.1))), fill_s=fill_s * float(np.exp(rng.normal(0.0, 0.07))),
        hitch_at=int(rng.integers(1, len(molds) + 1)),
        hitch_s=float(rng.uniform(15.0, 90.0)) if rng.random() < 0.25 else 0.0,
        react_s=float(rng.uniform(2.0, 5.0)), marks=str(rng.choice(("each", "each", "each", "all", "none"))),
        learned=learned,
    )  # fmt: skip
    return load, pour(resin, plan)


def _chosen(rng: np.random.Generator, resin: DrawnResin, plan: PourPlan, is_timed: bool) -> tuple[Mold, ...]:
    """Molds in a random order as long as the planner takes them, in one load of four one more than that."""
    label = timed_label(resin, plan, rng) if is_timed else label_of(resin)
    ask = Ask(casts=(), pots=(pot(),), label=label, temp_c=plan.room_c, start_t=T0)
    kick = cup_kick(label, Lot(id="r-07", code="R-07", resin="white", label=label), plan.room_c, label_of(resin))
    names = [shelf()[int(k)] for k in rng.permutation(len(SHELF))]
    taken: list[Mold] = []
    for mold in names:
        if isinstance(best_loading([*taken, mold], ask, kick), Loading):
            taken.append(mold)
    if rng.random() < 0.25 or not taken:
        taken += [mold for mold in names if mold not in taken][:1]
    return tuple(sorted(taken[:5], key=lambda mold: mold.thin_mm))


def timed_label(resin: DrawnResin, plan: PourPlan, rng: np.random.Generator) -> Resin:
    """The label with this lot's own pot life, read off one watched cup."""
    return replace(label_of(resin), pot_life_s=round(resin.pot_life_s / plan.lot * float(np.exp(rng.normal(0, 0.07)))))


def context_of(load: Load) -> Context:
    """The bench of a load."""
    common = label_of(load.resin)
    label = timed_label(load.resin, load.plan, stream(load.seed, "timed")) if load.is_timed else common
    channels = (
        Channel(id="barrel-pressure", source="board", senml="b1-pot", role="pot_pressure", of="barrel", period_s=0.5),
        Channel(id="cup-temp", source="board", senml="b1-cup", role="cup_temperature", of="cup-1", period_s=0.5),
        Channel(id="room-temp", source="board", senml="b1-room", role="room_temperature", of="", period_s=0.5),
    )
    bench = Bench(
        id="north", shop="quiet-harbour", name="North bench", channels=channels, pots=(pot(),),
        cups=(Cup(id="cup-1", name="Cup one", kind="witness", mass_g=25.0),), molds=shelf(), resins=(common,),
        sources=(("board", "crc32"),), lots=(Lot(id="r-07", code="R-07", resin="white", label=label),),
        learned=load.learned,
    )  # fmt: skip
    config, at_hand, resins = context_parts(bench)
    return Context(T0, config, at_hand, resins, bench.learned, bench.utc_offsets, "test", "hash", None)


class Caster:
    """The hands, second by second: mix, pour, lid, fill.  With `obeys` they act on what is said."""

    def __init__(self, load: Load, *, obeys: bool) -> None:
        self.load, self.obeys = load, obeys
        self.left_s, self.doing = load.mix_s, "mix"
        self.poured, self.spilled = 0, 0
        self.stop_t = self.lid_t = self.leave_t = math.inf
        self.hitched = False
        self.up_share = 0.0
        self.is_poured_marked = False
        self.dawdled_s = math.inf

    def hear(self, t_s: float, code: str, say: str) -> None:
        """Take a word; it is acted on react_s later.  Told to finish a mold, the caster leaves none half full."""
        if code == "stop-stirring" and self.obeys and self.doing == "mix":
            self.left_s = min(self.left_s, self.load.react_s)
        elif code == "last-mold":
            self.stop_t = min(self.stop_t, t_s + self.load.react_s)
        elif code in ("lid-now", "pressure-late"):
            self.lid_t = min(self.lid_t, t_s + self.load.react_s)
            if "Finish" not in say:
                self.leave_t = min(self.leave_t, t_s + self.load.react_s)

    def step(self, t_s: float, dt_s: float) -> str:
        """Work for dt_s; returns what was finished in it: "", "mold", "lid"."""
        if self.doing == "fill":
            self.up_share += dt_s / self.load.fill_s
            return ""
        if self.obeys and t_s >= self.lid_t and self.poured > 0:
            begun_s = self.load.pours_s[self.poured] - self.left_s if self.doing == "pour" else 0.0
            if self.doing == "dawdle" or (self.doing == "pour" and begun_s <= 1.0):
                self._lid()
            elif self.doing == "pour" and t_s >= self.leave_t and self.left_s > 5.0:
                self.spilled += 1
                self._lid()
        self.left_s -= dt_s
        if self.left_s > 0.0:
            return ""
        if self.doing == "lid":
            self.doing = "fill"
            return "lid"
        was = self.doing
        self.poured += was == "pour"
        self._next(t_s)
        return "mold" if was == "pour" else ""

    def _next(self, t_s: float) -> None:
        load = self.load
        stops = self.obeys and self.poured > 0 and t_s >= min(self.stop_t, self.lid_t)
        if load.hitch_s and not self.hitched and self.poured >= load.hitch_at and not (self.obeys and t_s > self.lid_t):
            self.hitched, self.doing, self.left_s = True, "dawdle", load.hitch_s
            self.dawdled_s = t_s
        elif self.poured < len(load.molds) and not stops:
            self.doing, self.left_s = "pour", load.pours_s[self.poured]
        else:
            self._lid()

    def _lid(self) -> None:
        self.doing, self.left_s = "lid", self.load.lid_s


WATCHED = ("sensors", "kick", "pot", "fill", "pace")
"""The watchers with a part in the calls; the others say nothing between mix and pressure that a hand acts on."""


class Retold:
    """Tells again what a cup's watcher told of the same cup: no word changes it, and it is what a play costs."""

    def __init__(self, told: Sequence[KickForecast | Kicked]) -> None:
        self.left = list(told)

    def see(self, event: Event) -> Sequence[Finding]:
        due = [finding for finding in self.left if finding.t <= event.t]
        self.left = self.left[len(due) :]
        return due


def plan_of(bench: Bench, told: Sequence[KickForecast | Kicked] | None) -> list[WatcherPlan]:
    """The seats of WATCHED; with `told` the cup's watcher is one that tells this again."""
    plans = [plan for plan in watcher_plan(bench) if plan.name in WATCHED]
    if told is None:
        return plans
    reads = Reads(ticks=True)
    return [
        replace(plan, reads=reads, make=lambda: Retold(told)) if plan.name == "kick" else plan for plan in plans
    ]  # fmt: skip


def play(
    load: Load,
    cup: DrawnPour,
    *,
    obeys: bool,
    until_s: float = 900.0,
    told: Sequence[KickForecast | Kicked] | None = None,
) -> Played:
    """One load from the mix until its pot is at the floor; told: what the cup's watcher told in another play of it."""
    engine, caster = Engine(lambda bench: plan_of(bench, told)), Caster(load, obeys=obeys)
    rng = stream(load.seed, "gauge")
    out = Played(kick_s=cup.kick_s if cup.kick_s is not None else math.inf)
    engine.step(context_of(load))
    dt_s = 0.5
    for k in range(int((LEAD_S + until_s) / dt_s)):
        t_s = k * dt_s - LEAD_S
        effects = []
        if t_s == 0.0:
            molds = tuple(mold.id for mold in load.molds)
            effects += engine.step(Mark(t=T0, verb="mix", cup="cup-1", pot="barrel", lot="r-07", molds=molds))
        if t_s > 0.0:
            done = caster.step(t_s, dt_s)
            if done == "mold" and load.marks == "each":
                effects += engine.step(Mark(t=T0 + t_s, verb="poured", mold=load.molds[caster.poured - 1].id))
            if caster.doing == "lid" and load.marks == "all" and not caster.is_poured_marked:
                caster.is_poured_marked = True
                effects += engine.step(Mark(t=T0 + t_s, verb="poured"))
        psi = min(caster.up_share * FLOOR_PSI, TARGET_PSI) + float(rng.normal(0.0, 0.05))
        felt = float(np.interp(t_s, cup.time_s, cup.value_c))
        line = encode(
            [("pot", psi * PSI * 1e3, None, "Pa"), ("cup", felt, None, "Cel"), ("room", load.plan.room_c, None, "Cel")],
            board="b1-", seq=k + 1, up=LEAD_S + t_s + 1.0,
        )  # fmt: skip
        effects += engine.step(Line(T0 + t_s, "board", line.decode().rstrip("\n")))
        for effect in effects:
            if isinstance(effect, Utterance):
                out.said.append((round(effect.t - T0, 1), effect.code, effect.say))
                caster.hear(t_s, effect.code, effect.say)
            if isinstance(effect, KickForecast | Kicked):
                out.cup.append(effect)
            if isinstance(effect, KickForecast):
                out.foretold.append((effect.t - T0, effect.at - T0))
            out.late_told |= isinstance(effect, PressureLate) and effect.active
        if caster.up_share >= 1.0 and out.up_s == math.inf:
            out.up_s = t_s
        if t_s > out.up_s + 8.0:
            break
    out.poured, out.spilled, out.dawdled_s = caster.poured, caster.spilled, caster.dawdled_s
    return out
