"""What passes through benchd: inputs, readings, findings, windows, alerts, utterances, and whom each is about.

One noun a stage.  An *input* is what the shell saw (a board's line, a mark, a context); the engine turns lines into
*readings*; *watchers* and the pour and load books turn those into *findings*; the alert stage turns findings into
*alerts* (condition x heard) and *utterances* (what the caster hears now).  All are frozen values; times are unix
seconds UTC of the bench clock, pressures kPa gauge, temperatures C, unless a name's ending says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from enum import Enum
from typing import Any, ClassVar, Literal

from benchd.stored import stored

Json = Mapping[str, Any]


@stored("subject")
@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """Whom a finding, alert, utterance or mark is about, filled as far as known."""

    bench: str
    pot: str | None = None
    load: str | None = None
    cup: str | None = None
    pour: str | None = None
    mold: str | None = None
    channel: str | None = None

    def to_dict(self) -> dict[str, str]:
        return {name: value for name in SUBJECT_KEYS if (value := getattr(self, name)) is not None}

    @property
    def id(self) -> str:
        """The narrowest thing named: what stands last in an alert's topic."""
        return self.channel or self.mold or self.cup or self.pot or self.bench

    def filled(self, **more: str | None) -> Subject:
        """This subject with gaps filled; what it already knows is kept."""
        gaps = {k: v for k, v in more.items() if v is not None and getattr(self, k) is None}
        return replace(self, **gaps) if gaps else self


SUBJECT_KEYS = tuple(f.name for f in fields(Subject))


class Quality(Enum):
    GOOD = "good"
    SUSPECT = "suspect"
    FAULT = "fault"


class Basis(Enum):
    """Where a number comes from; carried to page, speech and MQTT."""

    MEASURED = "measured"
    LEARNED = "learned"
    LABEL = "label"
    TYPED = "typed"
    BLIND = "blind"


@dataclass(frozen=True, slots=True)
class Window:
    """A doubtful time: its early edge, its likely value, its late edge [unix s], and the coverage it claims (0..1)."""

    early: float
    likely: float
    late: float
    coverage: float = 0.9

    def shifted(self, by_s: float) -> Window:
        return Window(self.early + by_s, self.likely + by_s, self.late + by_s, self.coverage)


# --------------------------------------------------------------------------------------------------------------- inputs


@dataclass(frozen=True, slots=True)
class Line:
    """One line a board sent (no LF), or one MQTT payload (then with its topic)."""

    t: float
    source: str
    line: str
    topic: str | None = None


@dataclass(frozen=True, slots=True)
class RawLine:
    """Bytes of one line that are not UTF-8, kept as base64 so that a recording stays text."""

    t: float
    source: str
    raw_b64: str


VERBS = (
    "mix", "poured", "kicked", "heard", "demolded", "repeat", "undo", "shut", "topup", "dumped", "note", "leaving",
    "back", "end",
)  # fmt: skip
MOST_MOLDS = 32  # of one mix; a pot of 16 l holds some ten: common practice, no source
PRESS_IDS = "switch-"  # what the ids of a foot switch's presses begin with; nobody else's may
FEELS = ("rubbery", "green", "hard", "hot", "stuck")
GRADES = ("good", "second", "scrap")
CAUSES = ("trap", "short", "foam", "pinhole", "soft", "warp", "tear", "seam", "dimple", "colour")


