"""The one table of phrases: what is said, when, how urgently, and what ends it.

A *phrase* responds to one finding.  Kind "alarm": a condition with two axes (active, heard) after ISA-18.2 / IEC 62682,
repeated until heard or over.  Kind "call": said once, has no state.  Kind "log": shown, never spoken.  `when` names a
predicate of situation.py; an alarm is active while its condition *and* its predicate hold.  Words: thing, state,
action; at most 60 characters; never a permission, never more than a sensor can know.  Basis of every row: common
practice, no source, unless `basis` says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from benchd.core.findings import Finding
from benchd.stored import stored

Kind = Literal["alarm", "call", "log"]


@stored("phrase")
@dataclass(frozen=True, slots=True)
class Phrase:
    """One row: a finding's words.

    `rank` orders alarms and calls of one priority (lower first); `ends_on`: other findings that end it; `times` limits
    quick repeats, after which it is said every 3 min; `mid_pour` lets a call through mid-pour; `lasts_s`: how long a
    notice of something that has no end is shown after the last one; `says_for`: a P1's later repeats say how long it
    lasts; `behind`: alarms of the same pot behind which this one waits unspoken; `patient`: a call that a
    pour hushes is said when the hush ends; `stale_s`: how long a call may wait for its turn; `calm`: said only while no
    alarm of priority 1 or 2 stands."""

    code: str
    finding: str
    priority: Literal[1, 2, 3, 4]
    kind: Kind
    words: str
    when: str = "always"
    clear: str = ""
    ends_on: tuple[str, ...] = ()
    rank: int = 5
    times: int = 0
    mid_pour: bool = False
    tone: str = ""
    merge: str = ""
    lasts_s: float = 0.0
    says_for: bool = True
    behind: tuple[str, ...] = ()
    patient: bool = False
    stale_s: float = 30.0
    calm: bool = False
    basis: str = "common practice, no source"

    @property
    def sound(self) -> str:
        """The tone that precedes the words."""
        return self.tone or {1: "alarm", 2: "attention", 3: "chime", 4: ""}[self.priority]


TextOf = Callable[[Phrase, Sequence[Finding]], str]
"""Turns a phrase and its findings into words (core/wording.py)."""

_OVER = ("pour_ended", "load_opened")

AWAY = ("pot-over-relief", "pot-letting-go", "gauge-dropped")
"""Alarms that send a person away from a pot: what sends him to it waits while one of them stands."""
_LOSING = (*AWAY, "pot-losing")
_LEAKING = (*_LOSING, "pot-leaking-fast")
"""While a pot leaks fast, its own sentence says that it is low: two that take turns are one too many."""

PHRASES: tuple[Phrase, ...] = (
    # priority 1: overpressure, lid or hose failing, blind gauge, deadlines
    Phrase("pot-over-relief", "pot_over_relief", 1, "alarm",
           "Relief not lifting. Get clear. Cut air at the compressor.", rank=0, clear="pressure below relief + 2 psi"),
    Phrase("pot-over-limit", "pot_over_limit", 1, "alarm", "Pot over pressure. Shut the air off.", rank=1, behind=AWAY,
           clear="pressure below the limit", basis="limit 10 % under the pot's mark: published and common practice"),
    Phrase("pot-letting-go", "pot_letting_go", 1, "alarm", "Pot letting go. Stand clear.", rank=2,
           clear="near zero, or the fall has stopped for 30 s", ends_on=("load_opened",), basis="15 psi/min: computed"),
    Phrase("pot-losing", "pot_losing", 1, "alarm", "Pot losing pressure. Bleed open?", rank=3, behind=AWAY,
           clear="a mark, near zero, or the fall has stopped", ends_on=("load_opened",)),
    Phrase("gauge-dropped", "gauge_dropped", 1, "alarm", "Gauge fell too fast. Don't open, pot may hold pressure.",
           rank=3, clear="heard, and good data for 10 s"),
    Phrase("pot-blind", "sensor_fault", 1, "alarm", "Pot gauge blind. Watch the dial.", "pot_needed", rank=4, times=3,
           clear="good data for 10 s", ends_on=("sensor_back",), behind=AWAY),
    Phrase("pot-blind", "sensor_silent", 1, "alarm", "Pot gauge blind. Watch the dial.", "pot_needed", rank=4, times=3,
           clear="good data for 10 s", ends_on=("sensor_back",), behind=AWAY),
    Phrase("board-gone", "board_gone", 1, "alarm", "{Board} gone. {Instead}.", "board_needed", rank=4, times=3,
           clear="good data for 10 s"),
    Phrase("pot-watch-failed", "watcher_failed", 1, "alarm", "Pot watch failed. Watch the dial.", "about_a_pot", rank=4,
           times=3, clear="the pot's next load", ends_on=("load_closed", "load_opened")),
    Phrase("cup-kicking", "kicked", 1, "alarm", "Cup is kicking. Set it down, step back.", "pouring", rank=5,
           clear="the cup has peaked", ends_on=("cup_peaked", "load_closed", "pour_ended"), mid_pour=True),
    Phrase("pot-leaking-fast", "pot_leaking", 1, "alarm", "{Leak} Hands off clamps.", "fast_before_gel",
           rank=6, clear="pressure stable for 30 s", ends_on=("load_opened",), behind=_LOSING),
    Phrase("pot-below-floor", "pot_below_floor", 1, "alarm", "Pot low, {number}. Add air.", "low_before_gel",
           rank=7, clear="pressure at the floor, or air comes in", ends_on=("load_opened", "hold_complete"),
           behind=_LEAKING),
    Phrase("pressure-late", "pressure_late", 1, "alarm", "{Late}", rank=8, clear="at pressure, or the kick", times=3,
           behind=AWAY, ends_on=("pot_at_pressure", "kicked", "pour_ended"), says_for=False),
    Phrase("cup-blind", "sensor_fault", 1, "alarm", "Cup probe lost. Use the timer.", "cup_needed", rank=9, times=3,
           clear="good data for 10 s", ends_on=("sensor_back",)),
    Phrase("cup-blind", "sensor_silent", 1, "alarm", "Cup probe lost. Use the timer.", "cup_needed", rank=9, times=3,
           clear="good data for 10 s", ends_on=("sensor_back",)),
    # priority 2
    Phrase("kicked-filling", "kicked", 2, "alarm", "Cup kicked. Keep filling.", "kick_while_filling",
           clear="at pressure, or the load closes", ends_on=("pot_at_pressure", *_OVER), mid_pour=True, behind=AWAY),
    Phrase("kicked-unpressed", "kicked", 2, "alarm", "Cup kicked, no pressure. Thin molds may still take it.",
           "kick_before_lid", clear="at pressure, or the pour ends", ends_on=("pot_at_pressure", *_OVER),
           mid_pour=True),
    Phrase("floor-ahead", "pot_floor_ahead", 2, "alarm", "{Floor} to floor. Top up.", "before_gel",
           clear="the slope is gone, or the need", ends_on=("load_opened", "hold_complete"), behind=_LEAKING,
           basis="sim: a chance of 0.8"),
    Phrase("pot-not-filling", "pot_not_filling", 2, "alarm", "{Stall}. Inlet, hose, bleed.", "before_gel",
           clear="pressure rises", ends_on=("pot_at_pressure", *_OVER), mid_pour=True, behind=AWAY),
    Phrase("pot-jet", "pot_jet", 2, "alarm", "Filling too fast. Slow the air.", clear="the rise slows",
           ends_on=("pot_at_pressure", *_OVER), mid_pour=True, behind=AWAY),
    Phrase("pot-creeping", "pot_creeping", 2, "alarm", "Pot creeping up. Shut the inlet.", clear="pressure flat",
           ends_on=("load_opened", "pot_isolated"), behind=(*AWAY, "pot-over-limit")),
    Phrase("vent-early", "pot_venting", 2, "alarm", "Close the bleed. {Hold}.", "before_hold",
           clear="the fall stops, or the load ends", ends_on=("load_opened", "hold_complete", "pot_vented"),
           behind=_LOSING),
    Phrase("vent-too-fast", "vent_too_fast", 2, "alarm", "Venting too fast. Vent slowly.",
           clear="the fall slows, or the pot is vented", ends_on=("pot_vented", "load_opened"),
           behind=(*AWAY, "vent-early")),
    Phrase("watch-partly-blind", "watcher_failed", 2, "alarm", "Part of the watch failed. Look at the page.",
           "not_about_a_pot", clear="mended", ends_on=("pour_started",)),
    Phrase("journal-failing", "bench_notice", 2, "alarm", "Log is not being saved. Look at the page.", "notice_journal",
           clear="the journal writes again"),
    Phrase("no-listener", "bench_notice", 2, "alarm", "No phone is listening. Look at the page.", "notice_listener",
           clear="a phone listens"),
    Phrase("name-contested", "bench_notice", 2, "alarm", "Two benches use one name. Look at the page.",
           "notice_contested", clear="nobody else uses the bench's name at the broker"),
    # priority 3: calls, said once
    Phrase("stop-stirring", "stop_stirring", 3, "call", "Stop stirring.", mid_pour=True, stale_s=5.0),
    Phrase("last-mold", "last_mold", 3, "call", "Last mold.", mid_pour=True),
    Phrase("lid-now", "lid_now", 3, "call", "{Lid}", mid_pour=True, behind=AWAY),
    Phrase("past-floor", "pot_at_pressure", 3, "call", "Past floor. Keep the air on.", "below_target", mid_pour=True,
           tone="beep", behind=AWAY),
    Phrase("pot-up", "pot_at_pressure", 3, "call", "Pot at pressure.", "found_up", mid_pour=True, tone="beep"),
    Phrase("at-pressure", "pot_filled", 3, "call", "At {number}. Shut it when it's steady.", "to_be_shut",
           mid_pour=True, tone="beep", behind=AWAY),
    Phrase("at-pressure", "pot_filled", 3, "call", "At pressure, {number}.", "to_be_fed", mid_pour=True, tone="beep",
           behind=AWAY),
    Phrase("cools-low", "pot_filled", 3, "call", "At {number}. Cools below floor. Keep the air on.", "settles_low",
           mid_pour=True, tone="beep", behind=AWAY, basis="gas cooling at constant volume: computed"),
    Phrase("kick-in-time", "kicked", 3, "call", "{Kick}", "kick_after_pressure", patient=True),
    Phrase("kick-unread", "kicked", 3, "call", "Cup kicked. Gauge in doubt, read the dial.", "kick_unread",
           mid_pour=True, behind=AWAY),
    Phrase("hold-done", "hold_complete", 3, "call", "Load {load} hold done. Mask on, vent slowly.",
           behind=AWAY, patient=True),
    Phrase("hold-lost", "hold_lost", 3, "call", "Hold lost. Expect bubbles: {Molds}.", behind=AWAY, patient=True),
    Phrase("vented", "pot_vented", 3, "call", "Gauge near zero. Check dial, bleed and hiss.", "near_zero",
           behind=AWAY, patient=True),
    Phrase("part-due-green", "demold_ready", 3, "call", "{molds} due. Pull while green.", "stage_green", merge="green",
           patient=True),
    Phrase("part-going-hard", "demold_ready", 3, "call", "{molds} going hard. Now, or warm later.", "stage_going_hard",
           merge="going-hard", patient=True),
    Phrase("part-test", "demold_ready", 3, "call", "{molds} ready to test. Try the sprue first.", "stage_test",
           merge="test", patient=True),
    Phrase("part-due", "demold_ready", 3, "call", "{molds} due. Try the sprue first.", "stage_hard", merge="hard",
           patient=True),
    Phrase("part-lost", "demold_ready", 3, "call", "Hold lost. Expect bubbles: {Molds}.", "hold_was_lost", merge="lost",
           patient=True),
    Phrase("cup-odd", "demold_ready", 3, "call", "Cup ran {odd}. Test before demolding.", "cup_ran_odd", merge="odd",
           patient=True),
    Phrase("cup-hot", "cup_hot", 3, "call", "Cup over one hundred. Don't bin it.", "is_active", rank=6, patient=True),
    Phrase("cup-probe-slow", "cup_probe_slow", 3, "call", "Cup probe too slow for a kick.", mid_pour=True),
    Phrase("no-cure", "no_cure", 3, "call", "No cure seen. This pour is no longer watched.", "a_marked_pour"),
    Phrase("room-damp", "room_damp", 3, "call", "Humidity {rh}. Cap the resin.", "damper_before_a_load", rank=9,
           basis="50 % and 60 %: published and common practice"),
    Phrase("air-wet", "air_wet", 3, "call", "Tank air {is} wet. Dump and refill before filling.", "before_a_load",
           rank=9, merge="air", patient=True, basis="condensation at pressure: computed"),
    Phrase("too-much-b", "batch_weighed", 3, "call", "B is over by {share} percent. Add A to match.",
           "too_much_b", basis="2 %: published"),
    Phrase("too-little-b", "batch_weighed", 3, "call", "B is short by {share} percent. Pour more B.",
           "too_little_b", basis="2 %: published"),
    Phrase("mold-wet", "mold_wet", 3, "call", "Mold below dew point. Warm it.", "before_a_load", rank=9, patient=True,
           basis="dew point: computed"),
    Phrase("port-clogged", "port_clogged", 3, "call", "Gauge hardly moves. Check its tap and the dial.", "is_active",
           mid_pour=True),
    Phrase("tap-on-hose", "tap_on_hose", 3, "call", "Gauge may be on the hose. Check its tap.", mid_pour=True),
    # priority 4: shown, never spoken
    Phrase("relief-lifted", "relief_lifted", 4, "log", "{Pressure}: relief lifted.", ends_on=("load_opened",)),
    Phrase("zero-drifted", "zero_drifted", 4, "log", "Gauge off zero. Bleed open? Then calibrate zero."),
    Phrase("lots-damp", "lots_damp", 4, "log", "Damp for an hour. Are the resins capped?"),
    Phrase("pot-leaking-slowly", "pot_leaking", 4, "log", "Slow leak. Gasket, clamps, fittings after this load.",
           "slow", ends_on=("load_opened",)),
    Phrase("leak-last-load", "load_leaked", 3, "call", "Slow leak last load. Check the gasket.", patient=True),
    Phrase("post-cure", "post_cure_due", 3, "call", "Post-cure {Molds}: {heat}.", patient=True,
           basis="the resin's own label"),
    Phrase("prep-dry", "prep_due", 3, "call", "Dry {Molds} now.", "step_dry", rank=9, merge="prep-dry", patient=True,
           calm=True),
    Phrase("prep-spray", "prep_due", 3, "call", "Release spray on {Molds} now.", "step_spray", rank=9,
           merge="prep-spray", patient=True, calm=True),
    Phrase("prep-talc", "prep_due", 3, "call", "Talc {Molds} now.", "step_talc", rank=9, merge="prep-talc",
           patient=True, calm=True),
    Phrase("prep-warm", "prep_due", 3, "call", "Warm {Molds} now.", "step_warm", rank=9, merge="prep-warm",
           patient=True, calm=True),
    Phrase("prep-weigh", "prep_due", 3, "call", "Weigh load {next} now.", "step_weigh", rank=9, patient=True,
           calm=True),
    Phrase("prep-tank", "prep_due", 3, "call", "Drain the tank now.", "step_tank", rank=9, patient=True, calm=True),
    Phrase("prep-later", "prep_put_off", 3, "call", "Load {next} is later. Its prep can wait.", "prep_later", rank=9,
           patient=True, calm=True),
    Phrase("prep-changed", "prep_put_off", 3, "call", "The plan changed. Look at its steps.", "prep_changed", rank=9,
           patient=True, calm=True),
    Phrase("lay-flat", "part_to_support", 3, "call", "Lay {molds} flat until hard.", merge="flat", patient=True,
           basis="sag of a beam under its own weight, at a stiffness that is common practice"),
    Phrase("oven-out", "oven_due", 3, "call", "Out of the oven: {Molds}.", patient=True,
           basis="the resin's own label"),
    Phrase("watch-yours", "watch_handed", 3, "call", "{Yours}", mid_pour=True),
    Phrase("shut-inlet", "pot_steady", 3, "call", "Steady. Shut the inlet.", behind=AWAY),
    Phrase("mixed-cold", "mixed_cold", 3, "call", "Mixed cold. Thin parts need longer.", patient=True),
    Phrase("cup-unlike-label", "label_doubtful", 3, "call", "Cup unlike its label. Right lot?", patient=True,
           basis="model: 3 in 100 right labels are doubted"),
    Phrase("gasket-to-check", "load_leaked", 4, "log", "Leaked slowly. Gasket, clamps, fittings; then leaktest.",
           clear="the pot's next load", ends_on=("load_closed",)),
    Phrase("kick-overdue", "kick_overdue", 4, "log", "Kick overdue.", ends_on=("kicked", "pour_ended")),
    Phrase("cup-found-hot", "cup_found_hot", 4, "log", "Cup hot, no mix known.",
           ends_on=("pour_started", "cup_peaked")),
    Phrase("label-doubtful", "label_doubtful", 4, "log", "Cup not curing as labelled. Right lot?",
           ends_on=("pour_ended",), basis="model: 3 in 100 right labels are doubted"),
    Phrase("sensor-silent", "sensor_silent", 4, "log", "{channel} silent.", "not_needed", ends_on=("sensor_back",)),
    Phrase("sensor-fault", "sensor_fault", 4, "log", "{channel} faulty.", "not_needed", ends_on=("sensor_back",)),
    Phrase("board-silent", "board_gone", 4, "log", "{Board} silent.", "board_silent", clear="good data for 10 s"),
    Phrase("unchecked-lines", "bench_notice", 4, "log", "Board sends no checksum.", "notice_unchecked"),
    Phrase("lines-dropped", "bench_notice", 4, "log", "Board lines lost or damaged.", "notice_lines",
           clear="two minutes without another", lasts_s=120.0),
    Phrase("board-reset", "bench_notice", 4, "log", "Board restarted.", "notice_reset",
           clear="an hour after it", lasts_s=3600.0),
    Phrase("source-down", "bench_notice", 4, "log", "{Board} gone.", "source_not_needed",
           clear="the source is up"),
    Phrase("log-changed", "bench_notice", 4, "log", "Watch or log restarted. Something may be missing.",
           "notice_journal_changed", clear="an hour after it", lasts_s=3600.0),
    Phrase("watch-gap", "bench_notice", 4, "log", "Bench was not watched for a while.", "notice_gap",
           clear="an hour after it", lasts_s=3600.0),
    Phrase("clock-step", "bench_notice", 4, "log", "Computer's clock was changed.", "notice_clock",
           clear="an hour after it", lasts_s=3600.0),
)  # fmt: skip


def phrases_for(finding: str) -> tuple[Phrase, ...]:
    """The rows for a kind of finding, most urgent first."""
    return _BY_FINDING.get(finding, ())


_BY_FINDING: dict[str, tuple[Phrase, ...]] = {
    kind: tuple(p for p in PHRASES if p.finding == kind) for kind in dict.fromkeys(p.finding for p in PHRASES)
}

ENDED_BY: dict[str, tuple[str, ...]] = {
    kind: tuple(dict.fromkeys(p.code for p in PHRASES if kind in p.ends_on))
    for kind in dict.fromkeys(k for p in PHRASES for k in p.ends_on)
}
"""Kind of finding -> codes of the alarms it ends."""
