"""A family of signals kept for one look: cups of a casting urethane, on a bench that hums, ticks and drops out.

    PYTHONPATH=tests python -m damage.workshop [--first SEED] [--pours N] [--decoys N] [--each]     reports the figures

Nothing in the watch was set by it.  Seeds below 100 are for the tests of this file; the figures in accuracy/README.md
are those of the seeds it names, each looked at once; seeds from 9600 up have never been run.

The law is nth order with one energy, as fitted to the adiabatic rise of casting urethanes by Broyer, Macosko,
Critchfield and Lawler, "Curing and heat transfer in polyurethane reaction molding", Polym Eng Sci 18 (1978) 382
(abstract seen; order and energy, 40 to 60 kJ/mol, are invented about such fits). It gels at Flory's conversion, sqrt(1
/ (f - 1)), of a mean functionality f of 3 to 4 (Flory, J Am Chem Soc 63 (1941) 3083; Stockmayer, J Chem Phys 11 (1943)
45). The cup is one lump that cools to the room.

Kinds and strengths of the noise, and of what only warms a probe, are invented (common practice, no source): pink noise,
a beat of the mains, bursts that come in clusters as a tool runs, a cold junction that drifts and steps, coarse codes,
holes, a radio that sends lines in lumps; kettles, ovens under a thermostat, a heated plate, tea that is stirred.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from statistics import quantiles

import numpy as np
from damage.lines import Body as Lines
from damage.lines import Moments, Record, Sent, in_order, written
from damage.replay import replayed
from damage.subjects import Subject, bench_of, context_of

from benchd.core.findings import Effect, Kicked, KickOverdue, NoCure
from benchd.core.format.mark_form import mark_from_body
from benchd.core.model import Mark
from benchd.rehearsal.scenario import CupSpec, Scenario

GAS_J_MOL_K = 8.314462618
T0 = 1_767_607_200.0
LEAD_S = 40.0
STEP_S = 0.25
DECOYS = ("kettle", "oven", "plate", "tea", "idle")
LATE_SHARE = 0.15
Array = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


@dataclass(frozen=True)
class Resin:
    """rate = speed * faster(T) * (1 - a)^order; rise_k: of all its heat; gel: the conversion it gels at."""

    speed_per_s: float
    order: float
    energy_j_mol: float
    rise_k: float
    gel: float

    def course(self, start_c: float, room_c: float, cooling_s: float, for_s: float) -> tuple[Array, Array]:
        """Temperature [C] and conversion of a lump each STEP_S."""
        n = int(for_s / STEP_S)
        temp, share = np.empty(n), np.empty(n)
        c, a = start_c, 0.0
        for i in range(n):
            temp[i], share[i] = c, a
            faster = math.exp(self.energy_j_mol / GAS_J_MOL_K * (1.0 / 298.15 - 1.0 / (c + 273.15)))
            da = min(STEP_S * self.speed_per_s * faster * (1.0 - a) ** self.order, 1.0 - a)
            a += da
            c += self.rise_k * da - STEP_S * (c - room_c) / cooling_s
        return temp, share


def gel_s(resin: Resin, start_c: float, room_c: float, cooling_s: float, for_s: float) -> float | None:
    """When a lump gels [s], None if not within for_s."""
    share = resin.course(start_c, room_c, cooling_s, for_s)[1]
    return float((share >= resin.gel).argmax()) * STEP_S if share[-1] >= resin.gel else None


def drawn_resin(rng: np.random.Generator, pot_life_s: float) -> Resin:
    """A resin whose 100 g at 23 C gel at the label's pot life, give or take a tenth."""
    told_s = pot_life_s * float(np.exp(rng.normal(0.0, 0.1)))
    f = float(rng.uniform(3.0, 4.0))
    made = Resin(
        0.5 / told_s, float(rng.uniform(1.0, 2.0)), float(rng.uniform(40e3, 60e3)), float(rng.uniform(95.0, 135.0)),
        math.sqrt(1.0 / (f - 1.0)),
    )  # fmt: skip
    for _ in range(8):
        got_s = gel_s(made, 23.0, 23.0, 1800.0, 4.0 * told_s) or 4.0 * told_s
        made = Resin(made.speed_per_s * got_s / told_s, made.order, made.energy_j_mol, made.rise_k, made.gel)
    return made


