"""When will the cup kick, and has it?

A pour starts with what its label, or this bench's own past pours, say of the resin (core/cure_belief); the cup's curve
sharpens that as it comes (physics/cup_cure).  This file is the plumbing between those and the bench: whose pour it is,
what has been said, when it is worth saying again.  A kick the caster marks teaches the next pour of its lot at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot, isfinite, log
from statistics import quantiles
from typing import Literal

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import Cup, Resin
from benchd.core.cure_belief import NO_LABEL_POT_LIFE_S, Expectation, expectation
from benchd.core.model import (
    CupOdd,
    CupReacting,
    Event,
    Finding,
    Kicked,
    KickForecast,
    KickOverdue,
    LabelDoubtful,
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
from benchd.physics.cup_cure import CupCure, KickFound
from benchd.physics.cup_heat import label_time_factor
from benchd.physics.cup_kick import KickFinder
from benchd.physics.cure_prior import ResinBelief, cup_tau, next_pour
from benchd.physics.curve_bins import CurveBins
from benchd.physics.kick_window import GelBelief

SCOPE = "cup"
ORDER = 20
READS = Reads(
    roles=("cup_temperature", "room_temperature"),
    findings=(PourStarted, PourRevised, PourEnded),
    marks=("kicked",),
    ticks=True,
)
EMITS = (CupReacting, KickForecast, Kicked, KickOverdue, NoCure, CupOdd, LabelDoubtful)


class Settings(BaseModel):
    """CP: common practice, no source; model: building seeds of the rehearsal's population; calc: from stated inputs."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    mix_mark_s: float = 2.0  # CP: a press at first contact
    mix_guess_share: float = 0.2  # model: an inferred mix is off by a fifth of the pot life
    start_sd_k: float = 1.6  # model: resin kept in the room is within 2 to 3 K of it, probes 0.5 K off
    unknown_temp_sd_k: float = 5.0  # CP: a bench without thermometers, 13 to 33 C
    warm_start_k: float = 3.0  # model: an early reading more than this above the room is reaction, not resin
    plausible_start_k: float = 15.0  # CP: resin is not kept further from the room than this
    start_for_s: float = 60.0  # CP: the probe is in by then, and a cup has warmed by a few K at most
    fit_least_s: float = 4.0  # study: a fit every four seconds,
    fit_pot_lives: float = 1.0 / 40.0  # study: or 40 a pot life,
    fit_near_s: float = 2.0  # study: and every two when the kick is near
    near_share: float = 0.02  # model: near is when it may have kicked with this probability
    stale_s: float = 15.0  # CP: a curve this old says nothing of now
    refresh_s: float = 15.0  # interface: at least this often while a cup is open
    least_gap_s: float = 2.0  # interface: at most one forecast in this time
    least_move_s: float = 1.0  # interface: tell a move of more than this
    least_move_share: float = 0.02  # interface: or of this share of the time left
    good_sd: float = 0.10  # CP: 10 % either way is 15 s in a three-minute pot life: enough to plan a lid by
    least_mass_g: float = 15.0  # CP: a smaller cup heats poorly; its forecast stays of low confidence
    overdue_share: float = 0.2  # CP: past the late edge by a fifth
    no_cure_pot_lives: float = 3.0  # CP: three pot lives without heat
    no_cure_rise_k: float = 5.0  # model: every simulated cup has put out more by half its kick time
    marked_s: float = 5.0  # model: a hand on the switch is 5 s and 2 % off
    marked_share: float = 0.02
    odd_z: float = 2.33  # calc: one pour in fifty by chance, both sides
    doubt_score: float = 10.0  # model: full cups with the right label stay below, x2 and x1/2 are above in 3 of 4
    doubt_speed: float = 10.0  # model: what a unit of ln speed adds to the fit's own oddness in that score
    doubt_sd: float = 0.2  # model: no label is doubted while the kick itself is this uncertain
    residue_doubt_sd: float = 0.12  # model: a residue cup's losses look like another resin; 6 in 100 false at 0.2
    before_reacting: float = 0.65  # model: the share of the way to the kick at which a cup is seen to heat itself
    before_probe_s: float = 45.0  # model: the probe goes in 45 +- 17 s after the mix