@stored("mark")
@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What the caster said happened, by switch, page, command or broker; `t` is when it happened."""

    t: float
    verb: str
    id: str = ""
    by: str = ""
    ttl_s: float | None = None
    cup: str | None = None
    pot: str | None = None
    mold: str | None = None
    pour: str | None = None
    load: str | None = None
    lot: str | None = None
    molds: tuple[str, ...] = ()
    a_g: float | None = None
    b_g: float | None = None
    mold_c: float | None = None
    code: str | None = None
    shelve_s: float | None = None
    feel: str | None = None
    grade: str | None = None
    cause: str | None = None
    text: str | None = None


@dataclass(frozen=True, slots=True)
class Status:
    """A source came up or went down, and why; with `lost`, so many of its bad lines were counted and not kept."""

    t: float
    source: str
    up: bool
    why: str = ""
    lost: int = 0


@dataclass(frozen=True, slots=True)
class News:
    """What the shell has to say of itself: `active` as the trouble begins (or has happened), not as it ends.

    journal: the log is not written.  journal-changed: it was set aside or begun anew.  listener: no phone listens.
    contested: another client uses the bench's name at the broker.
    """

    t: float
    what: Literal["journal", "journal-changed", "listener", "contested"]
    active: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Gap:
    """The bench was not watched from `since` to `t`; no ticks are stepped over it."""

    t: float
    since: float
    why: str
    lost: int = 0


@dataclass(frozen=True, slots=True)
class ClockStep:
    """The wall clock moved: wall = bench time + offset_s from here on."""

    t: float
    offset_s: float


@dataclass(frozen=True, slots=True)
class Context:
    """What the core may know besides readings; written at start and on every change (see core/bench.py for shapes)."""

    t: float
    config: Json
    shelf: Json
    resins: Json
    learned: Json
    utc_offsets: tuple[tuple[float, float], ...]
    version: str
    hash: str


@dataclass(frozen=True, slots=True)
class Table:
    """A finished section table, computed outside the step and handed in like any other input."""

    t: float
    resin: str
    hash: str
    table: Json


Input = Line | RawLine | Mark | Status | News | Gap | ClockStep | Context | Table


@stored("reading")
@dataclass(frozen=True, slots=True)
class Reading:
    """What one sensor said: `value` in the core's unit (None when faulty), `raw` as the board sent it.

    `role` says what it measures, `of` the cup, pot or mold it belongs to ("" for the room).
    """

    t: float
    channel: str
    role: str
    of: str
    value: float | None
    raw: float | None
    quality: Quality = Quality.GOOD
    why: str = ""


@dataclass(frozen=True, slots=True)
class Tick:
    """A whole second of bench time went by."""

    t: float


# ------------------------------------------------------------------------------------------------------------- findings


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What a watcher or a book concluded at `t`.  A *condition* also has `active`: it begins, or ends."""

    finding: ClassVar[str] = ""
    t: float
    subject: Subject


# -- pours and loads (from core/casting/pour.py and core/casting/load.py)


@dataclass(frozen=True, slots=True, kw_only=True)
class PourStarted(Finding):
    """A has met B at `mix_t`; `inferred` when no mark said so; `assumed` is what a bare press took for granted."""

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
    """A later mark changed what is known of an open pour; fields as they now stand."""

    finding: ClassVar[str] = "pour_revised"


