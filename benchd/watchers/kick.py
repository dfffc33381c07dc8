"""When will the cup kick, and has it?

The forecast starts from the label and leans on the cup's own heat as it shows (physics/kick_clock); the kick itself is
found from the curve alone (physics/cup_kick).  This file is the plumbing between those two and the bench: whose pour
it is, what has been said, when it is worth saying again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite, log
from statistics import median
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Cup, Resin
from benchd.core.model import (
    CupOdd,
    CupReacting,
    Event,
    Finding,
    Kicked,
    KickForecast,
    KickOverdue,
    Mark,
    NoCure,
    PourEnded,
    PourRevised,
    PourStarted,
    Reading,
    Subject,
    Tick,
)
from benchd.core.retell import Retell, RetellRule
from benchd.core.watcher import Place, Reads
from benchd.physics.cup_kick import Found, KickFinder
from benchd.physics.kick_clock import Guess, label_guess, rise_guess

SCOPE = "cup"
ORDER = 20
READS = Reads(
    roles=("cup_temperature", "room_temperature"),
    findings=(PourStarted, PourRevised, PourEnded),
    marks=("kicked",),
    ticks=True,
)
EMITS = (CupReacting, KickForecast, Kicked, KickOverdue, NoCure, CupOdd)


class Settings(BaseModel):
    """CP: common practice, no source; model: the building population of the tests; calc: from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    witness_tau_s: float = 1275.0  # model: e^7.15, 25 g in a foam sleeve
    residue_tau_s: float = 403.0  # model: e^6.0, 20 to 28 g spread 4 to 5 mm deep
    mixing_tau_s: float = 1590.0  # calc: 100 g in a cup as deep as wide, 10 W/m2K; grows with the mass's cube root
    label_sd: float = 0.22  # model: ln of kick over label: lot 0.18, label 0.10, the map between them 0.06
    own_label_sd: float = (
        0.12  # model: a lot whose own pot life was typed: pour to pour 0.06, and as much for reading it
    )
    residue_sd: float = 0.27  # model: residue cups scatter by 0.28 in all
    residue_stretch: float = 1.08  # model: what is left in a cup kicks 4 to 8 % later than the label's own
    residue_curve_stretch: float = 1.35  # model: so that windows leaning on a residue cup's curve hold 90 %
    start_sd_k: float = 1.5  # CP: resin kept in the room is within 2 to 3 K of it
    unknown_temp_sd_k: float = 5.0  # CP: a bench without thermometers, 13 to 33 C
    warm_start_k: float = 3.0  # model: an early reading more than this above the room is reaction, not resin
    plausible_start_k: float = 15.0  # CP: resin is not kept further from the room than this
    start_for_s: float = 60.0  # CP: the probe is in by then, and a cup has warmed by a few K at most
    stale_s: float = 15.0  # CP: a curve this old says nothing of now
    refresh_s: float = 15.0  # interface: at least this often while a cup is open
    least_gap_s: float = 2.0  # interface: at most one forecast in this time
    least_move_s: float = 1.0  # interface: tell a move of more than this
    least_move_share: float = 0.02  # interface: or of this share of the time left
    good_sd: float = 0.10  # CP: 10 % either way is 15 s in a three-minute pot life: enough to plan a lid by
    overdue_share: float = 0.2  # CP: past the late edge by a fifth
    no_cure_pot_lives: float = 3.0  # CP: three pot lives without heat
    no_cure_rise_k: float = 5.0  # model: every simulated cup has put out more by half its kick time
    marked_s: float = 5.0  # model: a hand on the switch is 5 s and 2 % off
    marked_share: float = 0.02
    odd_z: float = 2.33  # calc: one pour in fifty by chance, both sides
    before_reacting: float = 0.65  # model: the share of the way to the kick at which a cup is seen to heat itself
    before_probe_s: float = 45.0  # model: the probe goes in 45 +- 17 s after the mix


@dataclass(slots=True)
class _Told:
    """What has been said of the present pour."""

    forecast: Retell
    kicked: bool = False
    overdue: bool = False
    no_cure: bool = False