# ----------------------------------------------------------------------------------------------- what a probe delivers


def felt(around: Array, lag_s: float) -> Array:
    """Through a probe's lag."""
    out, c = np.empty_like(around), float(around[0])
    for i, due in enumerate(around.tolist()):
        c += (1.0 - math.exp(-STEP_S / lag_s)) * (due - c)
        out[i] = c
    return out


def noise_on(rng: np.random.Generator, times: Array) -> Array:
    """All that is added to a channel [K]: pink noise, a beat, clusters of bursts, a junction's drift and step."""
    n = len(times)
    white = rng.normal(0.0, 1.0, n)
    pink = np.zeros(n)
    for octave in range(6):
        pink += np.repeat(rng.normal(0.0, 1.0, n // 2**octave + 1), 2**octave)[:n]
    out = float(rng.uniform(0.03, 0.2)) * white + float(rng.uniform(0.0, 0.06)) * pink
    out += float(rng.uniform(0.0, 0.5)) * np.sin(2.0 * math.pi * times / float(rng.uniform(2.0, 40.0)))
    for _ in range(int(rng.integers(0, 4))):  # a tool runs for half a minute
        runs_s = float(rng.uniform(0.0, times[-1]))
        for start_s in rng.uniform(runs_s, runs_s + 30.0, int(rng.integers(1, 8))).tolist():
            hit = (times >= start_s) & (times < start_s + float(rng.uniform(0.2, 2.5)))
            out = out + hit * float(rng.choice((-1.0, 1.0))) * float(rng.uniform(5.0, 40.0))
    out += float(rng.normal(0.0, 0.4)) * times / times[-1]
    if rng.random() < 0.4:
        out = out + (times > float(rng.uniform(0.0, times[-1]))) * float(rng.choice((-2.5, -1.5, 1.5, 2.5)))
    return np.asarray(out, dtype=np.float64)


def sent(
    rng: np.random.Generator, around: Array, room_c: float, has_up: bool
) -> tuple[tuple[Sent, ...], list[tuple[float, float]]]:
    """A board's lines of what a probe feels, and the holes in them."""
    end_s, every_s = (len(around) - 1) * STEP_S, 1.0 / float(rng.choice((0.25, 0.5, 1.0, 2.0, 4.0)))
    times = np.cumsum(every_s * rng.uniform(0.9, 1.1, int(end_s / every_s / 1.1)))
    code_k = float(rng.choice((0.0625, 0.1, 0.25, 0.5)))
    values = np.interp(times, np.arange(len(around)) * STEP_S, around) + noise_on(rng, times)
    holes = [
        (a, a + float(min(60.0, 3.0 + rng.exponential(10.0)))) for a in rng.uniform(0.0, end_s, int(rng.integers(0, 4)))
    ]
    lump_s = float(rng.choice((0.0, 0.0, 1.0, 3.0)))
    lines = []
    for count, (at_s, c) in enumerate(zip(times.tolist(), values.tolist(), strict=True)):
        if any(a <= at_s < b for a, b in holes):
            continue
        up: list[Record] = [{"n": "up", "u": "s", "v": round(at_s + 5.0, 3)}] if has_up else []
        coded_c = round(round(c / code_k) * code_k, 4)
        records: list[Record] = [
            {"bn": "b1-", "n": "seq", "v": count}, *up, {"n": "cup", "u": "Cel", "v": coded_c},
            {"n": "room", "u": "Cel", "v": round(room_c, 2)},
        ]  # fmt: skip
        arrives_s = math.ceil(at_s / lump_s) * lump_s if lump_s else at_s
        lines.append(Sent(at_s, max(at_s, arrives_s), written(records)))
    return in_order(lines), holes


# ---------------------------------------------------------------------------------------------------- pours and decoys


@dataclass(frozen=True)
class Case:
    """One recording; gel_s after the mix (None: never); holes [s after the mix]."""

    subject: Subject
    is_marked: bool
    gel_s: float | None
    holes: tuple[tuple[float, float], ...]


def _case(name: str, rng: np.random.Generator, around: Array, room_c: float, cup: CupSpec, pot_life_s: float,
          is_marked: bool, due_s: float | None) -> Case:  # fmt: skip
    has_up = bool(rng.random() < 0.5)
    lines, holes = sent(rng, around, room_c, has_up)
    bench = bench_of(Scenario(name=name, lead_s=LEAD_S, cups=(cup,)), pot_life_s)
    mark = mark_from_body(T0 + LEAD_S, {"verb": "mix", "cup": "cup-1", "pot": "barrel", "lot": "R-07"})
    marks: tuple[Mark, ...] = (mark,) if is_marked else ()
    body = Lines(lines, Moments(LEAD_S, (len(around) - 1) * STEP_S))
    subject = Subject(name, T0, (context_of(bench),), marks, body, is_decoy=due_s is None)
    return Case(subject, is_marked, due_s, tuple((a - LEAD_S, b - LEAD_S) for a, b in holes))


def pour(seed: int) -> Case:
    """A cup mixed at 0 and watched to well past its gel; every third is not marked."""
    rng = np.random.default_rng([seed, 77])
    pot_life_s = float(rng.uniform(150.0, 600.0))
    resin, room_c = drawn_resin(rng, pot_life_s), float(rng.uniform(17.0, 27.0))
    mass_g = float(rng.choice((30.0, 60.0, 120.0)))
    start_c, cooling_s = room_c + float(rng.normal(0.0, 1.0)), 160.0 * math.sqrt(mass_g)
    due_s = gel_s(resin, start_c, room_c, cooling_s, 4.0 * pot_life_s)
    end_s = 1.8 * (due_s or 2.0 * pot_life_s) + 60.0
    temp, _ = resin.course(start_c, room_c, cooling_s, end_s)
    in_s = float(rng.uniform(20.0, 60.0))
    edge = np.arange(len(temp)) * STEP_S < in_s
    around = np.concatenate([np.full(int(LEAD_S / STEP_S), room_c), np.where(edge, room_c, temp)])
    cup = CupSpec(kind="mixing", mass_g=mass_g, lag_s=3.0)
    return _case(
        f"workshop {seed}",
        rng,
        felt(around, float(rng.uniform(1.5, 7.0))),
        room_c,
        cup,
        pot_life_s,
        seed % 3 != 0,
        due_s,
    )


def _kettle(rng: np.random.Generator, t: Array, room_c: float) -> Array:
    return np.minimum(
        room_c + float(rng.uniform(0.15, 0.8)) * np.maximum(t - 60.0, 0.0), float(rng.uniform(70.0, 100.0))
    )


def _oven(rng: np.random.Generator, t: Array, room_c: float) -> Array:
    top, swing, every_s = float(rng.uniform(45.0, 90.0)), float(rng.uniform(1.0, 6.0)), float(rng.uniform(40.0, 200.0))
    warmed = top - (top - room_c) * np.exp(-np.maximum(t - 60.0, 0.0) / float(rng.uniform(60.0, 250.0)))
    return np.asarray(warmed + swing * np.sin(2.0 * math.pi * t / every_s) * (t > 200.0))


def _plate(rng: np.random.Generator, t: Array, room_c: float) -> Array:
    """A plate switched on and off: through two lags, twice."""
    around = np.where((t % 300.0) < float(rng.uniform(60.0, 200.0)), room_c + float(rng.uniform(30.0, 110.0)), room_c)
    return felt(felt(around, float(rng.uniform(20.0, 80.0))), float(rng.uniform(5.0, 40.0)))


def _tea(rng: np.random.Generator, t: Array, room_c: float) -> Array:
    hot = float(rng.uniform(60.0, 95.0)) - room_c
    cooled = room_c + hot * np.exp(-np.maximum(t - 50.0, 0.0) / float(rng.uniform(200.0, 900.0)))
    return np.asarray(np.where(t > 50.0, cooled - 4.0 * ((t % 90.0) < 8.0), room_c))


def _idle(rng: np.random.Generator, t: Array, room_c: float) -> Array:
    return np.asarray(room_c + np.sin(t / float(rng.uniform(60.0, 400.0))))


WARMED: dict[str, Callable[[np.random.Generator, Array, float], Array]] = {
    "kettle": _kettle, "oven": _oven, "plate": _plate, "tea": _tea, "idle": _idle,
}  # fmt: skip


def decoy(seed: int) -> Case:
    """Ten minutes of something that is no resin; every third beside a marked mix."""
    rng, kind = np.random.default_rng([seed, 78]), DECOYS[seed % len(DECOYS)]
    room_c = float(rng.uniform(17.0, 27.0))
    t: Array = np.asarray(np.arange(int(640.0 / STEP_S)) * STEP_S, dtype=np.float64)
    around = felt(np.asarray(WARMED[kind](rng, t, room_c), dtype=np.float64), float(rng.uniform(1.5, 7.0)))
    cup = CupSpec(kind="mixing", mass_g=60.0, lag_s=3.0)
    return _case(
        f"workshop {kind} {seed}", rng, around, room_c, cup, float(rng.uniform(150.0, 400.0)), seed % 3 == 0, None
    )


# ----------------------------------------------------------------------------------------------------------- the score


@dataclass(frozen=True)
class Score:
    """What was told of one pour: error of the date and how late it was told, in shares of the time to gel."""

    name: str
    is_marked: bool
    error: float | None
    late: float | None
    is_held: bool
    is_silent: bool
    is_denied: bool


def scored(case: Case) -> Score:
    """One pour, played once."""
    assert case.gel_s is not None
    effects = replayed(case.subject, case.subject.body.lines)
    kick = next((e for e in effects if isinstance(e, Kicked)), None)
    is_denied = any(isinstance(e, NoCure) for e in effects)
    zero_t = T0 + LEAD_S
    if kick is None:
        return Score(case.subject.name, case.is_marked, None, None, False, not _was_overdue(effects, case), is_denied)
    ends = [b for a, b in case.holes if a <= case.gel_s <= b]
    late = (kick.t - zero_t - max([case.gel_s, *ends])) / case.gel_s
    is_held = kick.early <= zero_t + case.gel_s <= kick.late
    error = (kick.at - zero_t - case.gel_s) / case.gel_s
    return Score(case.subject.name, case.is_marked, error, late, is_held, False, is_denied)


def _was_overdue(effects: list[Effect], case: Case) -> bool:
    assert case.gel_s is not None
    by_t = T0 + LEAD_S + 2.0 * case.gel_s
    return any(isinstance(e, KickOverdue) and e.t <= by_t for e in effects)


def summary(scores: list[Score]) -> str:
    """The figures of some pours in a line."""
    told = [s for s in scores if s.error is not None]
    late = [s for s in told if (s.late or 0.0) > LATE_SHARE]
    cuts = quantiles([100.0 * (s.error or 0.0) for s in told], n=20) if len(told) > 1 else [0.0] * 19
    silent, denied = sum(s.is_silent for s in scores), sum(s.is_denied for s in scores)
    held_pct = 100.0 * sum(s.is_held for s in told) / max(1, len(told))
    return (
        f"{len(scores)} pours: missed {len(scores) - len(told)}, later than 15 % {len(late)}, silent {silent}, called "
        f"no cure {denied}; error p5 / median / p95 {cuts[0]:+.1f} / {cuts[9]:+.1f} / {cuts[18]:+.1f} %; window holds "
        f"{held_pct:.0f} %"
    )


def main(argv: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="damage.workshop", description=__doc__)
    parser.add_argument("--first", type=int, default=9000)
    parser.add_argument("--pours", type=int, default=40)
    parser.add_argument("--decoys", type=int, default=30)
    parser.add_argument("--each", action="store_true")
    args = parser.parse_args(argv)
    cases = [pour(seed) for seed in range(args.first, args.first + args.pours)]
    scores = [scored(case) for case in cases if case.gel_s is not None]
    if args.each:
        print(*scores, sep="\n")
    print("marked:", summary([s for s in scores if s.is_marked]))
    print("unmarked:", summary([s for s in scores if not s.is_marked]))
    made = [decoy(seed) for seed in range(args.first, args.first + args.decoys)]
    false = [
        c.subject.name for c in made if any(isinstance(e, Kicked) for e in replayed(c.subject, c.subject.body.lines))
    ]
    print(f"false kicks: {len(false)} of {len(made)} {false}")


if __name__ == "__main__":
    main(sys.argv[1:])
