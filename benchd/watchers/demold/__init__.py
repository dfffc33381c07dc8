"""Watches for the time when each part is due, green or hard, and delays the call while its pot may still be up.

Times and windows come from core/mold_forecast: mold sections solved for the resin, the lot's speed from the kick, the
ratio as weighed, the mold's own starting temperature, and what earlier pulls taught about the mold.  A part to be
pulled hard is called for a test at the likely time, which may be early, and due at the late end of its window.  While
a pot is closed no part's time is earlier than the end of its hold.  Nothing is called while its pot reads above near
zero, while its load has not been seen to vent, or while its gauge is silent: then the call waits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.casting.facts import NEAR_ZERO_KPA
from benchd.core.findings import (
    DemoldForecast,
    DemoldReady,
    Event,
    Finding,
    HoldForecast,
    Kicked,
    KickForecast,
    LoadClosed,
    LoadOpened,
    MoldPoured,
    PartPulled,
    PotVented,
    PourEnded,
    PourRevised,
    PourStarted,
)
from benchd.core.model import Mark, Reading, Table, Tick
from benchd.core.mold_forecast import (
    PartTimes,
    ResinModel,
    Times,
    part_times,
    resin_model,
)
from benchd.core.seat.retell import RetellRule
from benchd.core.seat.watcher import Place, Reads
from benchd.physics.label_cure import MIDDLING
from benchd.stored import stored
from benchd.watchers.demold.casts import POURED_BY_S, Cast, CastPart, MoldMemory, cast_known, room_or_label_c
from benchd.watchers.demold.closed_pots import ClosedPots
from benchd.watchers.demold.lessons import MoldLessons

SCOPE = "bench"
ORDER = 45
READS = Reads(
    roles=("pot_pressure", "room_temperature", "mold_temperature"),
    findings=(
        PourStarted, PourRevised, PourEnded, MoldPoured, KickForecast, Kicked, LoadClosed, LoadOpened, PotVented,
        HoldForecast,
    ),
    marks=("demolded", "undo"),
    ticks=True,
    tables=True, learned=True,
)  # fmt: skip
EMITS = (DemoldForecast, DemoldReady, PartPulled)

MOST_POURS = 16  # open at once on one bench; older ones are forgotten
Stage = Literal["test", "green", "going-hard", "hard"]


@stored("demold-settings")
class Settings(BaseModel):
    """CP: common practice, no source; model: a simulation study; calc: from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    early_factor: float = 0.65  # model: margin of e^-0.44 around a label-only time, while no table is there
    late_factor: float = 1.55  # model: margin of e^0.44, the same
    green_share: float = (
        0.8  # calc: the rule's gel with margin, 1.3 gel times, where hard at 6 mm is 1.65 of them (calc)
    )
    test_gap: float = 0.1  # CP: a late edge nearer than a tenth is worth no test of its own
    least_green_s: float = 60.0  # CP: a minute to get to the mold before "going hard" is said
    least_test_s: float = 30.0  # CP: "ready to test" less than half a minute before "due" is one word too many
    near_zero_kpa: float = NEAR_ZERO_KPA  # CP: 1 psi, still 380 N on a 265 mm lid (calc)
    stale_s: float = 60.0  # CP: a gauge silent this long is blind
    least_lot_factor: float = 0.4  # CP: fresh lots beat the label, but not by more
    most_lot_factor: float = 3.0  # CP: three pot lives without a kick are no cure
    least_move_s: float = 15.0  # CP: what a waiting caster notices
    least_gap_s: float = 10.0  # CP: as a forecast of minutes needs


