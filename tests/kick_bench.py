"""One cup for the kick watcher: a bench, a label, records shown to it from a mix at T0 on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypeVar

import numpy as np
import numpy.typing as npt
from cup_population import Seen
from measured_heat import MeasuredHeat, measured_heat
from scipy.integrate import solve_ivp

from benchd.core.bench import Bench, Cup, Lot, Pot, Resin
from benchd.core.findings import Event, Finding, PourStarted
from benchd.core.model import Reading, Subject, Tick
from benchd.core.seat.watcher import Place
from benchd.watchers import kick
from benchd.watchers.kick.tune import Settings

CupKind = Literal["witness", "mixing", "residue"]
F = TypeVar("F", bound=Finding)

T0 = 1_767_607_200.0  # 2026-01-05 10:00:00 UTC
HOME = Subject(bench="north", cup="cup-1")
POUR = Subject(bench="north", cup="cup-1", pot="barrel", pour="cup-1-1767607200")
BARREL = Pot(id="barrel", name="Barrel", volume_l=16.5, free_l=13.0, marked_kpa=413.7, relief_kpa=379.2,
             target_kpa=289.6, floor_kpa=241.3, limit_kpa=372.3)  # fmt: skip


def resin(pot_life_s: float = 180.0) -> Resin:
    return Resin(id="harbour-fast", name="Harbour Fast", pot_life_s=pot_life_s, demold_s=600.0)


def bench(label: Resin | None, *lots: Lot) -> Bench:
    resins = (label,) if label else ()
    return Bench(id="north", shop="quiet-harbour", name="North bench", resins=resins, lots=lots, pots=(BARREL,))


def at_cup(label: Resin | None, kind: CupKind = "witness", *lots: Lot) -> kick.KickWatcher:
    mass_g = {"witness": 25.0, "mixing": 303.0, "residue": 25.0}[kind]
    cup = Cup(id="cup-1", name="Cup one", kind=kind, mass_g=mass_g)
    return kick.make(Settings(), Place(bench(label, *lots), HOME, cup))


def started(mix_t: float = T0, lot: str | None = None, inferred: bool = False, t: float | None = None) -> PourStarted:
    return PourStarted(t=mix_t if t is None else t, subject=POUR, mix_t=mix_t, lot=lot, molds=(), inferred=inferred,
                       number=1)  # fmt: skip


def cup_reads(t: float, value: float | None) -> Reading:
    return Reading(t, "cup-1-temperature", "cup_temperature", "cup-1", value, value)


def room_reads(t: float, value: float) -> Reading:
    return Reading(t, "room-temperature", "room_temperature", "", value, value)


def watched(
    watcher: kick.KickWatcher, record: Seen, room_c: float, extra: Sequence[Event] = (), is_marked: bool = True
) -> list[Finding]:
    """All findings of a watcher shown a record from T0 on: the room, the pour, ticks each second, `extra`."""
    events: list[Event] = [room_reads(T0 - 0.5, room_c), *([started()] if is_marked else []), *extra]
    events += [cup_reads(T0 + s, v) for s, v in zip(record.time_s.tolist(), record.value_c.tolist(), strict=True)]
    events += [Tick(T0 + s) for s in range(1, int(record.time_s[-1]) + 1)]
    found: list[Finding] = []
    for event in sorted(events, key=lambda e: e.t):
        found += watcher.see(event)
    return found


def of(kind: type[F] | tuple[type[F], ...], found: Sequence[Finding]) -> list[F]:
    return [f for f in found if isinstance(f, kind)]


def measured_record(
    name: str, from_h: float, to_h: float, noise_c: float, hz: float = 2.0
) -> tuple[MeasuredHeat, Seen]:
    """A measured rate of heat (a cement's, time scaled so that it peaks at 180 s) through a cup's heat balance.

    120 K adiabatic rise, 1000 s cooling time, 3 s probe; scipy's integrator; noise and 0.25 C steps.
    """
    heat = measured_heat(name, from_h, to_h, peak_at_s=180.0)

    def slopes(t: float, y: npt.NDArray[np.float64]) -> tuple[float, float]:
        rate = 120.0 * float(np.interp(t, heat.time_s, heat.rate_per_s))
        return rate - (y[0] - 22.0) / 1000.0, (y[0] - y[1]) / 3.0

    times = np.arange(0.0, 420.0, 1.0 / hz)
    probe = solve_ivp(slopes, (0.0, 420.0), [22.0, 22.0], t_eval=times, rtol=1e-7, atol=1e-7, max_step=2.0).y[1]
    probe = probe + np.random.default_rng(120).normal(0.0, noise_c, len(times))
    return heat, Seen(times, np.round(probe * 4.0) / 4.0)
