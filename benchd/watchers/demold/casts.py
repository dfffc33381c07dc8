"""What is known of each open cast: its pour, its kick, its room, and each mold's temperature when filled.

The sources of a mold's temperature, best first: its own probe, read before the resin came in; the value typed with the
mix (for molds that are warmed, else for all of the pour); the warming temperature on the shelf; the heat left by its
last cast; the room's temperature.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log

from benchd.core.bench import WITNESS_G, Bench, Mold
from benchd.core.findings import Kicked, KickForecast, PourStarted
from benchd.core.learned.cure_belief import lot_speed as learned_lot_speed
from benchd.core.mold_forecast import Z90, CastKnown, Kick, PartTimes
from benchd.core.seat.retell import Retell, RetellRule
from benchd.physics.cup_heat import LABEL_TEMP_C
from benchd.physics.mold_heat import LEAST_EXCESS_K, LastCast, excess_k
from benchd.stored import stored

FRESH_S = 900.0  # a mold's temperature read this long ago is still valid: its cooling takes half an hour [calc]
POURED_BY_S = 45.0  # after the mix the resin is in the molds, unless a mark says so earlier: common practice
ROOM_STEP_K = 1.0  # the room must change this much before its casts are forecast again
WARMED_SD, CARRIED_SD = 0.04, 0.08  # ln sd of times: 1 K for a warmed mold, 2 K for one left warm [calc, E 50 kJ/mol]


@stored("part")
@dataclass(slots=True)
class CastPart:
    """One mold of one pour: what was last published, what was called and when; its own probe's last dry reading [C]."""

    mold: Mold
    told: Retell
    stage: str | None = None
    stage_t: float = 0.0
    is_out: bool = False
    is_empty: bool = True
    probe_c: float | None = None
    known: CastKnown | None = None
    times: PartTimes | None = None


@stored("cast-memory-cast")
@dataclass(slots=True)
class Cast:
    """One pour: its kick, once found or forecast from its curve; the room when it was mixed [C]; its parts."""

    started: PourStarted
    room_c: float
    kick: KickForecast | Kicked | None = None
    parts: dict[str, CastPart] = field(default_factory=dict)

    def take_molds(self, bench: Bench, rule: RetellRule) -> None:
        """Take the parts of the molds that the pour names now, keeping those known already."""
        named = [name.lower() for name in self.started.molds]
        for name in named:
            mold = bench.mold(name)
            if mold is not None and mold.id not in self.parts:
                self.parts[mold.id] = CastPart(mold, Retell(rule))
        self.parts = {id: part for id, part in self.parts.items() if id in named}

    def take_kick(self, found: KickForecast | Kicked) -> None:
        """Take a kick: a found one replaces a forecast; a forecast counts once it is based on the curve."""
        if isinstance(found, Kicked) or (found.basis == "curve" and not isinstance(self.kick, Kicked)):
            self.kick = found

    def take_room(self, room_c: float | None) -> None:
        """Take the room's temperature [C] if it has changed by more than ROOM_STEP_K."""
        if room_c is not None and abs(room_c - self.room_c) > ROOM_STEP_K:
            self.room_c = room_c

    def kick_known(self, bench: Bench) -> Kick | None:
        """The kick in the form that the forecast needs."""
        found = self.kick
        if found is None or found.at - self.started.mix_t < 1.0:
            return None
        mix_t, cup = self.started.mix_t, bench.cup(self.started.subject.cup)
        sd = log(max(found.late - mix_t, 1.0) / max(found.early - mix_t, 1.0)) / (2.0 * Z90)
        kind, mass_g = (cup.kind, cup.mass_g) if cup is not None else ("witness", WITNESS_G)
        return Kick(at_s=found.at - mix_t, sd=max(sd, 0.0), cup_kind=kind, cup_mass_g=mass_g)


@stored("mold-memory")
@dataclass(slots=True)
class MoldMemory:
    """Newest probe reading of each mold (t, C), and its last cast; only of molds on the shelf, so it stays small."""

    probes: dict[str, tuple[float, float]] = field(default_factory=dict)
    last: dict[str, LastCast] = field(default_factory=dict)

    def see_probe(self, mold: str, t: float, temp_c: float) -> None:
        """Keep a probe's reading [C] at t [unix s]."""
        self.probes[mold] = (t, temp_c)

    def probe_c(self, mold: str, t: float) -> float | None:
        """The mold's probe reading at t [C]; None if it has none or was silent for long."""
        seen = self.probes.get(mold)
        return seen[1] if seen is not None and 0.0 <= t - seen[0] <= FRESH_S else None

    def start_c(self, cast: Cast, part: CastPart) -> tuple[float, float]:
        """(temperature [C], ln uncertainty of times) of a part's mold when the resin came in."""
        mold, started = part.mold, cast.started
        if part.probe_c is not None:
            return part.probe_c, 0.0
        some_are_warmed = any(p.mold.warm_c is not None for p in cast.parts.values())
        if started.mold_c is not None and (mold.warm_c is not None or not some_are_warmed):
            return started.mold_c, WARMED_SD
        if mold.warm_c is not None:
            return max(mold.warm_c, cast.room_c), WARMED_SD
        last = self.last.get(mold.id)
        excess = excess_k(last, started.mix_t) if last is not None and last.out_t <= started.mix_t else 0.0
        return (cast.room_c + excess, CARRIED_SD) if excess >= LEAST_EXCESS_K else (cast.room_c, 0.0)

    def remember(self, cast: Cast, part: CastPart, rise_k: float, kick_s: float, out_t: float) -> None:
        """Record the heat that a pulled part leaves in its mold.  kick_s: when it kicked [s after the mix]."""
        before_k = self.start_c(cast, part)[0] - cast.room_c
        mold = part.mold
        self.last[mold.id] = LastCast(
            fill_ml=mold.cavity_ml + mold.gate_ml + mold.reservoir_ml, wall_mm=mold.wall_mm, rise_k=rise_k,
            before_k=before_k, kick_t=cast.started.mix_t + kick_s, out_t=out_t,
        )  # fmt: skip


def cast_known(bench: Bench, cast: Cast, part: CastPart, memory: MoldMemory) -> CastKnown | None:
    """Everything known of one part; None if its resin's label is unknown."""
    label = bench.label_for(cast.started.lot)
    if label is None:
        return None
    started = cast.started
    ratio = 1.0
    if started.a_g and started.b_g and started.a_g > 0.0 and started.b_g > 0.0:
        ratio = started.b_g / started.a_g / label.ratio_weight_b
    mold_c, mold_sd = memory.start_c(cast, part)
    cup = bench.cup(started.subject.cup)
    return CastKnown(
        mold=part.mold, resin=bench.resin(label.id) or label, label=label, room_c=cast.room_c, mix_c=cast.room_c,
        lot_speed=learned_lot_speed(label, started.lot), mold_c=mold_c, mold_sd=mold_sd, ratio=ratio,
        kick=cast.kick_known(bench), cup_kind=cup.kind if cup else "witness",
        cup_mass_g=cup.mass_g if cup else WITNESS_G,
    )  # fmt: skip


def room_or_label_c(room_c: float | None) -> float:
    """The room's temperature, or the label's own where there is no probe."""
    return LABEL_TEMP_C if room_c is None else room_c