@dataclass(slots=True)
class KickWatcher:
    tune: Settings
    place: Place
    cup: Cup
    finder: KickFinder
    told: _Told
    pour: PourStarted | None = None
    label: Resin | None = None
    room_c: float | None = None
    first_c: float | None = None
    early_c: list[float] = field(default_factory=list)
    last_t: float | None = None
    told_record: int | None = None
    waiting: Found | None = None

    def see(self, event: Event) -> Sequence[Finding]:
        match event:
            case Reading(value=float() | int() as value) if isfinite(value) and -40.0 < value < 300.0:
                if event.role == "room_temperature":
                    self.room_c = value
                    return ()
                return self._sample(event.t, value) if event.of == self.cup.id else ()
            case PourStarted():
                return self._pour(event)
            case PourEnded() if self.pour is not None and event.subject.pour == self.pour.subject.pour:
                self.pour, self.waiting = None, None
            case Mark(verb="kicked"):
                return self._marked(event)
            case Tick():
                return self._tick(event.t)
        return ()

    # ------------------------------------------------------------------------------------------------------ the pour

    def _pour(self, started: PourStarted) -> list[Finding]:
        is_new = self.pour is None or started.subject.pour != self.pour.subject.pour
        self.pour, self.label = started, self.place.bench.label_for(started.lot)
        if is_new:
            self.told = _Told(_retell(self.tune))
            if not started.inferred:
                self.finder.restart()
                self.early_c, self.first_c = [], None
        if self.waiting is not None:
            found, self.waiting = self.waiting, None
            return self._kick(started.t, found)
        return self._forecast(started.t) if not self.told.kicked else []

    def _subject(self) -> Subject:
        about = self.pour.subject if self.pour else None
        return self.place.subject.filled(pour=about.pour, pot=about.pot) if about else self.place.subject

    def _elapsed_s(self, t: float) -> float:
        return t - self.pour.mix_t if self.pour else 0.0

    def _start_c(self) -> tuple[float, float]:
        """The resin's temperature when mixed [C] and its doubt [K]: the cup's early reading if fit, or the room."""
        tune, room = self.tune, self.room_c
        early = median(self.early_c) if len(self.early_c) >= 5 else None
        if room is None:
            is_fit = early is not None and 5.0 < early < 40.0
            return (early, tune.start_sd_k) if is_fit and early is not None else (23.0, tune.unknown_temp_sd_k)
        is_fit = self.cup.kind == "mixing" and early is not None and abs(early - room) < tune.plausible_start_k
        return (min(early, room + tune.warm_start_k) if is_fit and early is not None else room), tune.start_sd_k

    # ------------------------------------------------------------------------------------------------- the forecast

    def _label(self) -> Guess | None:
        if self.pour is None or self.label is None:
            return None
        tune, (start_c, start_sd_k) = self.tune, self._start_c()
        lot = self.place.bench.lot(self.pour.lot)
        common = self.place.bench.resin(lot.resin) if lot else None
        is_own = common is not None and common.pot_life_s != self.label.pot_life_s
        is_residue = self.cup.kind == "residue"
        sd = tune.own_label_sd if is_own else tune.residue_sd if is_residue else tune.label_sd
        stretch = tune.residue_stretch if is_residue else 1.0
        return label_guess(self.label.pot_life_s, start_c, sd, start_sd_k, stretch)

    def _curve(self, t: float) -> Guess | None:
        if self.pour is None or self.last_t is None or t - self.last_t > self.tune.stale_s:
            return None
        base_c, start_c = self.finder.base_c, self._start_c()[0]
        missed_k = max(0.0, base_c - start_c - self.tune.warm_start_k) if base_c is not None else 0.0
        return rise_guess(self._elapsed_s(t), self.finder.rise_k + missed_k, self.tune.start_sd_k)

    def _forecast(self, t: float) -> list[Finding]:
        if self.pour is None:
            return []
        label, curve = self._label(), self._curve(t)
        guess = label.and_also(curve) if label and curve else curve or label
        if guess is None:
            return []
        if curve is not None and self.cup.kind == "residue":
            guess = Guess(guess.mean, guess.sd * self.tune.residue_curve_stretch)
        early, at, late = (self.pour.mix_t + s for s in guess.window_s(self._elapsed_s(t)))
        if not self.told.forecast.is_due(t, at, early, may_move=not self.told.overdue):
            return []
        confidence: Literal["good", "low"] = "good" if guess.sd <= self.tune.good_sd else "low"
        return [
            KickForecast(
                t=t, subject=self._subject(), at=at, early=early, late=late, confidence=confidence,
                basis="curve" if curve else "label",
            )
        ]  # fmt: skip

    # ----------------------------------------------------------------------------------------------------- the curve

    def _sample(self, t: float, value: float) -> list[Finding]:
        self.last_t = t
        self.first_c = value if self.first_c is None else self.first_c
        second = self.finder.see(t, value, self.first_c if self.room_c is None else self.room_c)
        if second is None:
            return []
        if self.pour is not None and self._elapsed_s(t) <= self.tune.start_for_s and len(self.early_c) < 64:
            self.early_c.append(second.temp_c)
        return [*self._reacting(t), *self._found(t)]

    def _reacting(self, t: float) -> list[Finding]:
        """Heat without a pour that could explain it: none open, or only one that kicked in an earlier record."""
        is_free = self.pour is None or self.told.kicked
        if not (self.finder.is_reacting and is_free) or self.told_record == self.finder.record:
            return []
        self.told_record = self.finder.record
        label = self.place.bench.label_for(None)
        start_c = self.room_c if self.room_c is not None else 23.0
        onset_t = self.finder.onset_t if self.finder.onset_t is not None else t
        mix_t = onset_t - self.tune.before_probe_s
        if label is not None:
            to_kick_s = label_guess(label.pot_life_s, start_c, 1.0, 0.0).time_s()
            mix_t = min(onset_t, t - self.tune.before_reacting * to_kick_s)
        return [CupReacting(t=t, subject=self.place.subject, mix_t=mix_t)]

    def _found(self, t: float) -> list[Finding]:
        found = self.finder.found
        if found is None or self.told.kicked or self.waiting is not None:
            return []
        if self.pour is None:
            self.waiting = found if self.told_record == self.finder.record else None
            return []
        return self._kick(t, found)

    def _kick(self, t: float, found: Found) -> list[Finding]:
        self._done()
        kick = Kicked(
            t=t, subject=self._subject(), at=found.at, early=found.at - found.doubt_s,
            late=max(found.gel_by, found.at) + found.doubt_s, temp_c=found.temp_c, basis="curve",
        )  # fmt: skip
        return [kick, *self._odd_time(t, found)]

    def _done(self) -> None:
        self.told.kicked, self.told_record = True, self.finder.record

    def _odd_time(self, t: float, found: Found) -> list[Finding]:
        label, took_s = self._label(), self._elapsed_s(found.at)
        if label is None or self.pour is None or self.pour.inferred or took_s <= 0.0:
            return []
        z = (log(took_s) - label.mean) / label.sd
        if abs(z) < self.tune.odd_z:
            return []
        what: Literal["slow", "fast"] = "slow" if z > 0.0 else "fast"
        return [CupOdd(t=t, subject=self._subject(), what=what, expected=label.time_s(), got=took_s)]

    def _marked(self, mark: Mark) -> list[Finding]:
        if self.pour is None or mark.cup not in (None, self.cup.id):
            return []
        if mark.pour not in (None, self.pour.subject.pour):
            return []
        self._done()
        doubt_s = self.tune.marked_s + self.tune.marked_share * max(0.0, self._elapsed_s(mark.t))
        return [
            Kicked(
                t=mark.t, subject=self._subject(), at=mark.t, early=mark.t - doubt_s, late=mark.t + doubt_s,
                temp_c=self.finder.smooth_c, basis="marked",
            )
        ]  # fmt: skip

    # ------------------------------------------------------------------------------------------------------ the clock

    def _tick(self, t: float) -> list[Finding]:
        if self.pour is None or self.told.kicked or self.told.no_cure:
            return []
        is_blind = self.last_t is None or t - self.last_t > self.tune.stale_s
        return [*self._forecast(t), *([] if is_blind else self._overdue(t))]

    def _overdue(self, t: float) -> list[Finding]:
        """Said only by a probe that would have seen the kick."""
        label, elapsed_s = self._label(), self._elapsed_s(t)
        if label is None or self.pour is None:
            return []
        late_s = label.time_s(0.95)
        if not self.told.overdue and elapsed_s > (1.0 + self.tune.overdue_share) * late_s:
            self.told.overdue = True
            return [KickOverdue(t=t, subject=self._subject(), expected_by=self.pour.mix_t + late_s)]
        is_dead = self.finder.rise_k < self.tune.no_cure_rise_k
        if is_dead and elapsed_s > self.tune.no_cure_pot_lives * label.time_s():
            self.told.no_cure = True
            return [NoCure(t=t, subject=self._subject())]
        return []


def _retell(tune: Settings) -> Retell:
    rule = RetellRule(
        least_gap_s=tune.least_gap_s, least_move_s=tune.least_move_s, least_move_share=tune.least_move_share,
        refresh_s=tune.refresh_s, lines_s=(60.0, 30.0),
    )  # fmt: skip
    return Retell(rule)


def make(settings: Settings, place: Place) -> KickWatcher:
    """The watcher of one cup."""
    if place.cup is None:
        raise ValueError("the kick watcher stands at a cup")
    cup = place.cup
    mixing_tau_s = settings.mixing_tau_s * (max(cup.mass_g, 1.0) / 100.0) ** (1.0 / 3.0)
    taus_s = {"witness": settings.witness_tau_s, "residue": settings.residue_tau_s, "mixing": mixing_tau_s}
    finder = KickFinder(taus_s[cup.kind], cup.probe_lag_s)
    return KickWatcher(settings, place, cup, finder, _Told(_retell(settings)))
