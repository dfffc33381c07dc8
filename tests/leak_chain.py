"""Simulated fills shown to a pot's own watchers (pot, inlet, leak), and what they then said."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

import numpy as np
from leak_runs import T0
from rehearsed import pots as population
from rehearsed.pots import Array, Pots, Recorded

from benchd.core.bench import STANDARD_ATMOSPHERE_KPA, Bench, Channel, Pot
from benchd.core.findings import Event, Finding, HoldForecast, KickForecast, PotHold, PotLeaking
from benchd.core.model import Mark, Reading, Subject
from benchd.core.model.learned import Learned, PotHabits
from benchd.core.seat.watcher import Place
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.shelf.pot_habits import Fill, learn_from
from benchd.watchers import inlet, leak
from benchd.watchers import pot as pot_watch

WHERE = Subject(bench="north", pot="pot")
MODULES: tuple[Any, ...] = (pot_watch, inlet, leak)
F = TypeVar("F", bound=Finding)


class Drawn(Protocol):
    """Pots of any family: their free volumes [L] (n,)."""

    @property
    def free_l(self) -> Array: ...


class Filled(Protocol):
    """One fill of each: target [psi], when it was marked shut and its kick told to come [s], the gauge's step [psi]."""

    @property
    def target_psi(self) -> Array: ...
    @property
    def mark_s(self) -> Array: ...
    @property
    def told_kick_s(self) -> Array: ...
    @property
    def step_psi(self) -> Array: ...


def place(pots: Drawn, fills: Filled, k: int, learned: PotHabits, floor_below_psi: float = 7.0) -> Place:
    """Pot k as its owner configured it: the target is this fill's own."""
    target, free = float(fills.target_psi[k]), float(pots.free_l[k])
    pot = Pot(
        id="pot", name="Pot", volume_l=free * 1.2, free_l=free, marked_kpa=70 * PSI, relief_kpa=60 * PSI,
        target_kpa=target * PSI, floor_kpa=(target - floor_below_psi) * PSI, limit_kpa=58 * PSI,
    )  # fmt: skip
    step_kpa = float(fills.step_psi[k]) * PSI
    gauge = Channel(id="g", source="board", senml="p", role="pot_pressure", of="pot", resolution=step_kpa)
    bench = Bench(id="north", shop="quiet-harbour", name="North", pots=(pot,), channels=(gauge,),
                  learned=Learned(pots={"pot": learned}))  # fmt: skip
    return Place(bench=bench, subject=WHERE, pot=pot)


@dataclass
class Told:
    """Findings in order, times absolute; the shut mark's time."""

    mark_t: float
    findings: list[Finding] = field(default_factory=list)

    def of(self, kind: type[F]) -> list[F]:
        return [f for f in self.findings if isinstance(f, kind)]

    def leak_after_s(self, since_t: float, verdict: str | None = None) -> float:
        """Seconds from since_t to the first leak word (of this verdict); inf when none came."""
        begun = [f.t - since_t for f in self.of(PotLeaking) if f.active and verdict in (None, f.verdict)]
        return min((s for s in begun if s >= 0.0), default=math.inf)

    def hold(self, minute: int) -> PotHold | None:
        """The verdict of this whole minute after the mark."""
        return next((h for h in self.of(PotHold) if round((h.t - self.mark_t) / 60.0) == minute), None)


def told(
    pots: Drawn, fills: Filled, heard: Recorded, k: int, learned: PotHabits | None = None, *,
    use_probe: bool = False, until_s: float = 606.0, floor_below_psi: float = 7.0, gel_s: float | None = None,
) -> Told:  # fmt: skip
    """Pot k's fill through its watchers, until until_s after the shut mark."""
    where = place(pots, fills, k, learned or PotHabits(), floor_below_psi)
    seats = [(m.READS, m.make(m.Settings(), where)) for m in MODULES]
    mark_s, kick_t = float(fills.mark_s[k]), T0 + float(fills.told_kick_s[k])
    out = Told(T0 + mark_s)
    first: list[Event] = [
        KickForecast(
            t=T0, subject=WHERE, at=kick_t, early=kick_t - 10, late=kick_t + 10, confidence="good", basis="curve"
        ),
    ]
    if gel_s is not None:
        first.append(HoldForecast(t=T0, subject=WHERE, at=T0 + gel_s, basis="curve"))
    first.append(Reading(T0, "r", "room_temperature", "", population.ROOM_K - 273.15, None))
    psi, probe_c, is_marked = heard.psi[:, k].tolist(), heard.probe_c[:, k].tolist(), False
    for i, s in enumerate(heard.t_s.tolist()):
        if s > mark_s + until_s:
            break
        if s >= mark_s and not is_marked:
            is_marked = True
            first.append(Mark(t=T0 + mark_s, verb="shut", pot="pot"))
        if use_probe:
            first.append(Reading(T0 + s, "c", "pot_gas_temperature", "pot", probe_c[i], None))
        first.append(Reading(T0 + s, "g", "pot_pressure", "pot", psi[i] * PSI, None))
        for event in first:
            _show(seats, event, out.findings)
        first = []
    return out


def _show(seats: list[tuple[Any, Any]], event: Event, out: list[Finding]) -> None:
    queue = [event]
    while queue:
        now = queue.pop(0)
        for reads, watcher in seats:
            match now:
                case Reading():
                    wants = now.role in reads.roles
                case Mark():
                    wants = now.verb in reads.marks
                case _:
                    wants = isinstance(now, reads.findings)
            if wants:
                found = list(watcher.see(now))
                out += found
                queue += found


def lessons(pots: Pots, seed: int, use_probe: bool, second: bool = False) -> list[PotHabits]:
    """Habits of each pot after five tight fills of its own, watched twelve minutes each."""
    drawn = (population.draw_fills(pots, seed * 10 + i, second=second) for i in range(5))
    rounds = ((fills, population.record(pots, fills, 950.0, seed * 10 + i)) for i, fills in enumerate(drawn))
    return taught(rounds, len(pots), use_probe)


def taught(rounds: Iterable[tuple[Filled, Recorded]], count: int, use_probe: bool = False) -> list[PotHabits]:
    """Habits of each of the pots after these tight fills of all of them."""
    out = [PotHabits()] * count
    for fills, heard in rounds:
        out = [learn_from([_fill(fills, heard, k, use_probe)], out[k]) for k in range(count)]
    return out


def _fill(fills: Filled, heard: Recorded, k: int, use_probe: bool) -> Fill:
    last = min(int(fills.mark_s[k]) + 720, len(heard.t_s))
    probe = heard.probe_c[:last, k].tolist() if use_probe else [None] * last
    samples = zip((T0 + heard.t_s[:last]).tolist(), (heard.psi[:last, k] * PSI).tolist(), probe, strict=True)
    return Fill(
        pot="pot", target_kpa=float(fills.target_psi[k]) * PSI, p_atm_kpa=STANDARD_ATMOSPHERE_KPA,
        samples=tuple(samples), shut_t=T0 + float(fills.mark_s[k]), kick_t=T0 + float(fills.told_kick_s[k]),
        room_c=population.ROOM_K - 273.15,
    )  # fmt: skip


def straight_line(heard: Recorded, fills: Filled, k: int, minute: int) -> float:
    """The trivial baseline: loss [psi/min] of a least-squares line through the last three minutes."""
    end = float(fills.mark_s[k]) + 60.0 * minute
    last = (heard.t_s > end - 180.0) & (heard.t_s <= end) & (heard.t_s >= fills.mark_s[k])
    return float(-60.0 * np.polyfit(heard.t_s[last], heard.psi[last, k], 1)[0])
