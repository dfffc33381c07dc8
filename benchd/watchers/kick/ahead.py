"""Forecasts a cup's open pour, and decides when a forecast is worth publishing again.

The half of the kick watcher that looks ahead, and the state both halves share: whose pour it is, what its label, this
bench's past pours and its curve let expect.  A kick the caster marks teaches the next pour of its lot at once.

A curve that shows no heat yet has nothing to tell: its resin may be slow, or sleep until it reacts at once, or the
probe may not be in it, and a fit through mere noise leaps from one tale to the other.  Until the cup warms, the label
speaks.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import hypot
from typing import Literal

from benchd.core.bench import Cup, Resin
from benchd.core.findings import CupFoundHot, CupProbeSlow, Finding, KickForecast, NoCure, PourStarted
from benchd.core.learned.cure_belief import Expectation, expectation
from benchd.core.model import Mark, Subject
from benchd.core.seat.retell import Retell, RetellRule
from benchd.core.seat.watcher import Place
from benchd.physics.climb_shape import ClimbShape
from benchd.physics.cup_cure import CupCure
from benchd.physics.cup_kick import KickFinder
from benchd.physics.cure_prior import ResinBelief, next_pour
from benchd.physics.curve_bins import CurveBins
from benchd.physics.kick_window import GelBelief, foretold_s
from benchd.physics.label_cure import is_shops
from benchd.physics.past_kick import PastKick
from benchd.stored import stored
from benchd.watchers.kick.inferred import ClimbWatch
from benchd.watchers.kick.pour_start import PourStart
from benchd.watchers.kick.probe import ProbeLook
from benchd.watchers.kick.tune import Settings


@stored("kick-told")
@dataclass(slots=True)
class Said:
    """What has been said of the present pour."""

    forecast: Retell
    kicked: bool = False
    steepest: bool = False
    overdue: bool = False
    no_cure: bool = False
    slow_probe: bool = False
    doubted: bool = False


def nothing_told(tune: Settings) -> Said:
    """As a pour begins."""
    rule = RetellRule(
        least_gap_s=tune.least_gap_s, least_move_s=tune.least_move_s, least_move_share=tune.least_move_share,
        refresh_s=tune.refresh_s, lines_s=(60.0, 30.0),
    )  # fmt: skip
    return Said(Retell(rule))


@dataclass(slots=True)
class PourAhead:
    """One cup's open pour and what is expected of it."""

    tune: Settings
    place: Place
    cup: Cup
    finder: KickFinder
    told: Said
    bins: CurveBins
    start: PourStart
    probe: ProbeLook
    climb: ClimbWatch = field(default_factory=ClimbWatch)
    past: PastKick = field(default_factory=PastKick)
    shape: ClimbShape = field(default_factory=ClimbShape)
    drained_s: float | None = None
    pour: PourStarted | None = None
    label: Resin | None = None
    cure: CupCure | None = None
    prior: GelBelief | None = None
    belief: GelBelief | None = None
    fitted_t: float = 0.0
    last_t: float | None = None
    record: int = 0
    moves: int = 0
    told_record: int | None = None
    waits: bool = False
    has_warmed: bool = False
    taught: dict[str, ResinBelief] = field(default_factory=dict)

    def _expectation(self) -> Expectation:
        lot = self.pour.lot if self.pour else None
        known = expectation(self.place.bench, lot, self.label, self.pour.mix_t if self.pour else None)
        if lot in self.taught and lot is not None:
            return Expectation(next_pour(self.taught[lot]), known.pot_life_s, known.mass_g, True, known.width)
        return known

    def _believe(self, known: Expectation) -> None:
        """Begin the pour's fit from what is known before its curve."""
        if self.pour is None:
            return
        tune = self.tune
        doubt_s = tune.mix_guess_share * known.pot_life_s + 10.0 if self.pour.inferred else tune.mix_mark_s
        self.cure = CupCure(
            kind=self.cup.kind, mass_g=self.cup.mass_g, lag_s=self.cup.probe_lag_s, resin=known.resin,
            pot_life_s=known.pot_life_s, doubt_s=doubt_s, start_sd_k=self.start.sd_k, label_mass_g=known.mass_g,
            is_learned=known.is_learned, width=known.width,
        )  # fmt: skip
        if self.drained_s is not None:
            self.cure.drain(self.drained_s)
        self.prior = self.belief = self.cure.expect(self.start.room_c, self.start.start_c)
        self.fitted_t = self.pour.t

    def _subject(self) -> Subject:
        about = self.pour.subject if self.pour else None
        return self.place.subject.filled(pour=about.pour, pot=about.pot) if about else self.place.subject

    def _elapsed_s(self, t: float) -> float:
        return t - self.pour.mix_t if self.pour else 0.0

    # ------------------------------------------------------------------------------------------------- the forecast

    def _fit(self, t: float) -> None:
        if self.cure is None or self.pour is None:
            return
        room_c, start_c = self.start.room_c, self.start.start_c
        self.belief = self.cure.update(self.bins, self.pour.mix_t, self.finder.noise_k, room_c, start_c)
        if not self.cure.is_fitted:
            self.prior = self.belief
        self.fitted_t = t

    def _shows_heat(self, t: float) -> bool:
        """True if the cup was above as good as flat for a while up to its second t, or is warmer than resin is kept."""
        now_c, onset_t = self.finder.smooth_c, self.finder.onset_t
        if now_c is not None and now_c - self.start.start_c > self.tune.warm_start_k:
            return True
        return onset_t is not None and t - onset_t >= self.tune.heat_for_s

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
        is_curve = self.cure.is_fitted and self.has_warmed and not self._is_blind(t)
        belief = self.belief if is_curve or self.prior is None else self.prior
        if self.label is None and not is_curve:
            return []
        elapsed_s = self._elapsed_s(t)
        window = foretold_s(belief, elapsed_s, self.cure.misfit) if is_curve else belief.window_s(elapsed_s)
        early, at, late = (self.pour.mix_t + s for s in window)
        if not self.told.forecast.is_due(t, at, early, may_move=not self.told.overdue):
            return []
        is_good = belief.sd <= self.tune.good_sd and self.cup.mass_g >= self.tune.least_mass_g
        is_good = is_good and not self.bins.is_out and not self.told.doubted and (self.cure.is_judge or not is_curve)
        return [
            KickForecast(
                t=t, subject=self._subject(), at=at, early=early, late=late, confidence="good" if is_good else "low",
                basis="curve" if is_curve and self.cure.label_share < 0.5 else self._before_the_curve,
            )
        ]  # fmt: skip

    @property
    def _before_the_curve(self) -> Literal["label", "shop"]:
        """Where the forecast comes from before the curve rules it."""
        lot = self.pour.lot if self.pour else None
        is_prior = self.label is not None and is_shops(self.label.cure) and (lot is None or lot not in self.taught)
        return "shop" if is_prior else "label"

    # ------------------------------------------------------------------------------------------- what the probe allows

    @property
    def _is_hidden(self) -> bool:
        """True if a hole hid how the climb began: its shape is its finder's own affair (past_kick, rule 6)."""
        return self.past.found is not None and self.past.found.is_hidden

    def _is_self_heated(self) -> bool:
        """True if the climb that looks like a kick speeds itself up."""
        is_marked = self.pour is not None and not self.pour.inferred
        start_c = self.start.start_c if is_marked else None
        return self._is_hidden or self.shape.is_reaction(is_marked=is_marked, start_c=start_c)

    def _dropped(self, t: float, is_moved: bool) -> NoCure | None:
        """The end of an inferred pour that explains nothing."""
        pour = self.pour
        if pour is None or self.cure is None or not pour.inferred or self.told.kicked or self.told.no_cure:
            return None
        if not is_moved and not self.climb.stands(t, self.cure.pot_life_s):
            return None
        self.told.no_cure = True
        return NoCure(t=t, subject=self._subject(), inferred=True)

    def _found_hot(self, t: float) -> list[Finding]:
        """A cup nobody mixed in, hot for a while and not seen to climb: logged, and no more."""
        now_c = self.finder.reading_c
        is_free = self.pour is None and not self.finder.is_reacting
        is_hot = is_free and now_c is not None and now_c - self.start.room_c > self.tune.hot_k
        if now_c is None or not self.probe.is_found_hot(t, is_hot, self.tune.hot_for_s):
            return []
        return [CupFoundHot(t=t, subject=self.place.subject, temp_c=now_c)]

    def _slow_probe(self, t: float) -> list[Finding]:
        """A marked mix whose probe reads too seldom, once."""
        every_s = self.probe.every_s
        if self.told.slow_probe or every_s is None or every_s <= self.tune.slow_probe_s or self.pour is None:
            return []
        self.told.slow_probe = True
        return [] if self.pour.inferred else [CupProbeSlow(t=t, subject=self._subject(), every_s=every_s)]

    # -------------------------------------------------------------------------------------------------------- the marks

    def _is_mine(self, mark: Mark) -> bool:
        """True if the mark is about this cup's open pour."""
        if self.pour is None or mark.cup not in (None, self.cup.id):
            return False
        return mark.pour in (None, self.pour.subject.pour)

    def _drained(self, t: float) -> None:
        """A mold was filled: the resin left in the cup is a thin pool from here on."""
        self.drained_s = self._elapsed_s(t)
        if self.cure is not None and self.drained_s > 0.0:
            self.cure.drain(self.drained_s)

    def _learn(self, kick_s: float) -> None:
        """Let a marked kick teach the next pour of the same lot."""
        pour, cure = self.pour, self.cure
        if pour is None or cure is None or pour.lot is None or kick_s <= 0.0:
            return
        sd = hypot(self.tune.marked_share, self.tune.marked_s / kick_s)
        room_c, start_c = self.start.room_c, self.start.start_c
        taught = cure.taught(self.bins, pour.mix_t, self.finder.noise_k, room_c, start_c, (kick_s, sd))
        if taught is not None:
            self.taught[pour.lot] = taught.resin