@stored("demold-watcher")
@dataclass(slots=True)
class DemoldWatcher:
    """The watcher of the bench's parts."""

    tune: Settings
    place: Place
    casts: dict[str, Cast] = field(default_factory=dict)
    pots: ClosedPots = field(default_factory=ClosedPots)
    room_c: float | None = None
    models: dict[str, ResinModel] = field(default_factory=dict)
    lessons: MoldLessons = field(default_factory=MoldLessons)
    memory: MoldMemory = field(default_factory=MoldMemory)

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading(value=float() | int() as value) if isfinite(value):
                self._reading(event, value)
            case Tick():
                return self._tick(event.t)
            case Mark(verb="demolded", mold=str() as mold):
                return self._out(event, mold.lower())
            case Mark(verb="undo"):
                part = self.lessons.undo(event)
                if part is not None:
                    self.memory.last.pop(part.mold.id, None)
                    self._rethink()
            case Finding():
                self._finding(event)
            case Table():
                self._table(event)
        return ()

    # ------------------------------------------------------------------------------------------------ what is known

    def _reading(self, reading: Reading, value: float) -> None:
        if reading.role == "pot_pressure":
            self.pots.see_gauge(self.place.bench, reading, value)
        elif not -40.0 < value < 150.0:
            return
        elif reading.role == "room_temperature":
            self.room_c = value if value < 60.0 else self.room_c
        elif self.place.bench.mold(reading.of) is not None:
            self._probe(reading.of, reading.t, value)

    def _probe(self, mold: str, t: float, temp_c: float) -> None:
        """Take a reading of a mold's own probe: the last one before the resin is its part's starting temperature."""
        self.memory.see_probe(mold, t, temp_c)
        for cast in self.casts.values():
            part = cast.parts.get(mold)
            if part is not None and part.is_empty and t - cast.started.mix_t <= POURED_BY_S:
                part.probe_c = temp_c

    def _table(self, table: Table) -> None:
        model = resin_model(self.place.bench, table)
        if model is not None:
            self.models[table.resin] = model
            for cast in self.casts.values():
                for part in cast.parts.values():
                    part.known = None

    def _finding(self, event: Finding) -> None:
        pour = event.subject.pour or ""
        self.pots.see(event)
        match event:
            case PourStarted():
                self._pour(event, pour)
            case PourEnded():
                self.casts.pop(pour, None)
            case MoldPoured() if pour in self.casts:
                self._filled(self.casts[pour], event.subject.mold)
            case KickForecast() | Kicked() if pour in self.casts:
                self.casts[pour].take_kick(event)

    def _pour(self, started: PourStarted, pour: str) -> None:
        if not isinstance(started, PourRevised):
            self.lessons.settle()
        cast = self.casts.setdefault(pour, Cast(started, room_or_label_c(self.room_c)))
        cast.started = started
        tune = self.tune
        cast.take_molds(self.place.bench, RetellRule(least_gap_s=tune.least_gap_s, least_move_s=tune.least_move_s))
        for part in cast.parts.values():
            if part.probe_c is None and part.is_empty:
                part.probe_c = self.memory.probe_c(part.mold.id, started.t)
        for oldest in list(self.casts)[: len(self.casts) - MOST_POURS]:
            del self.casts[oldest]

    def _filled(self, cast: Cast, mold: str | None) -> None:
        self.lessons.settle()
        for part in cast.parts.values():
            if mold in (None, part.mold.id):
                part.is_empty = False

    # ------------------------------------------------------------------------------------------------ what pulls teach

    def _out(self, mark: Mark, mold: str) -> list[Finding]:
        """Take a part out: of the pour the mark names, else of the oldest that still holds it."""
        for pour, cast in self.casts.items():
            part = cast.parts.get(mold)
            if part is not None and not part.is_out and mark.pour in (None, pour):
                part.is_out = True
                self._times(cast, part)
                self._remember(cast, part, mark.t)
                told = self.lessons.learn(cast, part, mark, self.place.bench.learned)
                if told is None:
                    return []
                self._rethink()
                return [told]
        return []

    def _rethink(self) -> None:
        """Forecast all parts still in their molds again, since a pull taught something about their resin."""
        for cast in self.casts.values():
            for part in cast.parts.values():
                part.known = part.known if part.is_out else None

    def _remember(self, cast: Cast, part: CastPart, t: float) -> None:
        label = self.place.bench.label_for(cast.started.lot)
        if label is None:
            return
        model = self.models.get(label.id)
        rise_k = model.cure.rise_k if model is not None else MIDDLING.rise_k
        kick = cast.kick_known(self.place.bench)
        self.memory.remember(cast, part, rise_k, kick.at_s if kick is not None else label.pot_life_s, t)

    # ------------------------------------------------------------------------------------------------ the times

    def _tick(self, t: float) -> list[Finding]:
        found: list[Finding] = []
        for pour, cast in self.casts.items():
            cast.take_room(self.room_c)
            is_up = None
            for part in cast.parts.values():
                times = None if part.is_out else self._times(cast, part)
                if times is None:
                    continue
                found += self._forecast(t, cast, part, times)
                if is_up is None:
                    pot, tune = cast.started.subject.pot, self.tune
                    is_up = self.pots.may_hold(self.place.bench, t, pour, pot, tune.near_zero_kpa, tune.stale_s)
                found += [] if is_up else self._ready(t, cast, part, times)
        return found

    def _times(self, cast: Cast, part: CastPart) -> PartTimes | None:
        """The part's windows [s after the mix], computed again when one of their inputs has changed."""
        known = cast_known(self.place.bench, cast, part, self.memory)
        if known is not None and (known != part.known or part.times is None):
            belief = self.lessons.expected(self.place.bench, part.mold, known.resin.id)
            part.times = part_times(known, self.models.get(known.resin.id), belief, self.tune)
        part.known = known
        return part.times if known is not None else None

    def _forecast(self, t: float, cast: Cast, part: CastPart, times: PartTimes) -> list[Finding]:
        mix_t, open_t = cast.started.mix_t, self.pots.held_until(cast.started.subject)
        hard, green = at(mix_t, times.hard, open_t), at(mix_t, times.green, open_t)
        if not part.told.is_due(t, hard[1], hard[0]):
            return []
        subject, mold = cast.started.subject.filled(mold=part.mold.id), part.mold.id
        gel = None if times.gel is None else at(mix_t, times.gel)
        return [
            DemoldForecast(t=t, subject=subject, mold=mold, green_at=green if part.mold.pull == "green" else None,
                           hard_at=hard, gel_at=gel, basis=times.basis, kick_share=times.kick_share, rule=times.rule)
        ]  # fmt: skip

    def _ready(self, t: float, cast: Cast, part: CastPart, times: PartTimes) -> list[Finding]:
        stage = self._stage(t, cast, part, times)
        if stage is None:
            return []
        part.stage, part.stage_t = stage, t
        subject = cast.started.subject.filled(mold=part.mold.id)
        return [DemoldReady(t=t, subject=subject, mold=part.mold.id, stage=stage, limit=times.limit, rule=times.rule)]

    def _stage(self, t: float, cast: Cast, part: CastPart, times: PartTimes) -> Stage | None:
        """The stage newly due.  A green part delayed past its hard time is called hard at once."""
        since_s = t - cast.started.mix_t
        if part.mold.pull == "hard":
            return self._hard_stage(since_s, part.stage, times.hard)
        if part.stage is None:
            return None if since_s < times.green[2] else "green" if since_s < times.hard[2] else "hard"
        if part.stage != "green":
            return None
        return "going-hard" if since_s >= times.hard[1] and t >= part.stage_t + self.tune.least_green_s else None

    def _hard_stage(self, since_s: float, before: str | None, hard: Times) -> Stage | None:
        """To be tested at the likely time, which may be early, and due at the late edge."""
        if before in (None, "test") and since_s >= hard[2]:
            return "hard"
        gap_s = max(self.tune.test_gap * hard[1], since_s + self.tune.least_test_s - hard[1])
        is_worth = hard[2] - hard[1] > gap_s
        return "test" if before is None and is_worth and since_s >= hard[1] else None


def at(mix_t: float, seconds: Times, least_t: float = 0.0) -> Times:
    """Times after the mix as unix seconds, none earlier than least_t."""
    early_s, likely_s, late_s = seconds
    return max(mix_t + early_s, least_t), max(mix_t + likely_s, least_t), max(mix_t + late_s, least_t)


def make(settings: Settings, place: Place) -> DemoldWatcher:
    """The bench's one watcher of parts."""
    return DemoldWatcher(settings, place)
