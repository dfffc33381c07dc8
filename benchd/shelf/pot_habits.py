"""Learns each pot's habits from its tight fills: how its gas cools, what its walls and silicone do.

A fill counts when it was shut, watched for five minutes, and proved tight by the judgement it adds to; all others are
left out.  Held for five and a half minutes, 93 in 100 simulated tight fills prove it, 17 of those that leak 0.15
psi/min, 5 of 0.2, under 1 of 0.3: proof that asks loss and doubt together grows no laxer with less time.

What is learned is a PotHabits (core/model/learned.py); the leak watcher reads it when it is seated.

`learn_from` is the lesson; `FillFold` collects the fills from the engine's inputs and outputs, so that a day's
journal can be folded into the next context.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from benchd.core.bench import Bench
from benchd.core.findings import (
    Event,
    Finding,
    GaugeDropped,
    Kicked,
    KickForecast,
    LoadOpened,
    PotFilling,
    PotIsolated,
    PotLettingGo,
    PotLosing,
    PotVented,
    PotVenting,
)
from benchd.core.model import Mark, Reading
from benchd.core.model.learned import PotHabits
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.leak_bank import Kind, Prior
from benchd.physics.leak_learning import learned, prior_of, shapes_of
from benchd.physics.leak_verdict import LeakLimits, judged
from benchd.physics.pot_observer import PotObserver

AFTER_SHUT_S = 10.0  # as the leak watcher's
WATCHED_BINS = 58  # five minutes less the first seconds; a shorter hold knows its shapes less well and teaches less
PROVED_KPA_MIN = 0.2 * PSI  # loss and two sds: from simulated fills, three times a cheap gauge's own drift
MOST_SAMPLES = 3600  # an hour at 1 Hz teaches all there is
TAKEN_S = 0.9
AT_REST_KPA = 3.0 * PSI


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """One fill as recorded: samples (t, kPa gauge, gas C or None) about 1 Hz from the first of the fill on."""

    pot: str
    target_kpa: float
    p_atm_kpa: float
    samples: tuple[tuple[float, float, float | None], ...]
    shut_t: float
    kick_t: float | None = None
    room_c: float = 20.0


def learn_from(fills: Sequence[Fill], known: PotHabits | None = None) -> PotHabits:
    """A pot's habits after these fills of it, oldest first, given what was known.

    Unproved fills change nothing.  Raises ValueError when the fills are of several pots, or a pressure is at or below
    vacuum.
    """
    if len({fill.pot for fill in fills}) > 1:
        raise ValueError("fills of one pot at a time")
    before = known or PotHabits()
    priors: dict[Kind, Prior] = {"bare": prior_of(before.bare, "bare"), "probed": prior_of(before.probed, "probed")}
    for fill in fills:
        observer = watched(fill, priors["bare"], priors["probed"])
        kind: Kind = "probed" if observer.bins and observer.bins[-1].is_probed else "bare"
        if observer.bank is not None and _is_proved(observer, fill):
            priors[kind] = learned(priors[kind], observer.bank)
    bare, probed = (shapes_of(prior) if prior.fills else None for prior in priors.values())
    return replace(before, bare=bare, probed=probed)


def watched(fill: Fill, bare: Prior, probed: Prior) -> PotObserver:
    """The observer of a pot that has seen all of a fill, from these priors on."""
    observer = _observer(fill, bare, probed)
    for _ in watching(fill, observer):
        pass
    return observer


def _observer(fill: Fill, bare: Prior, probed: Prior) -> PotObserver:
    full_pa = (fill.target_kpa + fill.p_atm_kpa) * 1e3
    observer = PotObserver(full_pa, fill.room_c + 273.15, bare, probed)
    observer.kick_t = fill.kick_t
    return observer


def watching(fill: Fill, observer: PotObserver) -> Iterator[float]:
    """Show an observer a fill; the time [unix s] after each five seconds that it judged."""
    for i, (t, kpa, gas_c) in enumerate(fill.samples):
        if i == 0:
            observer.fill(t)
        if t >= fill.shut_t and observer.shut_t is None:
            observer.shut(fill.shut_t)
            observer.window(fill.shut_t + AFTER_SHUT_S)
        if 0 < i < len(fill.samples) - 1:
            kpa = sorted(s[1] for s in fill.samples[i - 1 : i + 2])[1]  # a lone spike must not pass
        if observer.add(t, (kpa + fill.p_atm_kpa) * 1e3, None if gas_c is None else gas_c + 273.15):
            yield t


def tight_after_s(fill: Fill, known: PotHabits, limits: LeakLimits) -> float | None:
    """How long after the inlet was shut a fill's pressure proved it tight [s]; None if it never did."""
    observer = _observer(fill, prior_of(known.bare, "bare"), prior_of(known.probed, "probed"))
    for t in watching(fill, observer):
        found = observer.estimate()
        if found is not None and judged(found, fill.target_kpa + fill.p_atm_kpa, limits).word == "tight-to":
            return t - fill.shut_t
    return None


