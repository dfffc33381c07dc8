"""Every finding that a watcher or a book can conclude, one class for each kind, and the table of kinds.

All are frozen values, as in `core/model.py`: times are unix seconds UTC of the bench clock, pressures kPa gauge,
temperatures C, unless a name's ending says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from benchd.core.model import Alert, Card, Mark, MarkAnswer, Reading, Subject, Table, Tick, Utterance
from benchd.stored import stored


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A conclusion of a watcher or a book at `t`.  A *condition* also has `active`: it begins, or ends."""

    finding: ClassVar[str] = ""
    t: float
    subject: Subject


# -- pours and loads (from core/casting/pour.py and core/casting/load.py)


@dataclass(frozen=True, slots=True, kw_only=True)
class PourStarted(Finding):
    """A and B were mixed at `mix_t`; `inferred` when no mark said so; `assumed`: what a bare press left open."""

    finding: ClassVar[str] = "pour_started"
    mix_t: float
    lot: str | None
    molds: tuple[str, ...]
    inferred: bool
    number: int
    a_g: float | None = None
    b_g: float | None = None
    mold_c: float | None = None
    assumed: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PourRevised(PourStarted):
    """A later mark changed what is known of an open pour; fields as they are now."""

    finding: ClassVar[str] = "pour_revised"


