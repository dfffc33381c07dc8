"""Watches a cup for its kick: forecasts it, and finds it in the cup's curve.

A pour starts with what its label, or this bench's own past pours, say of the resin (core/learned/cure_belief); the
cup's curve sharpens that as it comes (physics/cup_cure).  What is expected, and when that is worth publishing again, is
in ahead.py; this file finds what has come: heat without a pour, the kick, one that is odd, marked or overdue.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from benchd.core.findings import (
    CupFoundHot,
    CupOdd,
    CupProbeSlow,
    CupReacting,
    CupSteepest,
    Event,
    Finding,
    Kicked,
    KickForecast,
    KickOverdue,
    LabelDoubtful,
    NoCure,
    PourEnded,
    PourRevised,
    PourStarted,
)
from benchd.core.learned.cure_belief import NO_LABEL_POT_LIFE_S
from benchd.core.model import Mark, Reading, Tick
from benchd.core.seat.watcher import Place, Reads
from benchd.physics.cup_cure import KickFound
from benchd.physics.cup_heat import label_time_factor
from benchd.physics.cup_kick import KickFinder
from benchd.physics.cure_prior import cup_tau
from benchd.physics.curve_bins import CurveBins
from benchd.physics.past_kick import CURED_RISE_K
from benchd.physics.probe_record import Second
from benchd.stored import stored
from benchd.watchers.kick.ahead import PourAhead, nothing_told
from benchd.watchers.kick.doubts import odd_pace, wrong_label
from benchd.watchers.kick.inferred import has_climbed
from benchd.watchers.kick.pour_start import PourStart
from benchd.watchers.kick.probe import ProbeLook
from benchd.watchers.kick.tune import Settings

SCOPE = "cup"
ORDER = 20
READS = Reads(
    roles=("cup_temperature", "room_temperature"),
    findings=(PourStarted, PourRevised, PourEnded),
    marks=("kicked", "poured"),
    ticks=True,
)
EMITS = (
    CupReacting, KickForecast, Kicked, CupSteepest, KickOverdue, NoCure, CupOdd, LabelDoubtful, CupProbeSlow,
    CupFoundHot,
)  # fmt: skip


@stored("kick-watcher")
@dataclass(slots=True)
class KickWatcher(PourAhead):
    """One cup's kick: seen by its curve, marked by the caster, or overdue."""

    def see(self, event: Event) -> Sequence[Finding]:
        match event:
            case Reading(value=float() | int() as value) if isfinite(value) and -40.0 < value < 300.0:
                if event.role == "room_temperature":
                    self.start.measured_room_c = value
                    return ()
                return self._sample(event.t, value, event.t_doubt_s) if event.of == self.cup.id else ()
            case PourStarted():
                return self._pour(event)
            case PourEnded() if self.pour is not None and event.subject.pour == self.pour.subject.pour:
                self.pour, self.cure, self.prior, self.belief = None, None, None, None
            case Mark(verb="kicked"):
                return self._marked(event)
            case Mark(verb="poured") if self._is_mine(event):
                self._drained(event.t)
            case Tick():
                return self._tick(event.t)
        return ()

    # ------------------------------------------------------------------------------------------------------ the pour

    def _pour(self, started: PourStarted) -> list[Finding]:
        is_new = self.pour is None or started.subject.pour != self.pour.subject.pour
        self.pour, self.label = started, self.place.bench.label_for(started.lot)
        if is_new:
            self.told, self.drained_s, self.has_warmed = nothing_told(self.tune), None, started.inferred
            if not started.inferred:
                self.finder.restart()
                self.start.restart()
                self.past.restart()
                self.shape.restart()
                self.last_t = None
        if self.told.kicked:
            return []
        known = self._expectation()
        if is_new and not started.inferred:
            self.bins = CurveBins.for_pot_life(known.pot_life_s)
        self._believe(known)
        if is_new and started.inferred:
            self.climb.restart(started.t, self.finder.smooth_c or 0.0)
            self._fit(started.t)
            if (found := self._found(started.t)) is not None:
                return self._kick(started.t, found)
        return self._forecast(started.t)

    # ----------------------------------------------------------------------------------------------------- the curve

    def _sample(self, t: float, value: float, doubt_s: float) -> list[Finding]:
        self.last_t = t
        self.start.see(value)
        self.probe.see(t)
        seconds = self.finder.see(t, value, self.start.room_c, doubt_s)
        if not seconds:
            return []
        is_moved = self._take(seconds, doubt_s)
        if (dropped := self._dropped(t, is_moved)) is not None:
            return [dropped]
        told = [*self._reacting(t), *self._steepest(t), *self._found_hot(t)]
        if not self._is_fit_due(t):
            return told
        self._fit(t)
        found = self._found(t)
        return [*told, *(self._kick(t, found) if found else self._doubted(t))]

    def _take(self, seconds: Sequence[Second], doubt_s: float) -> bool:
        """Give the seconds to the curve and its judges; True if the probe was moved."""
        is_new = self.finder.record != self.record
        is_moved, self.moves, self.record = self.finder.moves != self.moves, self.finder.moves, self.finder.record
        if self.pour is None and is_new:
            self.bins = CurveBins.for_pot_life(self._expectation().pot_life_s)
        if is_new and (self.pour is None or self.told.kicked):
            self.past.restart()
        if is_moved or (is_new and (self.pour is None or self.told.kicked)):
            self.shape.restart()
        settled = seconds[-1:] if is_new else seconds  # a probe just put in: its first seconds say little of the cup
        for second in settled:
            noise_k, begins = self.finder.noise_k, is_moved and second is settled[0]
            self.past.see(second.t, second.temp_c, noise_k, begins, doubt_s)
            self.shape.see(second.t, second.temp_c)
            self.bins.add(second.t, second.temp_c, noise_k)
            if self.pour is not None:
                self.start.see_early(self._elapsed_s(second.t), second.temp_c)
            self.climb.see(second.t, second.temp_c, noise_k)
        self.has_warmed = self.has_warmed or self._shows_heat(seconds[-1].t)
        return is_moved

    def _steepest(self, t: float) -> list[Finding]:
        """Where an open pour's cup heated fastest, once: a steady resin gels later, a snap one there."""
        seen = self.finder.found
        if seen is None or self.pour is None or self.told.steepest or seen.at < self.pour.mix_t:
            return []
        self.told.steepest = True
        return [
            CupSteepest(
                t=t, subject=self._subject(), at=seen.at, early=seen.at - seen.doubt_s, late=seen.at + seen.doubt_s,
                temp_c=seen.temp_c, rate_k_per_min=60.0 * seen.rate_k_s,
            )
        ]  # fmt: skip

    def _reacting(self, t: float) -> list[Finding]:
        """Heat without a pour that could explain it: none open, or only one that kicked in an earlier record."""
        is_free = self.pour is None or self.told.kicked
        if not (is_free and (self.finder.is_reacting or self._is_hidden)) or self.told_record == self.finder.record:
            return []
        if not has_climbed(self.finder) or not (self.shape.may_be_pour or self._is_hidden):
            return []
        self.told_record = self.finder.record
        label = self.place.bench.label_for(None)
        onset_t = self.finder.onset_t if self.finder.onset_t is not None else t
        mix_t = onset_t - self.tune.before_probe_s
        if label is not None:
            to_kick_s = label.pot_life_s * label_time_factor(self.start.room_c)
            mix_t = min(onset_t, t - self.tune.before_reacting * to_kick_s)
        return [CupReacting(t=t, subject=self.place.subject, mix_t=mix_t)]

    def _found(self, t: float) -> KickFound | None:
        if self.cure is None or self.pour is None or self.told.kicked:
            return None
        if self.pour.inferred and not has_climbed(self.finder):
            return None
        by_resin = self.cure.found(self._elapsed_s(t), self.finder, self.pour.mix_t)
        found = by_resin or self._found_past(t)
        return found if found is not None and self._is_self_heated() else None

    def _found_past(self, t: float) -> KickFound | None:
        """The kick of a cup that is past it, whatever the fit makes of its resin.

        A fit that judges and is all but sure of a later gel is given a tenth of the time more, else the finder's own
        bound half of that; of what still disagrees then, and of this finder's date, each is believed half.
        """
        past = self.past.found
        if past is None or self.pour is None or past.steepest < self.pour.mix_t or self.cure is None:
            return None
        steepest_s, at_s, bound_s = (x - self.pour.mix_t for x in (past.steepest, past.at, past.bound))
        now_s, later_s, is_sure, wait = self._elapsed_s(t), at_s, False, self.tune.wait_share
        if self.cure.is_judge and self.belief is not None:
            later_s, is_sure = self.belief.time_s(0.5), self.belief.share_by(now_s) < self.tune.surely_later
        elif self.finder.found is not None:
            later_s = self.finder.found.gel_by - self.pour.mix_t
            is_sure, wait = now_s < later_s, 0.5 * wait
        if is_sure and now_s < (1.0 + wait) * bound_s:
            return None
        at_s = 0.5 * (at_s + min(max(later_s, at_s), now_s))
        return KickFound(at_s, steepest_s, max(now_s, bound_s + 0.5 * (bound_s - at_s)), steepest_s, False)

    def _kick(self, t: float, found: KickFound) -> list[Finding]:
        mix_t = self.pour.mix_t if self.pour else t
        self._done()
        at = mix_t + found.at_s
        early_s, late_s = self.cure.edges_s(found) if self.cure else (found.early_s, found.late_s)
        early, late = self.probe.widened(mix_t + early_s, mix_t + late_s)
        kick = Kicked(
            t=t, subject=self._subject(), at=at, early=early, late=late, temp_c=self.finder.reading_c, basis="curve"
        )
        return [kick, *self._odd_time(t, found.at_s)]

    def _done(self) -> None:
        self.told.kicked, self.told_record = True, self.finder.record

    def _odd_time(self, t: float, took_s: float) -> list[Finding]:
        if self.label is None or self.prior is None or self.pour is None or self.pour.inferred:
            return []
        what = odd_pace(took_s, self.prior, self.tune.odd_z)
        if what is None:
            return []
        return [CupOdd(t=t, subject=self._subject(), what=what, expected=self.prior.time_s(0.5), got=took_s)]

    def _doubted(self, t: float) -> list[Finding]:
        """The label is doubtful: the curve needs a resin too unlike the label's for the lot to be right."""
        if self.told.doubted or self.label is None or self.belief is None or self.cure is None:
            return []
        most_sd = self.tune.residue_doubt_sd if self.cup.kind == "residue" else self.tune.doubt_sd
        tune, misfit = self.tune, self.cure.rule.most_misfit
        is_learned = self.cure.is_learned
        z, misfit = (tune.learned_doubt_z, tune.learned_doubt_misfit) if is_learned else (tune.doubt_z, misfit)
        what = wrong_label(self.cure, self.belief, most_sd, z, misfit)
        if what is None:
            return []
        self.told.doubted = True
        expected_s = self.prior.time_s(0.5) if self.prior else self.label.pot_life_s
        likely_s = self.belief.time_s(0.5)
        return [LabelDoubtful(t=t, subject=self._subject(), what=what, expected=expected_s, likely=likely_s)]

    # ------------------------------------------------------------------------------------------------------ the marks

    def _marked(self, mark: Mark) -> list[Finding]:
        if not self._is_mine(mark):
            return []
        elapsed_s = max(0.0, self._elapsed_s(mark.t))
        self._learn(elapsed_s)
        self._done()
        doubt_s = self.tune.marked_s + self.tune.marked_share * elapsed_s
        return [
            Kicked(
                t=mark.t, subject=self._subject(), at=mark.t, early=mark.t - doubt_s, late=mark.t + doubt_s,
                temp_c=self.finder.reading_c, basis="marked",
            )
        ]  # fmt: skip

    # ------------------------------------------------------------------------------------------------------ the clock

    def _tick(self, t: float) -> list[Finding]:
        if self.pour is None or self.told.kicked or self.told.no_cure:
            return []
        overdue = [] if self._is_blind(t) else self._overdue(t)
        return [*self._slow_probe(t), *self._forecast(t), *overdue]

    def _overdue(self, t: float) -> list[Finding]:
        """Said only by a probe that would have seen the kick."""
        elapsed_s = self._elapsed_s(t)
        if self.label is None or self.prior is None or self.pour is None:
            return []
        late_s = self.prior.time_s(0.95)
        if not self.told.overdue and elapsed_s > (1.0 + self.tune.overdue_share) * late_s:
            self.told.overdue = True
            return [KickOverdue(t=t, subject=self._subject(), expected_by=self.pour.mix_t + late_s)]
        pot_life_s = self.label.pot_life_s * label_time_factor(self.start.start_c)
        is_dead = self.finder.rise_k < self.tune.no_cure_rise_k and self.past.top_rise_k < CURED_RISE_K
        if is_dead and elapsed_s > self.tune.no_cure_pot_lives * pot_life_s:
            self.told.no_cure = True
            return [NoCure(t=t, subject=self._subject())]
        return []


def make(settings: Settings, place: Place) -> KickWatcher:
    """The watcher of one cup."""
    if place.cup is None:
        raise ValueError("the kick watcher stands at a cup")
    cup = place.cup
    finder = KickFinder(cup_tau(cup.kind, cup.mass_g)[0], cup.probe_lag_s)
    bins = CurveBins.for_pot_life(NO_LABEL_POT_LIFE_S)
    start = PourStart(settings, cup.kind == "mixing")
    return KickWatcher(settings, place, cup, finder, nothing_told(settings), bins, start, ProbeLook(settings.hole_s))