def _is_proved(observer: PotObserver, fill: Fill) -> bool:
    found = observer.estimate()
    if found is None or found.bins < WATCHED_BINS or observer.is_unseen:
        return False
    return (abs(found.per_min) + 2.0 * found.sd) * (fill.target_kpa + fill.p_atm_kpa) <= PROVED_KPA_MIN


@dataclass(slots=True)
class _Open:
    """A fill being collected."""

    samples: list[tuple[float, float, float | None]] = field(default_factory=list)
    shut_t: float = math.inf
    kick_t: float | None = None
    room_c: float = 20.0


@dataclass(slots=True)
class FillFold:
    """Collects the fills of every pot: pass it readings, marks and findings in order.  Bounded: MOST_SAMPLES a pot."""

    bench: Bench
    open: dict[str, _Open] = field(default_factory=dict)
    done: list[Fill] = field(default_factory=list)
    gas: dict[str, tuple[float, float]] = field(default_factory=dict)
    room_c: float = 20.0

    def see(self, event: Event) -> None:
        """Take the next reading, mark or finding."""
        match event:
            case Reading(value=float(value)) if math.isfinite(value):
                self._reading(event, value)
            case Mark(verb="topup" | "dumped"):
                self._drop(event.pot)
            case Finding():
                self._finding(event)

    def _reading(self, event: Reading, value: float) -> None:
        match event.role:
            case "room_temperature":
                self.room_c = value
            case "pot_gas_temperature":
                self.gas[event.of] = (event.t, value)
            case "pot_pressure" if self.bench.pot(event.of) is not None:
                self._pressure(event.t, event.of, value)

    def _pressure(self, t: float, pot: str, kpa: float) -> None:
        fill = self.open.get(pot)
        if kpa < AT_REST_KPA and (fill is None or not math.isfinite(fill.shut_t)):
            fill = self.open[pot] = _Open(kick_t=fill.kick_t if fill else None, room_c=self.room_c)
        if fill is None or len(fill.samples) >= MOST_SAMPLES or (fill.samples and t - fill.samples[-1][0] < TAKEN_S):
            return
        told_t, gas_c = self.gas.get(pot, (-math.inf, 0.0))
        fill.samples.append((t, kpa, gas_c if t - told_t <= 5.0 else None))

    def _finding(self, finding: Finding) -> None:
        pot = finding.subject.pot
        match finding:
            case PotIsolated(by="mark") if pot in self.open:
                self.open[pot].shut_t = finding.since
            case PotFilling() if pot in self.open and math.isfinite(self.open[pot].shut_t):
                self._drop(pot)
            case Kicked(at=at) | KickForecast(at=at):
                for fill in (f for id, f in self.open.items() if pot in (None, id)):
                    fill.kick_t = at
            case PotVenting() | PotVented() | LoadOpened() | PotLettingGo() | PotLosing() | GaugeDropped():
                self._close(pot or "")

    def _drop(self, pot: str | None) -> None:
        for id in list(self.open):
            if pot in (None, id):
                del self.open[id]

    def _close(self, id: str) -> None:
        fill, pot = self.open.pop(id, None), self.bench.pot(id)
        if fill is not None and pot is not None and math.isfinite(fill.shut_t):
            self.done.append(
                Fill(
                    pot=id,
                    target_kpa=pot.target_kpa,
                    p_atm_kpa=self.bench.p_atm_kpa,
                    samples=tuple(fill.samples),
                    shut_t=fill.shut_t,
                    kick_t=fill.kick_t,
                    room_c=fill.room_c,
                )
            )

    def pots(self, known: Mapping[str, PotHabits] | None = None) -> dict[str, PotHabits]:
        """Each pot's habits after all fills closed so far, on top of what was known; takes them out of the fold."""
        out = dict(known or {})
        for pot in self.bench.pots:
            fills = [f for f in self.done if f.pot == pot.id]
            if fills:
                out[pot.id] = learn_from(fills, out.get(pot.id))
        self.done = []
        return out
