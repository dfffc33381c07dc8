"""The settings of the pace watcher, and the deadline that follows from a forecast."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict

from benchd.core.findings import KickForecast
from benchd.core.learned import load_clock
from benchd.stored import stored


@stored("pace-settings")
class Settings(BaseModel):
    """The times that this caster's hands and this pot take; CP: common practice for one person, no source."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    mix_s: float = load_clock.MIX_S  # CP: 20 to 35 s
    pour_s: float = load_clock.USUAL_POUR_S  # CP: 10 to 22 s a mold; by each mold's grams unless set or learned
    lid_s: float = load_clock.LID_S  # CP: load and lid 20 to 30 s
    fill_s: float = load_clock.FILL_S  # CP: 20 to 40 s
    react_s: float = 5.0  # CP: a word is spoken in a second or two, and acted on two to five later
    overdue_s: float = 5.0  # CP: hands differ by so much from one mold to the next, or by overdue_share if that is more
    overdue_share: float = 0.4  # CP: of a mold's time
    behind_s: float = 10.0  # CP: who is behind is told so much sooner: it costs nobody anything
    lid_seen_s: float = 12.0  # calc: 2 sd of lids of 20 to 30 s, a caster's pace and a tenth, and 1.5 s until it shows
    own_lid_seen_s: float = 7.0  # calc: 2 sd of a tenth of the caster's own, and 1.5 s
    shows_s: float = 1.5  # interface: until a rise shows on the gauge
    stir_sd_s: float = 4.3  # calc: stirred for 20 to 35 s
    pour_sd_share: float = 0.12  # CP: hands differ by an eighth from one mold to the next
    pace_sd_share: float = 0.15  # CP: one caster differs so much from another, as long as this one is not known
    fill_sd_s: float = 5.8  # calc: pots fill in 20 to 40 s
    own_fill_sd_share: float = 0.08  # CP: of this pot's own
    omitted_casts: float = 0.8  # CP: a mold left for the next load, its resin mixed already; a scrapped cast is 1
    stir_least_s: float = 20.0  # CP: stirred for less it cures in streaks
    stir_most_s: float = 35.0  # CP: 20 to 35 s; a fast resin's label says the same, where it says anything
    ahead_s: float = 10.0  # CP: "Last mold" comes so long before the mold in hand is full: to be heard, and acted on
    pace_known_s: float = 4.0  # CP: an eighth of a fill; the first seconds' slope still holds the time before it
    late_share: float = load_clock.AIM_SHARE  # where a load aims, from the window's early end (0) to its likely time
    low_late_share: float = load_clock.AIM_SHARE  # the same for a window of low confidence
    mold_later: float = 1.03  # simulated molds: 26 mm ones kick 1 to 6 % later than their section table says
    mold_first: float = 0.98  # CP: 3 s in three minutes name no culprit
    blind_s: float = 75.0  # CP: how long a silent gauge is waited for: a minute's hole, and its first new samples
    heard_s: float = 8.0  # calc: a rise is told each 5 s, and a gauge is silent after 5 s more at the least
    near_zero_kpa: float = 6.9  # CP: 1 psi; below it the gauge reads near zero
    seldom_s: float = 1.25  # interface: readings of once a second and more count as steady
    unseen_s: float = 15.0  # interface: three readings at one in 5 s: the rise, its confirmation, its lasting
    vague_share: float = 3.0  # CP: a window whose end is three times as far from the mix as its beginning
    reserve_s: float = load_clock.LEAST_MARGIN_S  # CP: at pressure 20 to 30 s before the kick

    def overdue_of_s(self, takes_s: float) -> float:
        """How long after its time a mold that takes takes_s [s] is overdue."""
        return max(self.overdue_s, self.overdue_share * takes_s)


@stored("pace-deadline")
@dataclass(frozen=True, slots=True)
class Deadline:
    """Of the cup or the mold that kicks first [unix s]: its window, when the pot is to be up, when that is late."""

    mix_t: float
    early: float
    likely: float
    latest: float
    up_by: float
    late_by: float


def deadline_of(tune: Settings, told: KickForecast, mix_t: float, share: float) -> Deadline:
    """The deadline of a forecast for what kicks at this share of the cup's time from the mix on."""
    early_s, likely_s, late_s = (share * (at - mix_t) for at in (told.early, told.at, told.late))
    aim = tune.low_late_share if told.confidence == "low" else tune.late_share
    margin_s = load_clock.margin_s(likely_s, early_s, tune.reserve_s, aim)
    up_s, late_by_s = likely_s - margin_s, likely_s - load_clock.LATE_SHARE * margin_s
    return Deadline(mix_t, mix_t + early_s, mix_t + likely_s, mix_t + late_s, mix_t + up_s, mix_t + late_by_s)


def is_news(tune: Settings, told: KickForecast, before: KickForecast, mix_t: float) -> bool:
    """Whether a forecast replaces the one before it.

    Not one whose window is so wide that its likely time says nothing: of a probe that was moved, or a kick that is
    overdue.  Nor one without a curve that comes once the kick may have been, by an earlier one of that kind: nobody has
    seen whether it has, and all that moves it is the clock.
    """
    is_vague = told.late - mix_t > tune.vague_share * (told.early - mix_t)
    is_clock = "curve" not in (told.basis, before.basis) and told.t > before.early
    return not (is_vague or is_clock)


def stop_stirring_t(tune: Settings, mix_t: float, needed_by: float, label_s: float | None) -> float | None:
    """When to say that stirring has to end [unix s], None for not at all.

    needed_by: when it has to end for the load to be up in time [unix s]; label_s: what the label asks for [s], None
    where it says nothing.  Never before stir_least_s: what is mixed too little is lost, however much in time.  Without
    a label's word it is said only where time is short: by then a resin with time to spare is being poured.

    >>> tune, asked = Settings(), ((90.0, 45.0), (30.0, 45.0), (8.0, None), (60.0, None))
    >>> [stop_stirring_t(tune, 0.0, needed_by, label_s) for needed_by, label_s in asked]
    [45.0, 30.0, 20.0, None]
    """
    stop_t = max(mix_t + tune.stir_least_s, needed_by)
    if label_s is not None:
        return min(stop_t, mix_t + max(label_s, tune.stir_least_s))
    return stop_t if stop_t <= mix_t + tune.stir_most_s else None
