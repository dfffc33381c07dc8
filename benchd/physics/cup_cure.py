"""Judges one pour's cup: when its kick is due, whether it has come, whether the label can be right.

Two sources.  The *fit* (cure_fit) knows when a resin like this one gels; the *finder* (cup_kick) knows no resin, but
cannot be fooled by a bath, a hand or a probe moved between cups.  A kick needs both: the finder has seen a reaction's
peak of heat, and by the fit more likely than not the gel is over.  Steady resins gel up to a third later than the peak.
Where the fit can't judge (it misses the curve, or needs an absurd resin for it) the finder's own rule of thumb decides.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, hypot, sqrt
from typing import Literal

from benchd.physics.cup_kick import KickFinder
from benchd.physics.cup_model import LF, label_tau_s
from benchd.physics.cure_fit import CureFit, Posterior
from benchd.physics.cure_prior import DRAINED, CupBelief, ResinBelief, cup_tau, freed
from benchd.physics.curve_bins import CurveBins
from benchd.physics.kick_window import SHAPE_SHARE, GelBelief, doubt, gel_belief, kick_edges, with_label
from benchd.stored import stored

CupKind = Literal["witness", "mixing", "residue"]
MARKED_DOUBT_S = 10.0  # sd of a mix's time [s]: more than that is a guess
TAUGHT_TO = 1.1  # a pour teaches up to a little past its kick: the model knows no glass
TAUGHT_POINTS = 8
TAUGHT_PASSES = 8


START_SD_K = 1.6  # model: resin kept in the room is within 2 to 3 K of it, probes 0.5 K off
UNKNOWN_SD_K = 5.0  # common practice, no source: a bench without thermometers, 13 to 33 C


@stored("cure-rule")
@dataclass(frozen=True, slots=True, kw_only=True)
class CureRule:
    """Limits of the judgement.  Units are in the names; each figure's source is beside it.

    [model]: tuned on building seeds (below 1000) of the rehearsal's population; [study]: the simulation study named in
    cure_prior; CP: common practice.
    """

    factor: float = 1.0  # model: times the fit's sd, so that 90 % windows hold 90 %: 92 to 95 % on 216 building pours
    learned_factor: float = 1.0  # model: learned, times what the bench's own pours told (`width`)
    residue_factor: float = 1.1  # model: a thin pool on a cold floor is no lump
    least_noise_k: float = 0.1  # CP: quarter-degree steps
    settle_s: float = 15.0  # model: a probe put in late has settled to 1/e of its first error in this time
    settle_k: float = 3.0  # CP: resin and room differ by so much
    from_s: float = 25.0  # model: before that the probe is seldom in
    most_misfit: float = 1.5  # study: a fit this far from the points on average judges nothing
    freed_misfit: float = 0.8  # calc: a law free to bend misses no cup's points by half as much
    most_odd: float = 18.0  # study: squared distance from any known resin, in sd
    no_resin: float = 45.0  # model: and a curve that needs one this odd is no cup of resin at all
    alone_share: float = 0.90  # model: so sure must a fit be to find a kick without the finder
    alone_rise_k: float = 12.0  # model: and so warm the cup
    alone_rise_share: float = 0.7  # model: and that near to the rise the fit itself puts at the gel
    stale_s: float = 15.0  # CP: a curve this old says nothing of now


@dataclass(frozen=True, slots=True)
class KickFound:
    """A kick: at, early, late [s after the mix].

    steepest_s: when the heating was fastest [s after the mix], if seen; by_fit: the fit found it, not the finder's
    rule.
    """

    at_s: float
    early_s: float
    late_s: float
    steepest_s: float | None
    by_fit: bool


@dataclass(frozen=True, slots=True)
class Taught:
    """What one pour said of its resin; by_curve: its curve said so, not its kick alone."""

    resin: ResinBelief
    by_curve: bool


@stored("cup-cure")
@dataclass(slots=True, kw_only=True)
class CupCure:
    """One pour in one cup; times in s after the mix.  Call `update` with its bins now and then.

    doubt_s: sd of the mix's time (2 s for a mark); width: how much wider than the fit's own the windows of this bench's
    pours had to be, once learned.  An update costs 2 to 3 ms; memory is bounded.
    """

    kind: CupKind
    mass_g: float
    lag_s: float
    resin: ResinBelief
    pot_life_s: float
    doubt_s: float = 2.0
    start_sd_k: float = START_SD_K
    label_mass_g: float = 100.0
    is_learned: bool = False
    width: float = 1.0
    rule: CureRule = field(default_factory=CureRule)
    fit: CureFit = field(init=False)
    belief: GelBelief = field(init=False)
    by_label: GelBelief | None = None
    """What the label, or what was learned, says without any curve."""
    label_share: float = 0.0
    is_fitted: bool = False

    def __post_init__(self) -> None:
        tau_s, tau_sd = cup_tau(self.kind, self.mass_g)
        cup = CupBelief(
            tau_s=tau_s, ln_tau_sd=tau_sd, start_sd_k=self.start_sd_k, delay_s=self.lag_s + 0.5,
            delay_sd_s=hypot(1.5, self.doubt_s), drained=DRAINED if self.kind == "residue" else None,
        )  # fmt: skip
        self.fit = CureFit(
            self.resin, cup, self.pot_life_s, 1.0 if self.is_unmarked else 0.0, label_tau_s(self.label_mass_g)
        )

    @property
    def is_unmarked(self) -> bool:
        """True if the mix's time is itself a guess."""
        return self.doubt_s > MARKED_DOUBT_S

    @property
    def factor(self) -> float:
        """What the fit's sd is multiplied by so that 90 % windows hold 90 %."""
        factor = self.rule.residue_factor if self.kind == "residue" else self.rule.factor
        return factor * self.rule.learned_factor * self.width if self.is_learned else factor

    def drain(self, at_s: float) -> None:
        """A residue cup was poured out at_s [s after the mix]."""
        if self.fit.cup.drained is not None:
            self.fit.cup = replace(self.fit.cup, drained=replace(DRAINED, at_s=at_s))

    def expect(self, room_c: float, start_c: float) -> GelBelief:
        """The belief without any curve: what the label and earlier pours say."""
        self.belief = self.by_label = gel_belief(self.fit.update((), (), (), room_c, start_c), self.factor)
        return self.belief

    def update(self, bins: CurveBins, mix_t: float, noise_k: float, room_c: float, start_c: float) -> GelBelief:
        """The belief after all of the curve so far; bins in unix s, mix_t [unix s], noise of one second [K].

        Where the fit misses its points the label's clock stands beside it, with a weight of label_share (0..1).
        """
        points = self._points(bins, mix_t, max(noise_k, self.rule.least_noise_k))
        if len(points) < 3:
            return self.expect(room_c, start_c)
        times, values, sds = ([p[i] for p in points] for i in range(3))
        fitted = self.fit.update(times, values, sds, room_c, start_c)
        self.belief, self.is_fitted = gel_belief(fitted, self.factor), True
        wide = self.doubtful
        if self.by_label is None:
            return wide
        both, self.label_share = with_label(wide, self.by_label, fitted.misfit)
        return both

    @property
    def doubtful(self) -> GelBelief:
        """The fit's belief with the doubt that it earns by missing its points, and, of a resin without cups of its own,
        for knowing shapes only; `belief` takes the fit at its word."""
        last = self.last
        if last is None:
            return self.belief
        return gel_belief(last, self.factor, doubt(last.misfit), 1.0 if self.is_learned else SHAPE_SHARE)

    def _points(self, bins: CurveBins, mix_t: float, noise_k: float) -> list[tuple[float, float, float]]:
        """Times [s after the mix], values [C] and sds [K] to fit; young ones are doubted: is the probe in yet?"""
        rule = self.rule
        all_points = [(t - mix_t, c, noise_k / sqrt(n)) for t, c, n in zip(*bins.points(), strict=True)]
        if self.is_unmarked:
            return all_points
        kept = [p for p in all_points if p[0] > rule.from_s]
        return [(s, c, hypot(sd, rule.settle_k * exp((rule.from_s - s) / rule.settle_s))) for s, c, sd in kept]

    def taught(
        self, bins: CurveBins, mix_t: float, noise_k: float, room_c: float, start_c: float, kick: tuple[float, float],
        is_marked: bool = True,
    ) -> Taught | None:  # fmt: skip
        """What the whole pour says of its resin, given its kick (s after the mix, sd of its ln); fits from the start.

        Fitted as a resin of a known kind; if that misses the curve, or needs an odd resin for it, as one whose law the
        curve itself tells.  A marked kick whose curve nothing follows still teaches the speed.  None if neither helps.
        """
        if self.is_unmarked:
            return None
        points = self._points(bins, mix_t, max(noise_k, self.rule.least_noise_k))
        points = [p for p in points if p[0] < TAUGHT_TO * kick[0]]
        if len(points) >= TAUGHT_POINTS:
            times, values, sds = ([p[i] for p in points] for i in range(3))
            for resin, misfit in ((self.resin, self.rule.most_misfit), (freed(self.resin), self.rule.freed_misfit)):
                fit = CureFit(resin, self.fit.cup, self.pot_life_s, 0.0, self.fit.label_tau_s)
                last = fit.update(times, values, sds, room_c, start_c, gel_mark=kick, passes=TAUGHT_PASSES)
                if last.misfit < misfit and last.oddness < self.rule.most_odd:
                    return Taught(fit.resin_posterior(), True)
        if not is_marked:
            return None
        fit = CureFit(self.resin, self.fit.cup, self.pot_life_s, 0.0, self.fit.label_tau_s)
        fit.update((), (), (), room_c, start_c, gel_mark=kick, passes=TAUGHT_PASSES)
        return Taught(fit.resin_posterior(), False)

    @property
    def last(self) -> Posterior | None:
        """The last fit; None before the first."""
        return self.fit.last if self.is_fitted else None

    @property
    def misfit(self) -> float | None:
        """How far off its points the last fit is [sd], as windows go by it; None of learned resins, whose own pours
        told how wide theirs have to be (`width`)."""
        return None if self.is_learned or self.last is None else self.last.misfit

    @property
    def believed_speed(self) -> float:
        """ln of the resin's speed over its label's, as believed before this pour."""
        weights: list[float] = [exp(w) for w in self.resin.ln_weights.tolist()]
        speeds: list[float] = self.resin.means[:, LF].tolist()
        return sum(w * v for w, v in zip(weights, speeds, strict=True)) / sum(weights)

    @property
    def believed_speed_sd(self) -> float:
        """sd of `believed_speed`."""
        weights: list[float] = [exp(w) for w in self.resin.ln_weights.tolist()]
        speeds: list[float] = self.resin.means[:, LF].tolist()
        variances: list[float] = self.resin.covariances[:, LF, LF].tolist()
        mean, all_of = self.believed_speed, sum(weights)
        terms = zip(weights, speeds, variances, strict=True)
        return sqrt(sum(w * (v + (s - mean) ** 2) for w, s, v in terms) / all_of)

    @property
    def is_judge(self) -> bool:
        """True if the fit goes through the points with a resin that may exist."""
        last = self.last
        return last is not None and last.misfit < self.rule.most_misfit and last.oddness < self.rule.most_odd

    def found(self, elapsed_s: float, finder: KickFinder, mix_t: float) -> KickFound | None:
        """The kick, if it has come by elapsed_s [s after the mix]; else None."""
        seen = finder.found
        if not self.is_judge:
            is_no_resin = self.last is not None and self.last.oddness > self.rule.no_resin
            if seen is None or is_no_resin or elapsed_s < seen.gel_by - mix_t:
                return None
            by_s, hottest_s = seen.gel_by - mix_t, seen.at - mix_t
            at_s = 0.5 * (hottest_s + by_s)
            return KickFound(at_s, hottest_s - seen.doubt_s, by_s + seen.doubt_s, hottest_s, False)
        share = self.belief.share_by(elapsed_s)
        if share < 0.5 or (seen is None and not self._is_plain(share, finder)):
            return None
        early_s, at_s, late_s = (self.doubtful.time_s(s) for s in (0.05, 0.5, 0.95))
        steepest_s = None if seen is None else seen.at - mix_t
        at_s = min(max(at_s, steepest_s or 0.0), elapsed_s)
        return KickFound(at_s, min(early_s, at_s), max(late_s, at_s), steepest_s, True)

    def edges_s(self, found: KickFound) -> tuple[float, float]:
        """A found kick's window [s after the mix]; of a resin this bench has no cups of, as wide as others' needed."""
        if self.is_learned:
            return found.early_s, found.late_s
        return kick_edges(found.early_s, found.at_s, found.late_s)

    def _is_plain(self, share: float, finder: KickFinder) -> bool:
        """True if the fit is so sure, of so warm a cup, that no finder is needed; never after a break in the record."""
        last, rule = self.last, self.rule
        if last is None or share < rule.alone_share or not finder.is_reacting:
            return False
        return finder.rise_k > max(rule.alone_rise_k, rule.alone_rise_share * last.rise_at_gel_k)