@dataclass(slots=True)
class _Told:
    """What has been said of the present pour."""

    forecast: Retell
    kicked: bool = False
    overdue: bool = False
    no_cure: bool = False
    doubted: bool = False


@dataclass(slots=True)
class KickWatcher:
    tune: Settings
    place: Place
    cup: Cup
    finder: KickFinder
    told: _Told
    bins: CurveBins
    pour: PourStarted | None = None
    label: Resin | None = None
    cure: CupCure | None = None
    prior: GelBelief | None = None
    belief: GelBelief | None = None
    fitted_t: float = 0.0
    room_c: float | None = None
    first_c: float | None = None
    early_c: list[float] = field(default_factory=list)
    last_t: float | None = None
    record: int = 0
    told_record: int | None = None
    waits: bool = False
    taught: dict[str, ResinBelief] = field(default_factory=dict)

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
                self.pour, self.cure, self.prior, self.belief = None, None, None, None
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
                self.early_c, self.first_c, self.last_t = [], None, None
        if self.told.kicked:
            return []
        known = self._expectation()
        if is_new and not started.inferred:
            self.bins = CurveBins.for_pot_life(known.pot_life_s)
        self._believe(known)
        if is_new and started.inferred:
            self._fit(started.t)
            if (found := self._found(started.t)) is not None:
                return self._kick(started.t, found)
        return self._forecast(started.t)

    def _expectation(self) -> Expectation:
        lot = self.pour.lot if self.pour else None
        known = expectation(self.place.bench, lot, self.label)
        if lot in self.taught and lot is not None:
            return Expectation(next_pour(self.taught[lot]), known.pot_life_s, known.mass_g, True)
        return known

    def _believe(self, known: Expectation) -> None:
        """Begin the pour's fit from what is known before its curve."""
        if self.pour is None:
            return
        tune = self.tune
        doubt_s = tune.mix_guess_share * known.pot_life_s + 10.0 if self.pour.inferred else tune.mix_mark_s
        self.cure = CupCure(
            kind=self.cup.kind, mass_g=self.cup.mass_g, lag_s=self.cup.probe_lag_s, resin=known.resin,
            pot_life_s=known.pot_life_s, doubt_s=doubt_s, start_sd_k=self._start_c()[1], label_mass_g=known.mass_g,
        )  # fmt: skip
        self.prior = self.belief = self.cure.expect(self._room_c(), self._start_c()[0])
        self.fitted_t = self.pour.t

    def _subject(self) -> Subject:
        about = self.pour.subject if self.pour else None
        return self.place.subject.filled(pour=about.pour, pot=about.pot) if about else self.place.subject

    def _elapsed_s(self, t: float) -> float:
        return t - self.pour.mix_t if self.pour else 0.0

    def _room_c(self) -> float:
        """The room, else what the probe read first, else a label's own."""
        if self.room_c is not None:
            return self.room_c
        is_fit = self.first_c is not None and 5.0 < self.first_c < 40.0
        return self.first_c if is_fit and self.first_c is not None else 23.0

    def _start_c(self) -> tuple[float, float]:
        """The resin's temperature when mixed [C] and its doubt [K]: the cup's early reading if fit, or the room."""
        tune, room = self.tune, self._room_c()
        sd_k = tune.start_sd_k if self.room_c is not None else tune.unknown_temp_sd_k
        if self.cup.kind != "mixing" or len(self.early_c) < 5:
            return room, sd_k
        early = quantiles(self.early_c, n=5)[0]  # the coolest fifth: before it has warmed itself
        is_fit = abs(early - room) < tune.plausible_start_k
        return (min(early, room + tune.warm_start_k) if is_fit else room), sd_k

    # ------------------------------------------------------------------------------------------------- the forecast

    def _fit(self, t: float) -> None:
        if self.cure is None or self.pour is None:
            return
        room_c, start_c = self._room_c(), self._start_c()[0]
        self.belief = self.cure.update(self.bins, self.pour.mix_t, self.finder.noise_k, room_c, start_c)
        if not self.cure.is_fitted:
            self.prior = self.belief
        self.fitted_t = t

    def _is_fit_due(self, t: float) -> bool:
        if self.cure is None or self.belief is None or self.told.kicked or self.told.no_cure:
            return False
        tune = self.tune
        is_near = self.finder.found is not None or self.belief.share_by(self._elapsed_s(t)) > tune.near_share
        often_s = max(tune.fit_least_s, tune.fit_pot_lives * self.cure.pot_life_s)
        return t - self.fitted_t >= (tune.fit_near_s if is_near else often_s) - 0.01

    def _is_blind(self, t: float) -> bool:
        return self.last_t is None or t - self.last_t > self.tune.stale_s

    def _forecast(self, t: float) -> list[Finding]:
        if self.pour is None or self.cure is None or self.belief is None:
            return []
        is_curve = self.cure.is_fitted and not self._is_blind(t)
        belief = self.belief if is_curve or self.prior is None else self.prior
        if self.label is None and not is_curve:
            return []
        early, at, late = (self.pour.mix_t + s for s in belief.window_s(self._elapsed_s(t)))
        if not self.told.forecast.is_due(t, at, early, may_move=not self.told.overdue):
            return []
        is_good = belief.sd <= self.tune.good_sd and self.cup.mass_g >= self.tune.least_mass_g
        is_good = is_good and not self.bins.is_out and (self.cure.is_judge or not is_curve)
        return [
            KickForecast(
                t=t, subject=self._subject(), at=at, early=early, late=late, confidence="good" if is_good else "low",
                basis="curve" if is_curve else "label",
            )
        ]  # fmt: skip

    # ----------------------------------------------------------------------------------------------------- the curve

    def _sample(self, t: float, value: float) -> list[Finding]:
        self.last_t = t
        self.first_c = value if self.first_c is None else self.first_c
        second = self.finder.see(t, value, self._room_c())
        if second is None:
            return []
        if self.pour is None and self.finder.record != self.record:
            self.bins = CurveBins.for_pot_life(self._expectation().pot_life_s)
        self.record = self.finder.record
        self.bins.add(second.t, second.temp_c, self.finder.noise_k)
        if self.pour is not None and self._elapsed_s(t) <= self.tune.start_for_s and len(self.early_c) < 64:
            self.early_c.append(second.temp_c)
        if not self._is_fit_due(t):
            return self._reacting(t)
        self._fit(t)
        found = self._found(t)
        return [*self._reacting(t), *(self._kick(t, found) if found else self._doubted(t))]

    def _reacting(self, t: float) -> list[Finding]:
        """Heat without a pour that could explain it: none open, or only one that kicked in an earlier record."""
        is_free = self.pour is None or self.told.kicked
        if not (self.finder.is_reacting and is_free) or self.told_record == self.finder.record:
            return []
        self.told_record = self.finder.record
        label = self.place.bench.label_for(None)
        onset_t = self.finder.onset_t if self.finder.onset_t is not None else t
        mix_t = onset_t - self.tune.before_probe_s
        if label is not None:
            to_kick_s = label.pot_life_s * label_time_factor(self._room_c())
            mix_t = min(onset_t, t - self.tune.before_reacting * to_kick_s)
        return [CupReacting(t=t, subject=self.place.subject, mix_t=mix_t)]

    def _found(self, t: float) -> KickFound | None:
        if self.cure is None or self.pour is None or self.told.kicked:
            return None
        return self.cure.found(self._elapsed_s(t), self.finder, self.pour.mix_t)

    def _kick(self, t: float, found: KickFound) -> list[Finding]:
        mix_t = self.pour.mix_t if self.pour else t
        self._done()
        kick = Kicked(
            t=t, subject=self._subject(), at=mix_t + found.at_s, early=mix_t + found.early_s,
            late=mix_t + found.late_s, temp_c=self.finder.smooth_c, basis="curve",
        )  # fmt: skip
        return [kick, *self._odd_time(t, found.at_s)]

    def _done(self) -> None:
        self.told.kicked, self.told_record = True, self.finder.record

    def _odd_time(self, t: float, took_s: float) -> list[Finding]:
        if self.label is None or self.prior is None or self.pour is None or self.pour.inferred or took_s <= 0.0:
            return []
        expected_s = self.prior.time_s(0.5)
        z = log(took_s / expected_s) / self.prior.sd
        if abs(z) < self.tune.odd_z:
            return []
        what: Literal["slow", "fast"] = "slow" if z > 0.0 else "fast"
        return [CupOdd(t=t, subject=self._subject(), what=what, expected=expected_s, got=took_s)]

    def _doubted(self, t: float) -> list[Finding]:
        """Does the curve need a resin so unlike the label's that the label, or the lot, must be wrong?"""
        last = self.cure.last if self.cure else None
        if last is None or self.told.doubted or self.label is None or self.belief is None or self.cure is None:
            return []
        most_sd = self.tune.residue_doubt_sd if self.cup.kind == "residue" else self.tune.doubt_sd
        if self.belief.sd > most_sd or last.misfit > self.cure.rule.most_misfit:
            return []
        beyond = last.speed - self.cure.believed_speed
        if last.oddness + self.tune.doubt_speed * abs(beyond) < self.tune.doubt_score:
            return []
        self.told.doubted = True
        what: Literal["slow", "fast"] = "fast" if beyond > 0.0 else "slow"
        expected_s = self.prior.time_s(0.5) if self.prior else self.label.pot_life_s
        return [
            LabelDoubtful(
                t=t, subject=self._subject(), what=what, expected=expected_s, likely=self.belief.time_s(0.5)
            )
        ]  # fmt: skip

    def _marked(self, mark: Mark) -> list[Finding]:
        if self.pour is None or mark.cup not in (None, self.cup.id):
            return []
        if mark.pour not in (None, self.pour.subject.pour):
            return []
        elapsed_s = max(0.0, self._elapsed_s(mark.t))
        self._learn(elapsed_s)
        self._done()
        doubt_s = self.tune.marked_s + self.tune.marked_share * elapsed_s
        return [
            Kicked(
                t=mark.t, subject=self._subject(), at=mark.t, early=mark.t - doubt_s, late=mark.t + doubt_s,
                temp_c=self.finder.smooth_c, basis="marked",
            )
        ]  # fmt: skip

    def _learn(self, kick_s: float) -> None:
        """Let a marked kick teach the next pour of the same lot."""
        pour, cure = self.pour, self.cure
        if pour is None or cure is None or pour.lot is None or kick_s <= 0.0:
            return
        sd = hypot(self.tune.marked_share, self.tune.marked_s / kick_s)
        room_c, start_c = self._room_c(), self._start_c()[0]
        taught = cure.taught(self.bins, pour.mix_t, self.finder.noise_k, room_c, start_c, (kick_s, sd))
        if taught is not None:
            self.taught[pour.lot] = taught

    # ------------------------------------------------------------------------------------------------------ the clock

    def _tick(self, t: float) -> list[Finding]:
        if self.pour is None or self.told.kicked or self.told.no_cure:
            return []
        return [*self._forecast(t), *([] if self._is_blind(t) else self._overdue(t))]

    def _overdue(self, t: float) -> list[Finding]:
        """Said only by a probe that would have seen the kick."""
        elapsed_s = self._elapsed_s(t)
        if self.label is None or self.prior is None or self.pour is None:
            return []
        late_s = self.prior.time_s(0.95)
        if not self.told.overdue and elapsed_s > (1.0 + self.tune.overdue_share) * late_s:
            self.told.overdue = True
            return [KickOverdue(t=t, subject=self._subject(), expected_by=self.pour.mix_t + late_s)]
        pot_life_s = self.label.pot_life_s * label_time_factor(self._start_c()[0])
        is_dead = self.finder.rise_k < self.tune.no_cure_rise_k
        if is_dead and elapsed_s > self.tune.no_cure_pot_lives * pot_life_s:
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
    finder = KickFinder(cup_tau(cup.kind, cup.mass_g)[0], cup.probe_lag_s)
    bins = CurveBins.for_pot_life(NO_LABEL_POT_LIFE_S)
    return KickWatcher(settings, place, cup, finder, _Told(_retell(settings)), bins)
