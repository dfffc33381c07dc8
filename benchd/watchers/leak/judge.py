"""Judges a shut pot's leak: each minute, at once when it is fast, and what it means for the load inside.

The leak watcher passes events to this judge.  A slow leak is judged by whole minutes; a fast one is published when
cooling cannot explain the whole fall.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from benchd.core.bench import Pot
from benchd.core.findings import Finding, PotHold
from benchd.core.seat.pressure_trace import PressureTrace, SlowTrace
from benchd.core.seat.watcher import Place
from benchd.core.units import KPA_PER_PSI as PSI
from benchd.physics.leak_bank import LeakEstimate
from benchd.physics.leak_verdict import FLOOR_SD_PSI_MIN, LeakLimits, LeakVerdict, judged
from benchd.physics.pot_gas import REFERENCE_K
from benchd.stored import stored
from benchd.watchers.leak.fed import FedPot
from benchd.watchers.leak.floor import FloorWatch
from benchd.watchers.leak.isolated import ShutPot
from benchd.watchers.leak.pace import falls_one_by_one, pace_kpa_min, sudden_kpa_min, sudden_window_s
from benchd.watchers.leak.told import LeakTold, Need, Word
from benchd.watchers.leak.tune import Settings

LEARNED_FILLS = 5


@stored("leak-judge")
@dataclass(slots=True)
class LeakJudge:
    """One pot's leak as judged so far; hold_at, hold_done, below: what the load needs and where the gauge is.

    calm_t: since when a fast leak's fall has paused; low_kpa: the lowest pressure since it was told.
    """

    place: Place
    pot: Pot
    tune: Settings
    shut: ShutPot
    floor: FloorWatch
    told: LeakTold
    fed: FedPot
    trace: PressureTrace = field(default_factory=lambda: PressureTrace(keep_s=45.0))
    slow: SlowTrace = field(default_factory=lambda: SlowTrace(most=8))
    hold_at: float | None = None
    hold_done: bool = False
    below: bool = False
    warm_c: float | None = None
    fast_count: int = 0
    calm_t: float | None = None
    low_kpa: float = math.inf

    def isolated(self, since: float, now_t: float, *, marked: bool) -> None:
        """The inlet has been shut since then, by mark or as seen."""
        self.shut.isolated(since, now_t, marked=marked)
        self.fast_count = 0
        self.fed.clear()

    def filling(self, t: float, kpa: float) -> list[Finding]:
        """Pressure rises: the regulator feeds a fed pot, or air is let in.

        A fast leak that a regulator makes up for goes on being one, tooth by tooth; a fill by hand ends it, until it is
        seen again: the inlet had been marked shut, or the pressure is lifted further than any regulator's tooth.
        """
        if self.shut.up_t is not None and self.shut.isolated_t is None and not self.told.word:
            self.shut.fed_again(t)
            return []
        self.shut.fill_t = self.shut.air_t = t
        by_hand = self.shut.is_marked or kpa - self.low_kpa >= self.tune.refill_kpa
        return [*self.refed(t), *(self.stop(t) if self.told.word == "fast" and by_hand else [])]

    def refed(self, t: float) -> Sequence[Finding]:
        """Air came in: earlier observations no longer count."""
        self.shut.refed(t)
        self.fast_count = 0
        self.slow.clear()
        return self.floor.stop(t, self.trace.kpa or 0.0)

    def disturbed(self, t: float, *, on: bool) -> list[Finding]:
        """A vent, a failing seal or a false gauge begins or ends."""
        self.shut.disturbed(t, on=on)
        self.fast_count = 0
        self.slow.clear()
        self.fed.clear()
        return [*self.floor.stop(t, self.trace.kpa or 0.0), *self.stop(t)]

    def over(self, t: float) -> list[Finding]:
        """The pot is empty."""
        out = self.stop(t)
        out += self.refed(t)
        self.shut.over(t)
        self.fed.clear()
        self.hold_at, self.hold_done, self.below = None, False, False
        return out

    def add(self, t: float, kpa: float, *, bin_is_full: bool) -> list[Finding]:
        """Add a filtered sample of a pot that is up; bin_is_full: five more seconds were judged."""
        out = self._fed(t, kpa) if self.shut.isolated_t is None else []
        out += self._sudden(t, kpa)
        return out + (self._judge(t, kpa) if bin_is_full else [])

    def _judge(self, t: float, kpa: float) -> list[Finding]:
        self.shut.widen(t)
        found = self.shut.observer.estimate()
        said = self._verdict(found) if found is not None else None
        whole = self.shut.minute_is_full(t)
        out = list(self._floor(t, kpa, whole, found))
        fast = self._fast(t, kpa, said)
        return out + fast + (self._minute(t, kpa, said, bool(fast)) if whole else [])

    def _settled(self, t: float) -> bool:
        return self.shut.settled(t, self.tune.settle_taus * self.tune.cooling_tau_s)

    def _floor(self, t: float, kpa: float, whole: bool, found: LeakEstimate | None) -> Sequence[Finding]:
        """The floor ahead, once the pot is shut; below the floor, the pot watcher reports.

        Only from a fall that will go on: a proved leak, or what is left when the pot's own cooling is done.  Until then
        it has to be all but sure.
        """
        if self.shut.isolated_t is None or self.hold_done or self.below or found is None:
            return self.floor.stop(t, kpa)
        known_s = math.inf if self.shut.observer.is_unseen else self.tune.settle_taus * found.tau_s
        settle_s = min(self.tune.settle_most_s, known_s)
        goes_on = bool(self.told.word) or (self.shut.settled(t, settle_s) and t - self.shut.isolated_t >= settle_s)
        means = list(self.slow.bins)
        return self.floor.step(t, kpa, self.shut.observer, self.hold_at, whole=whole, means=means, goes_on=goes_on)

    def _fast(self, t: float, kpa: float, said: LeakVerdict | None) -> list[Finding]:
        """A fast leak does not wait: published when cooling cannot explain the whole fall; twice running while fed."""
        tune, means = self.tune, list(self.slow.bins)
        if self.told.word == "fast":
            return self._soften(t, kpa, said) if self._is_calm(t, kpa, means) else []
        if said is None or kpa < tune.least_share * self.pot.floor_kpa:
            return []
        times = tune.fast_z_learned if self.shut.observer.bare.fills >= LEARNED_FILLS else tune.fast_z
        low = said.kpa_per_min - times * said.sd_kpa_per_min
        sure = said.kpa_per_min >= tune.fast_share * tune.fast_kpa_min and low >= tune.fast_kpa_min / 3.0
        sure = sure and falls_one_by_one(means, 0.25 * tune.fast_kpa_min) and low >= self._may_cool_kpa_min()
        self.fast_count = self.fast_count + 1 if sure else 0
        if self.fast_count >= (1 if self.shut.isolated_t is not None else 2):
            return self._tell(t, kpa, "fast", said.kpa_per_min, said.sd_kpa_per_min)
        return []

    def _may_cool_kpa_min(self) -> float:
        """The fall that cooling alone may cause now, where the closing was not seen [kPa/min].

        A regulator may have held the pressure until then: the flat part before says nothing of the cooling.
        """
        return self.shut.observer.cooling_kpa_min() if self.shut.isolated_t is None else 0.0

    def _is_calm(self, t: float, kpa: float, means: Sequence[tuple[float, float]]) -> bool:
        """Whether a fast leak's fall has paused for stable_s: no quarter of a minute fell half as fast as fast."""
        self.low_kpa = min(self.low_kpa, kpa)
        if len(means) < 4:
            self.calm_t = None
            return False
        pace = (means[-4][1] - means[-1][1]) / (means[-1][0] - means[-4][0]) * 60.0
        if pace >= 0.5 * self.tune.fast_kpa_min:
            self.calm_t = None
        elif self.calm_t is None:
            self.calm_t = means[-4][0]
        return self.calm_t is not None and t - self.calm_t >= self.tune.stable_s

    def _soften(self, t: float, kpa: float, said: LeakVerdict | None) -> list[Finding]:
        """End a fast leak that is over or slow now."""
        if said is None or said.word != "slow":
            return self.stop(t)
        self.told.word, self.calm_t = "slow", None
        return self._tell(t, kpa, "slow", said.kpa_per_min, said.sd_kpa_per_min)

    def _sudden(self, t: float, kpa: float) -> list[Finding]:
        """A leak that opens during the hold, recognised within twelve seconds, later by a noisy gauge.

        Where the inlet may be open, or the last air is still warm, only one that neither a regulator nor cooling makes.
        """
        if self.told.word == "fast" or kpa < self.tune.least_share * self.pot.floor_kpa:
            return []
        p_atm, tune = self.place.bench.p_atm_kpa, self.tune
        is_fed = self.shut.isolated_t is None
        least_s = tune.fast_fed_s if is_fed else tune.fast_window_s
        window_s = sudden_window_s(self.trace, least_s, tune.fast_doubt_kpa_min)
        loss = sudden_kpa_min(self.trace, window_s, 0.25 * tune.fast_kpa_min, whole=is_fed)
        rate = (loss or 0.0) * (self.pot.target_kpa + p_atm) / (kpa + p_atm)
        if not self._least_kpa_min(t) <= rate <= tune.letting_go_kpa_min:
            return []
        return self._tell(t, kpa, "fast", rate, 0.15 * rate)

    def _least_kpa_min(self, t: float) -> float:
        """The least fall that is a fast leak now [kPa/min at target]."""
        tune, is_shut = self.tune, self.shut.isolated_t is not None
        if is_shut and self._settled(t):
            return tune.fast_kpa_min
        is_cool = self.shut.is_cool(t, tune.settle_taus * tune.cooling_tau_s)
        return tune.sure_kpa_min + (0.0 if is_cool else tune.cooling_doubt * self.shut.observer.cooling_kpa_min())

    def _fed(self, t: float, kpa: float) -> list[Finding]:
        """The leak of a pot still fed, from three similar teeth of its regulator.

        Such a pot never falls to its floor.  Gas that cools has to be fed too: only a rhythm faster than the fill's
        heat can explain is a leak.
        """
        if (rhythm := self.fed.step(t, kpa, self.trace.noise_kpa)) is None:
            return []
        out: list[Finding] = list(self.fed.told(t, rhythm))
        low_kpa_min = rhythm.kpa_per_min - rhythm.sd_kpa_per_min
        if rhythm.kpa_per_min < self.tune.least_kpa_min or low_kpa_min < self.shut.observer.cooling_kpa_min():
            return out
        fast = rhythm.kpa_per_min >= self.tune.fast_kpa_min
        return out + self._tell(t, kpa, "fast" if fast else "slow", rhythm.kpa_per_min, rhythm.sd_kpa_per_min)

    def _in_doubt(self, t: float, said: LeakVerdict | None) -> tuple[Literal["cant-tell", "no-leak-seen"], str]:
        """The word, and the reason, for a minute in which no size can be given."""
        if not self._settled(t):
            return "cant-tell", "the air is still cooling"
        if self.shut.isolated_t is None:
            if self.told.word:
                return "cant-tell", "the pot is fed"
            pace, fed = pace_kpa_min(list(self.slow.bins)), self.pot.hold == "fed"
            if pace > 2.0 * self.tune.least_kpa_min:
                return "cant-tell", "too short a time" if math.isinf(pace) else "it falls; is the inlet shut?"
            return "no-leak-seen", "the pot is fed" if fed else "is the inlet shut?"
        return "cant-tell", "too short a time" if said is None else said.why

    def _minute(self, t: float, kpa: float, said: LeakVerdict | None, fresh: bool) -> list[Finding]:
        """The verdict of this minute, and the leak published again; fresh: its word was given just now."""
        if said is None or self.shut.isolated_t is None or not self._settled(t):
            word, why = self._in_doubt(t, said)
            hold = PotHold(
                t=t, subject=self.place.subject, verdict=word, kpa=kpa, kpa_per_min=None, low=None, high=None,
                smallest_seen=None, why=why,
            )  # fmt: skip
            return [hold] if fresh else [hold, *self._again(t, kpa)]
        rate, sd = said.kpa_per_min, said.sd_kpa_per_min
        hold = PotHold(
            t=t, subject=self.place.subject, verdict=said.word, kpa=kpa, kpa_per_min=rate, low=rate - 2.0 * sd,
            high=rate + 2.0 * sd, smallest_seen=said.tight_to_kpa_min, why=said.why,
        )  # fmt: skip
        if self.told.word == "fast" and said.word != "fast":  # that ends when the fall pauses, by no minute's verdict
            return [hold] if fresh else [hold, *self._again(t, kpa)]
        if said.word in ("slow", "fast") and not fresh:
            return [hold, *self._tell(t, kpa, "fast" if said.word == "fast" else "slow", rate, sd)]
        if said.word == "tight-to" or rate < 0.5 * self.tune.least_kpa_min:
            return [hold, *self.stop(t)]
        return [hold] if fresh else [hold, *self._again(t, kpa)]

    def _verdict(self, found: LeakEstimate) -> LeakVerdict:
        bins = self.shut.observer.bins
        probed = bool(bins) and bins[-1].is_probed
        kind = "probed" if probed else "bare"
        limits = LeakLimits(
            least_kpa_min=self.tune.least_probed_kpa_min if probed else self.tune.least_kpa_min,
            slow_kpa_min=self.tune.slow_kpa_min, fast_kpa_min=self.tune.fast_kpa_min,
            floor_sd_kpa_min=FLOOR_SD_PSI_MIN[kind] * PSI, resolution_kpa=_resolution_kpa(self.place), z=self.tune.z,
        )  # fmt: skip
        p_atm = self.place.bench.p_atm_kpa
        return judged(found, self.pot.target_kpa + p_atm, limits, (self.trace.kpa or 0.0) + p_atm, p_atm)

    # --------------------------------------------------------------------------------------------------- what it means

    def _tell(self, t: float, kpa: float, word: Word, rate: float, sd: float) -> list[Finding]:
        if word == "fast" and self.told.word != "fast":
            self.calm_t, self.low_kpa = None, kpa
        self.told.tell(word, rate, sd, self.tune.fast_kpa_min)
        return self._again(t, kpa)

    def _again(self, t: float, kpa: float) -> list[Finding]:
        return list(self.told.finding(t, kpa, self._owed(), self._need()))

    def stop(self, t: float) -> list[Finding]:
        """End the leak, if one is published."""
        self.fast_count, self.calm_t = 0, None
        return list(self.told.stop(t, self.trace.kpa or 0.0, self._owed(), self._need()))

    def _owed(self) -> LeakEstimate | None:
        """The fall still to come from cooling, where the pressure can reach a floor."""
        if self.shut.isolated_t is None and self.told.word != "fast":
            return None
        return self.shut.observer.estimate() or LeakEstimate(0.0, 0.0, 0.0, self.tune.cooling_tau_s, 0)

    def _need(self) -> Need:
        return Need(
            hold_at=self.hold_at, hold_done=self.hold_done,
            floor_foreseen=self.floor.told if self.floor.ahead is not None else None,
            gas_k=self.warm_c + 273.15 if self.warm_c is not None else REFERENCE_K,
        )  # fmt: skip


def _resolution_kpa(place: Place) -> float:
    """The pot gauge's configured resolution, 0 when it is not known."""
    ours = (
        c for c in place.bench.channels if c.role == "pot_pressure" and place.pot is not None and c.of == place.pot.id
    )
    return next((c.resolution for c in ours if c.resolution is not None), 0.0)