@dataclass(frozen=True, slots=True, kw_only=True)
class MoldPoured(Finding):
    """One mold (subject.mold) is filled; `left` molds of this pour are still empty."""

    finding: ClassVar[str] = "mold_poured"
    left: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PourEnded(Finding):
    """A pour is over; `why`: the reason."""

    finding: ClassVar[str] = "pour_ended"
    why: Literal["marked", "demolded", "timeout", "no_cure", "undone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadClosed(Finding):
    """A pot began to fill: a load began, with the pours that waited for this pot; `since`: when, if it was seen."""

    finding: ClassVar[str] = "load_closed"
    pours: tuple[str, ...]
    number: int
    since: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadOpened(Finding):
    """A pot was vented to near zero: its load is over."""

    finding: ClassVar[str] = "load_opened"
    pours: tuple[str, ...]
    number: int


# -- the cure (from watchers kick, pace, hold, demold)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchWeighed(Finding):
    """A and B are on the scale, before their mix; ratio_error: too much B (0.11 = 11 %) by the lot's label."""

    finding: ClassVar[str] = "batch_weighed"
    a_g: float
    b_g: float
    ratio_error: float | None
    side: Literal["good", "too-much-b", "too-little-b"]
    lot: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CupReacting(Finding):
    """The cup heats itself though no pour is open: a pour is inferred from it; A and B were mixed about `mix_t`."""

    finding: ClassVar[str] = "cup_reacting"
    mix_t: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KickForecast(Finding):
    """When the cup will kick: 90 % window early..late around `at`."""

    finding: ClassVar[str] = "kick_forecast"
    at: float
    early: float
    late: float
    confidence: Literal["good", "low"]
    basis: Literal["label", "curve", "shop"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kicked(Finding):
    """The cup has kicked (gelled) `at`."""

    finding: ClassVar[str] = "kicked"
    at: float
    early: float
    late: float
    temp_c: float | None
    basis: Literal["curve", "marked"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CupSteepest(Finding):
    """The cup heated fastest `at`, early..late: the inflection of its heat, not its gel."""

    finding: ClassVar[str] = "cup_steepest"
    at: float
    early: float
    late: float
    temp_c: float
    rate_k_per_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingTimeLeft(Finding):
    """Before a mix: how long a cup would stay workable now, likely and 90 % window [s], at temp_c."""

    finding: ClassVar[str] = "working_time"
    working_s: float
    early_s: float
    late_s: float
    temp_c: float
    lot: str | None
    basis: Literal["drift", "learned", "typed", "label"]
    temp_basis: Literal["measured", "label"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CupPeaked(Finding):
    """The cup's temperature has passed its peak."""

    finding: ClassVar[str] = "cup_peaked"
    at: float
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CupHot(Finding):
    """The residue is above 100 C (`active`), a burn and fire risk in a bin; told once it is known to have kicked, or a
    minute later."""

    finding: ClassVar[str] = "cup_hot"
    temp_c: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class KickOverdue(Finding):
    """No kick by `expected_by`, the late end of the window that the label gives, and a margin after it."""

    finding: ClassVar[str] = "kick_overdue"
    expected_by: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NoCure(Finding):
    """No self-heating by three pot lives; `inferred`: nobody marked the pour, and its cup's warmth was no reaction."""

    finding: ClassVar[str] = "no_cure"
    inferred: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CupProbeSlow(Finding):
    """A cup was mixed whose probe reads only once in `every_s` [s]: too seldom to date a kick."""

    finding: ClassVar[str] = "cup_probe_slow"
    every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CupFoundHot(Finding):
    """A cup without a mix was hot and was not seen to climb: it may have kicked unseen."""

    finding: ClassVar[str] = "cup_found_hot"
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CupOdd(Finding):
    """The cup kicked or peaked unlike its label: `what`, and the expected and measured value."""

    finding: ClassVar[str] = "cup_odd"
    what: Literal["cool", "hot", "slow", "fast"]
    expected: float
    got: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelDoubtful(Finding):
    """The cup's curve fits only a resin so unlike its label that resin, lot or label is wrong; times from mix [s]."""

    finding: ClassVar[str] = "label_doubtful"
    what: Literal["slow", "fast"]
    expected: float
    likely: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedCold(Finding):
    """A mix began cold: its resin, by the room's temperature, or a mold (subject.mold) that should have been warm."""

    finding: ClassVar[str] = "mixed_cold"
    what: Literal["resin", "mold"]
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PostCureDue(Finding):
    """A pour's parts are out, and their resin's label asks for later mild heat: `temp_c` for `for_s`."""

    finding: ClassVar[str] = "post_cure_due"
    molds: tuple[str, ...]
    for_s: float
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepDue(Finding):
    """A step before the mix of the sheet's load `number` is due: what, and of which mold ("": none)."""

    finding: ClassVar[str] = "prep_due"
    step: str
    what: str
    mold: str
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepNoted(Finding):
    """The steps marked as done of the sheet's load `number`, all of them."""

    finding: ClassVar[str] = "prep_noted"
    done: tuple[str, ...]
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepPutOff(Finding):
    """Steps that were said and are not due after all: they moved, or the sheet no longer has them."""

    finding: ClassVar[str] = "prep_put_off"
    steps: tuple[str, ...]
    why: Literal["later", "changed"]
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PartToSupport(Finding):
    """A thin or long part (subject.mold) came out before it was hard: it bends under its own weight until then.

    sag_mm: how far, held at one end; until: when it is held to be hard, where that is known.
    """

    finding: ClassVar[str] = "part_to_support"
    sag_mm: float
    until: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OvenLoaded(Finding):
    """These casts went into the oven at `since`, to come out at `out_at`."""

    finding: ClassVar[str] = "oven_loaded"
    molds: tuple[str, ...]
    since: float
    for_s: float
    temp_c: float
    out_at: float
    taken_back: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OvenDue(Finding):
    """These casts have been in the oven for as long as their label asks."""

    finding: ClassVar[str] = "oven_due"
    molds: tuple[str, ...]
    for_s: float
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartCured(Finding):
    """A part (subject.mold of subject.pour) was in the oven for for_s of the asked_s."""

    finding: ClassVar[str] = "part_cured"
    since: float
    for_s: float
    asked_s: float
    temp_c: float
    taken_back: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchHanded(Finding):
    """The watch went to `who` ("": to nobody) from `was`, marked by `by`; `sure`: by the holder's own hand."""

    finding: ClassVar[str] = "watch_handed"
    who: str
    was: str
    by: str
    sure: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSure(Finding):
    """The one who was handed the watch gave a sign: the first mark by that name."""

    finding: ClassVar[str] = "watch_sure"
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksNoted(Finding):
    """A checklist was asked before this mix: what the caster answered, and what was skipped; it proves nothing."""

    finding: ClassVar[str] = "checks_noted"
    done: tuple[str, ...]
    skipped: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StopStirring(Finding):
    """A and B have been stirred long enough, or for as long as the clock allows."""

    finding: ClassVar[str] = "stop_stirring"
    stirred_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LastMold(Finding):
    """Time to stop starting new molds, so that the lid is on by `lid_by`."""

    finding: ClassVar[str] = "last_mold"
    lid_by: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LidNow(Finding):
    """Lid and air must start now for the pot to be up by `fill_by`.

    finish: a mold may be in hand, and is filled first.
    """

    finding: ClassVar[str] = "lid_now"
    fill_by: float
    finish: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureLate(Finding):
    """The pot will probably be up only after the kick's early end, the cup's or its thickest mold's.

    finish: a mold may be in hand, and is filled first.
    """

    finding: ClassVar[str] = "pressure_late"
    projected_at: float
    kick_early: float
    rising: bool
    active: bool
    limit: Literal["cup", "mold"] = "cup"
    finish: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldForecast(Finding):
    """When the load's last mold will be past gel: `at` the late edge of that time, `gel_at` the likely one.

    `label_at`: when the resin's least hold by its label ends, for comparison; the times below the floor don't count.
    """

    finding: ClassVar[str] = "hold_forecast"
    at: float
    basis: Literal["label", "curve", "learned", "shop"]
    gel_at: float | None = None
    label_at: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldLost(Finding):
    """The pressure was lost, at `kpa`, before these molds are likely to have gelled: what was dissolved comes out."""

    finding: ClassVar[str] = "hold_lost"
    molds: tuple[str, ...]
    kpa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldComplete(Finding):
    """The load's molds are past gel."""

    finding: ClassVar[str] = "hold_complete"
    since: float
    min_kpa: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoldForecast(Finding):
    """[early, likely, late] of when a mold's part is green, hard, and past gel.

    Green is None if it is to be pulled hard only, past gel None if only a rule of thumb is known.  kick_share: its
    thick section's kick over the cup's, times from the mix; below 1 the mold kicks first, and the pressure must be up
    before that.  rule: what hard waits for longest, to be cured enough or cool enough.
    """

    finding: ClassVar[str] = "demold_forecast"
    mold: str
    green_at: tuple[float, float, float] | None
    hard_at: tuple[float, float, float]
    basis: Literal["label", "curve", "learned", "shop"]
    gel_at: tuple[float, float, float] | None = None
    kick_share: float | None = None
    rule: Literal["cured", "cool"] = "cured"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoldReady(Finding):
    """A mold's part is due, by the late edge of its window; rule: as in its forecast.

    `test`: it is likely hard and may not be, so test the stub; `going-hard`: the green stage is ending.
    """

    finding: ClassVar[str] = "demold_ready"
    mold: str
    stage: Literal["test", "green", "going-hard", "hard"]
    limit: Literal["thin", "thick"]
    rule: Literal["cured", "cool"] = "cured"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPulled(Finding):
    """A part was pulled after_s after the mix and felt like `feel`, from which its mold's factor is learned.

    green_s, hard_s: the model's own times for it; log_bias, sd: ln of the mold's factor on them as now believed, and
    its uncertainty.
    """

    finding: ClassVar[str] = "part_pulled"
    mold: str
    resin: str
    after_s: float
    feel: str
    green_s: float
    hard_s: float
    log_bias: float
    sd: float


# -- the pot (from watchers pot and leak)


@dataclass(frozen=True, slots=True, kw_only=True)
class PotFilling(Finding):
    """Pressure rises, reported again every few seconds; `projected_at`: when it will be at the floor.

    That time comes from this pot's own past fills at first, then from its present pace; None while neither is known,
    and above the floor.  `since`: when the rise began, some seconds before it is told.
    """

    finding: ClassVar[str] = "pot_filling"
    kpa: float
    kpa_per_min: float
    projected_at: float | None = None
    since: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PotNotFilling(Finding):
    """Pressure does not rise: filling stalled below the floor, or did not begin although due `for_s` ago."""

    finding: ClassVar[str] = "pot_not_filling"
    kpa: float
    for_s: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PotAtPressure(Finding):
    """First time at or above the floor for 5 s; `since` is where those seconds began; margin to the likely kick.

    `reached`: how far it has come by then; "unseen": it was up when the watch began, seen then only.
    """

    finding: ClassVar[str] = "pot_at_pressure"
    kpa: float
    since: float
    margin_s: float | None
    reached: Literal["floor", "target", "unseen"] = "floor"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotFilled(Finding):
    """A fill has come to the target's edge or stopped short of it; the inlet is open yet.

    Where it would settle if shut now, by the cooling of its gas (None: not known), and whether that is likely below the
    floor; `hold`: how this pot is held.
    """

    finding: ClassVar[str] = "pot_filled"
    kpa: float
    reached: Literal["target", "short"]
    hold: Literal["feed-then-isolate", "isolated", "fed"]
    settles_kpa: float | None
    settles_low: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PotJet(Finding):
    """Air enters so fast that its jet may blow resin out of an open mold."""

    finding: ClassVar[str] = "pot_jet"
    kpa: float
    kpa_per_min: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PotToppedUp(Finding):
    """A pot that had been at pressure was fed again, from `from_kpa` to `kpa`."""

    finding: ClassVar[str] = "pot_topped_up"
    from_kpa: float
    kpa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PotSteady(Finding):
    """A fed pot's pressure has been steady for a minute, for_s after it was up: its inlet should be shut."""

    finding: ClassVar[str] = "pot_steady"
    kpa: float
    for_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PotIsolated(Finding):
    """The pot's inlet is shut: marked, or seen from a steady fall of its pressure."""

    finding: ClassVar[str] = "pot_isolated"
    since: float
    by: Literal["mark", "seen"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PotHold(Finding):
    """The leak verdict of this minute; `smallest_seen` is the leak that would have shown by now.

    `why`: the reason for not saying more.  "no-leak-seen": the pressure does not fall, but the inlet may be open, so it
    proves nothing.
    """

    finding: ClassVar[str] = "pot_hold"
    verdict: Literal["tight-to", "cant-tell", "no-leak-seen", "slow", "fast"]
    kpa: float
    kpa_per_min: float | None
    low: float | None
    high: float | None
    smallest_seen: float | None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PotFed(Finding):
    """How the regulator feeds a pot with an open inlet, from the last teeth of its pressure.

    The period of one [s], the share of it in which air flows (duty), how many an hour, the set-point they reach, its
    drift, and the leak they replace.
    """

    finding: ClassVar[str] = "pot_fed"
    period_s: float
    duty: float
    cycles_per_hour: float
    set_kpa: float
    creep_kpa_per_min: float
    kpa_per_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PotLeaking(Finding):
    """The pot loses air: loss at target pressure, ISO 6358 conductance, a hole's size, and whether it matters."""

    finding: ClassVar[str] = "pot_leaking"
    verdict: Literal["slow", "fast"]
    kpa_per_min: float
    low: float
    high: float
    conductance_m3_s_pa: float
    hole_mm: float
    floor_at: float | None
    matters: bool
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadLeaked(Finding):
    """The load just vented leaked slowly: its loss at the target, low..high, and a hole of that loss."""

    finding: ClassVar[str] = "load_leaked"
    kpa_per_min: float
    low: float
    high: float
    hole_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PotFloorAhead(Finding):
    """A shut pot will reach its floor while its molds still need pressure, by leak, cooling or both.

    How likely that is (chance, 0 to 1), when most likely, and when the need ends (None: not known).
    """

    finding: ClassVar[str] = "pot_floor_ahead"
    kpa: float
    floor_at: float | None
    chance: float
    needed_at: float | None
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PotLimitFinding(Finding):
    """Shared shape of the pot's limit conditions."""

    kpa: float
    limit_kpa: float
    kpa_per_min: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PotBelowFloor(PotLimitFinding):
    """The pot is below its floor."""

    finding: ClassVar[str] = "pot_below_floor"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotOverLimit(PotLimitFinding):
    """The pot is above its pressure limit."""

    finding: ClassVar[str] = "pot_over_limit"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotOverRelief(PotLimitFinding):
    """The pot is above its relief valve's setting by a margin: the valve does not lift."""

    finding: ClassVar[str] = "pot_over_relief"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotCreeping(PotLimitFinding):
    """A fed pot's pressure climbs slowly past its target: its regulator creeps."""

    finding: ClassVar[str] = "pot_creeping"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotLettingGo(PotLimitFinding):
    """The pot loses pressure so fast that its lid or a hose is failing."""

    finding: ClassVar[str] = "pot_letting_go"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotLosing(PotLimitFinding):
    """The pot loses pressure as by a hand at its bleed or by a seal, which no gauge tells apart; nobody marked it."""

    finding: ClassVar[str] = "pot_losing"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefLifted(Finding):
    """The relief valve was seen to lift near its mark (`limit_kpa`) and to shut again; `kpa` where it lifted."""

    finding: ClassVar[str] = "relief_lifted"
    kpa: float
    limit_kpa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeDropped(PotLimitFinding):
    """The gauge fell faster than this pot can vent: the pot may still be full."""

    finding: ClassVar[str] = "gauge_dropped"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotVenting(Finding):
    """The pot is being vented."""

    finding: ClassVar[str] = "pot_venting"
    kpa: float
    kpa_per_min: float
    before_hold_complete: bool
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class VentTooFast(Finding):
    """The bleed is open so far that the pot empties in `empties_s`: resin may froth, thin skins tear."""

    finding: ClassVar[str] = "vent_too_fast"
    kpa: float
    empties_s: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PotVented(Finding):
    """A vent is over.  near_zero: the gauge reads so, which proves nothing; the dial, the bleed and the hiss do.

    Otherwise a part of the load is out of its mold, so the pot is open, whatever its gauge last read.
    """

    finding: ClassVar[str] = "pot_vented"
    kpa: float
    near_zero: bool
    vent_s: float | None


# -- the air, the sensors, the watch itself


@dataclass(frozen=True, slots=True, kw_only=True)
class AirFinding(Finding):
    """Shared shape of the air's conditions.

    water_mg, co2_ml: order of magnitude of the water one fill would leave in the pot, and of the gas if all of it
    reacted with part A; None where no fill is planned.
    """

    rh_pct: float
    dew_point_c: float
    pot_dew_point_c: float | None
    pot_rh_pct: float | None
    basis: Literal["measured", "possible"]
    active: bool
    water_mg: float | None = None
    co2_ml: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomDamp(AirFinding):
    """Room humidity above the warning (level "warn") or the hold-off line (level "hold-off"); eased: it was worse."""

    finding: ClassVar[str] = "room_damp"
    level: Literal["warn", "hold-off"]
    eased: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AirWet(AirFinding):
    """Water may condense in the pot at target pressure; water_class: of ISO 8573-1 by the pot's pressure dew point,
    None where it is worse than class 6."""

    finding: ClassVar[str] = "air_wet"
    water_class: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MoldWet(Finding):
    """A mold (subject.mold) is colder than the dew point of the room's air, or of the pot's at target pressure."""

    finding: ClassVar[str] = "mold_wet"
    mold_c: float
    dew_point_c: float
    where: Literal["room", "pot"]
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LotsDamp(Finding):
    """The room has been damp for `for_s` while these lots were open; no probe shows whether they were capped."""

    finding: ClassVar[str] = "lots_damp"
    lots: tuple[str, ...]
    rh_pct: float
    for_s: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroDrifted(Finding):
    """A vented pot's gauge is steadily off zero: drift, or pressure left.

    Only an open bleed shows which; benchd never takes it for zero by itself.
    """

    finding: ClassVar[str] = "zero_drifted"
    kpa: float
    for_s: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PortClogged(Finding):
    """The pot's gauge rises so slowly and smoothly that its port may be clogged or its tap shut."""

    finding: ClassVar[str] = "port_clogged"
    kpa: float
    kpa_per_min: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TapOnHose(Finding):
    """The gauge rose faster than any pot fills: it may be on the hose, not on the pot's lid."""

    finding: ClassVar[str] = "tap_on_hose"
    kpa: float
    for_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSilent(Finding):
    """No reading from subject.channel for longer than expected; `board`: gone with it, "" if the channel is alone."""

    finding: ClassVar[str] = "sensor_silent"
    why: str
    board: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault(Finding):
    """subject.channel delivers readings that are faulty; `why`: the reason; `board`: gone with it, "" if none is."""

    finding: ClassVar[str] = "sensor_fault"
    why: str
    board: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorBack(Finding):
    """Ten seconds of good data after silent or fault."""

    finding: ClassVar[str] = "sensor_back"
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardGone(Finding):
    """A source, or one board of it (subject.source), is gone, and all its `channels` with it."""

    finding: ClassVar[str] = "board_gone"
    channels: tuple[str, ...]
    why: str
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WatcherFailed(Finding):
    """A watcher raised and is stopped for this subject until its next pour or load."""

    finding: ClassVar[str] = "watcher_failed"
    watcher: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchNotice(Finding):
    """A notice about the bench itself from the engine: lines dropped, a clock step, a gap, a board reset."""

    finding: ClassVar[str] = "bench_notice"
    what: Literal[
        "lines", "journal", "journal-changed", "listener", "contested", "clock", "gap", "board-reset",
        "unchecked-lines", "source",
    ]  # fmt: skip
    why: str
    count: int = 0
    active: bool = True


def _all_findings(cls: type[Finding]) -> list[type[Finding]]:
    below = [c for sub in cls.__subclasses__() for c in _all_findings(sub)]
    return ([cls] if "finding" in vars(cls) and cls.finding else []) + below


FINDINGS: dict[str, type[Finding]] = {c.finding: c for c in _all_findings(Finding)}
for _name, _cls in FINDINGS.items():
    stored(_name)(_cls)

Effect = Finding | Alert | Utterance | Card | MarkAnswer | Reading
Event = Reading | Mark | Finding | Tick | Table