@dataclass(frozen=True, slots=True, kw_only=True)
class MoldPoured(Finding):
    """One mold (subject.mold) is filled; `left` molds of this pour still wait."""

    finding: ClassVar[str] = "mold_poured"
    left: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PourEnded(Finding):
    finding: ClassVar[str] = "pour_ended"
    why: Literal["marked", "demolded", "timeout", "no_cure", "undone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadClosed(Finding):
    finding: ClassVar[str] = "load_closed"
    pours: tuple[str, ...]
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadOpened(Finding):
    finding: ClassVar[str] = "load_opened"
    pours: tuple[str, ...]
    number: int


# -- the cure (from watchers kick, pace, hold, demold)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchWeighed(Finding):
    """A and B stand on the scale, before their mix; ratio_error: too much B (0.11 = 11 %) by the lot's label."""

    finding: ClassVar[str] = "batch_weighed"
    a_g: float
    b_g: float
    ratio_error: float | None
    side: Literal["good", "too-much-b", "too-little-b"]
    lot: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CupReacting(Finding):
    """The cup heats itself though no pour is open: evidence from which a pour is inferred; A met B about `mix_t`."""

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
    basis: Literal["label", "curve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kicked(Finding):
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
    finding: ClassVar[str] = "cup_peaked"
    at: float
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CupHot(Finding):
    """The residue stands above 100 C (`active`), a burn and fire risk in a bin."""

    finding: ClassVar[str] = "cup_hot"
    temp_c: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class KickOverdue(Finding):
    finding: ClassVar[str] = "kick_overdue"
    expected_by: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NoCure(Finding):
    """No self-heating by three pot lives."""

    finding: ClassVar[str] = "no_cure"


@dataclass(frozen=True, slots=True, kw_only=True)
class CupOdd(Finding):
    finding: ClassVar[str] = "cup_odd"
    what: Literal["cool", "hot", "slow", "fast"]
    expected: float
    got: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelDoubtful(Finding):
    """The cup's curve needs a resin so unlike its label that resin, lot or label must be wrong; times from mix [s]."""

    finding: ClassVar[str] = "label_doubtful"
    what: Literal["slow", "fast"]
    expected: float
    likely: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LastMold(Finding):
    """Time to stop starting new molds, so that the lid is on by `lid_by`."""

    finding: ClassVar[str] = "last_mold"
    lid_by: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LidNow(Finding):
    """Lid and air must start now for the pot to be up by `fill_by`."""

    finding: ClassVar[str] = "lid_now"
    fill_by: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureLate(Finding):
    """The pot is projected to be up after the kick's early end, the cup's or its thickest mold's."""

    finding: ClassVar[str] = "pressure_late"
    projected_at: float
    kick_early: float
    rising: bool
    active: bool
    limit: Literal["cup", "mold"] = "cup"


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldForecast(Finding):
    """When the load's thinnest mold will be past gel with margin and the resin's least hold served."""

    finding: ClassVar[str] = "hold_forecast"
    at: float
    basis: Literal["label", "curve", "learned"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldComplete(Finding):
    finding: ClassVar[str] = "hold_complete"
    since: float
    min_kpa: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoldForecast(Finding):
    """[early, likely, late] of when a mold's part is green (None if it is to be pulled hard only), when hard, and when
    all of it is past gel (None if only a rule of thumb is known).  kick_share: its thick section's kick over the
    cup's, times from the mix; below 1 the mold kicks first, and the pressure must be up before that."""

    finding: ClassVar[str] = "demold_forecast"
    mold: str
    green_at: tuple[float, float, float] | None
    hard_at: tuple[float, float, float]
    basis: Literal["label", "curve", "learned"]
    gel_at: tuple[float, float, float] | None = None
    kick_share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoldReady(Finding):
    """A mold's part is due; `going-hard` says that the green stage is ending."""

    finding: ClassVar[str] = "demold_ready"
    mold: str
    stage: Literal["green", "going-hard", "hard"]
    limit: Literal["thin", "thick"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPulled(Finding):
    """A part came out after_s after the mix and felt like `feel`: what it teaches of its mold.  green_s, hard_s: the
    model's own times for it; log_bias, sd: ln of the mold's factor on them as now believed, and its doubt."""

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
    """Pressure rises, told anew every few seconds; `projected_at`: when it will be at the floor, by this pot's own past
    fills at first, then by its present pace; None while neither is known, and above the floor."""

    finding: ClassVar[str] = "pot_filling"
    kpa: float
    kpa_per_min: float
    projected_at: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PotNotFilling(Finding):
    """No pressure comes: filling stalled below the floor, or never began once it was due, `for_s` ago."""

    finding: ClassVar[str] = "pot_not_filling"
    kpa: float
    for_s: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PotAtPressure(Finding):
    """First time at or above the floor for 5 s; `since` is where those seconds began; margin to the likely kick."""

    finding: ClassVar[str] = "pot_at_pressure"
    kpa: float
    since: float
    margin_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PotJet(Finding):
    """Air rushes in so fast that its jet may blow resin out of an open mold."""

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
class PotIsolated(Finding):
    finding: ClassVar[str] = "pot_isolated"
    since: float
    by: Literal["mark", "seen"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PotHold(Finding):
    """The leak verdict of this minute; `smallest_seen` is the leak that would have shown by now; `why`: what keeps it
    from saying more.  "no-leak-seen": nothing falls, but nobody knows that the inlet is shut, so it proves nothing."""

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
    """How the regulator feeds a pot that is held open to its air, from its last teeth: the time of one [s], the share
    of it that air flows (duty), how many an hour, the set-point they reach, its drift, and the leak they replace."""

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
class PotFloorAhead(Finding):
    """A shut pot will reach its floor while its molds still need it, by leak, cooling or both: how likely that is
    (chance, 0 to 1), when at the likeliest, and when the need ends (None: not known)."""

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
    finding: ClassVar[str] = "pot_below_floor"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotOverLimit(PotLimitFinding):
    finding: ClassVar[str] = "pot_over_limit"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotOverRelief(PotLimitFinding):
    finding: ClassVar[str] = "pot_over_relief"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotCreeping(PotLimitFinding):
    finding: ClassVar[str] = "pot_creeping"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotLettingGo(PotLimitFinding):
    finding: ClassVar[str] = "pot_letting_go"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefLifted(Finding):
    """The relief valve was seen to let air out near its mark (`limit_kpa`) and to shut again; `kpa` where it lifted."""

    finding: ClassVar[str] = "relief_lifted"
    kpa: float
    limit_kpa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeDropped(PotLimitFinding):
    """The gauge fell faster than this pot can vent: it may be full all the same."""

    finding: ClassVar[str] = "gauge_dropped"


@dataclass(frozen=True, slots=True, kw_only=True)
class PotVenting(Finding):
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
    """The gauge reads near zero; that proves nothing, the dial, the bleed and the hiss do."""

    finding: ClassVar[str] = "pot_vented"
    kpa: float
    near_zero: bool
    vent_s: float | None


# -- the air, the sensors, the watch itself


@dataclass(frozen=True, slots=True, kw_only=True)
class AirFinding(Finding):
    """Shared shape of the air's conditions.  water_mg, co2_ml: order of magnitude of the water one fill would leave in
    the pot, and of the gas if all of it met part A; None where no fill is meant."""

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
    """Room humidity above the warning (level "warn") or the hold-off line (level "hold-off")."""

    finding: ClassVar[str] = "room_damp"
    level: Literal["warn", "hold-off"]


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
    """The room has been damp for `for_s` while these lots stood opened: capped or not, no probe can tell."""

    finding: ClassVar[str] = "lots_damp"
    lots: tuple[str, ...]
    rh_pct: float
    for_s: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroDrifted(Finding):
    """A vented pot's gauge stands steadily off zero: drift, or pressure left.  Only an open bleed tells which; benchd
    never takes it for zero by itself."""

    finding: ClassVar[str] = "zero_drifted"
    kpa: float
    for_s: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PortClogged(Finding):
    """The pot's gauge climbs so slowly and smoothly that its port may be clogged or its tap shut."""

    finding: ClassVar[str] = "port_clogged"
    kpa: float
    kpa_per_min: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TapOnHose(Finding):
    """The gauge rose faster than any pot fills: it may sit on the hose, not in the pot's lid."""

    finding: ClassVar[str] = "tap_on_hose"
    kpa: float
    for_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSilent(Finding):
    """No reading from subject.channel for longer than it should take."""

    finding: ClassVar[str] = "sensor_silent"
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault(Finding):
    finding: ClassVar[str] = "sensor_fault"
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorBack(Finding):
    """Ten seconds of good data after silent or fault."""

    finding: ClassVar[str] = "sensor_back"
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WatcherFailed(Finding):
    """A watcher raised and is fenced off for this subject until its next pour or load."""

    finding: ClassVar[str] = "watcher_failed"
    watcher: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchNotice(Finding):
    """Something about the bench itself, told by the engine: lines dropped, a clock step, a gap, a board reset."""

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

# ------------------------------------------------------------------------------------------------------- what comes out


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert's state: is its condition on, has it been heard.  Emitted at every change of either."""

    t: float
    alert: str
    active: bool
    heard: bool
    priority: int
    subject: Subject
    shelved_until: float | None = None
    value: float | None = None
    limit: float | None = None
    text: str = ""


@stored("utterance")
@dataclass(frozen=True, slots=True, kw_only=True)
class Utterance:
    """What the caster hears now; never delivered after `say_until`."""

    t: float
    say: str
    priority: int
    tone: str
    say_until: float
    subject: Subject
    code: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """The present state of one pour, pot or mold, for retained topics and the page."""

    t: float
    of: Literal["pour", "pot", "mold"]
    id: str
    body: Json = field(hash=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkAnswer:
    """Whether a mark was taken, and why not (or what was assumed)."""

    t: float
    id: str
    verb: str
    ok: bool
    why: str


Effect = Finding | Alert | Utterance | Card | MarkAnswer | Reading
Event = Reading | Mark | Finding | Tick | Table
