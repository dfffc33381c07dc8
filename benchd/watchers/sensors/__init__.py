"""Watches whether each sensor can be believed: whether it delivers readings, plausible and not stuck.

Silence is published after five periods; a fault (open, short, out of range, no number) or an impossible jump only once
it has lasted, so that one spike from a compressor's switch is no fault; trouble ends after ten seconds of good data.
Channels lost together with their board are one finding about the board (boards.py); each one's own names the board.

A stuck value is the difficult case: a pot that holds, or a coarse probe in still air, rightly repeats its value for
minutes. Two things prove a value dead.  (1) It lately showed noise wider than its own step, as jumps of two steps and
back, and has then repeated one value for longer than such noise can.  (2) A cup was climbing and stopped from one
reading to the next; a peak cannot: where T = Tp - c t^2 stays within one step for 60 s, it rose 1.5 steps at most in
the 30 s before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pydantic import BaseModel, ConfigDict

from benchd.core.bench import ROLES
from benchd.core.findings import (
    BoardGone,
    CupPeaked,
    Event,
    Finding,
    PourEnded,
    PourStarted,
    SensorBack,
    SensorFault,
    SensorSilent,
)
from benchd.core.model import Quality, Reading, Subject, Tick
from benchd.core.seat.watcher import Place, Reads
from benchd.stored import stored
from benchd.watchers.sensors.boards import Boards
from benchd.watchers.sensors.ear import Ear, ear_of

SCOPE = "bench"
ORDER = 0
READS = Reads(roles=tuple(ROLES), findings=(PourStarted, CupPeaked, PourEnded), ticks=True, all_qualities=True)
EMITS = (SensorSilent, SensorFault, SensorBack, BoardGone)

DOUBT_WEIGHS = 0.2  # a value marked suspect counts a fifth: it becomes a fault after five times the time


@stored("sensors-settings")
class Settings(BaseModel):
    """When a sensor is no longer believed."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    silent_s: float = 5.0  # common practice, no source: a caster looks at the dial every few seconds while filling
    silent_periods: float = 5.0  # common practice: four lost lines in a row are bad luck, five are not
    never_heard_s: float = 30.0  # common practice: a board boots and joins a network in less
    fault_after_s: float = 2.0  # a relay's spark lasts milliseconds; a cup's window is tens of seconds
    good_again_s: float = 10.0  # the alert table's "good data 10 s"
    relapse_s: float = 60.0  # common practice: one that is lost again within it has a loose contact
    relapse_factor: float = 3.0  # each time it has to be good for so much longer, at most relapse_s
    cup_step_c: float = 60.0  # a bare quick probe put into a cup at its peak, common practice
    cup_rate_c_per_s: float = 40.0  # ten times the steepest measured kick (3.6 C/s), for the same probe
    pot_step_kpa: float = 150.0  # a tenth of a second of the opened drain
    pot_rate_kpa_per_s: float = 300.0  # 13 l through 8 mm empties in 2.5 s: 260 kPa/s at its start (calculated)
    cup_stuck_s: float = 60.0  # derived in this file's docstring
    pot_stuck_s: float = 120.0  # twice that: the pot's noise also comes and goes with the compressor


@stored("sensors")
@dataclass(slots=True, init=False)
class Sensors:
    """The watcher of all sensors, one `Ear` for each channel; its rules are in this file's docstring."""

    settings: Settings
    where: Subject
    ears: dict[str, Ear]
    mixed: dict[str, float]
    """Cup -> mix_t while it should be reacting."""
    cups: tuple[str, ...]
    boards: Boards
    start_t: float | None
    tick_t: float | None

    def __init__(self, settings: Settings, place: Place) -> None:
        self.settings = settings
        self.where = place.subject
        self.ears = {c.id: ear_of(c, place) for c in place.bench.channels}
        self.mixed = {}
        self.cups = tuple(c.of for c in place.bench.channels if c.role == "cup_temperature")
        self.boards = Boards()
        self.start_t = None
        self.tick_t = None

    def see(self, event: Event) -> Sequence[Finding]:
        """The findings that follow from one event."""
        match event:
            case Reading() if event.channel in self.ears:
                if self.start_t is None:
                    self.start_t = event.t
                return self._hear(self.ears[event.channel], event)
            case Tick():
                return self._listen(event.t)
            case PourStarted() if event.subject.cup in self.cups:
                self.mixed[event.subject.cup or ""] = event.mix_t
            case CupPeaked() | PourEnded():
                self.mixed.pop(event.subject.cup or "", None)
        return ()

    # ------------------------------------------------------------------------------------------------------- silence

    def _listen(self, t: float) -> list[Finding]:
        self._forgive_gap(t)
        for ear in self.ears.values():
            self._left_behind(ear, t)
        return [found for ear in self.ears.values() if not ear.silent for found in self._silence(ear, t)]

    def _left_behind(self, ear: Ear, t: float) -> None:
        """A channel that stays silent though its board is back is now lost for a reason of its own."""
        if ear.with_board and ear.good_since is None and not self.boards.name_of(ear.channel):
            ear.silent = ear.silent and t - (ear.heard_t or t) < self._patience_s(ear)

    def _forgive_gap(self, t: float) -> None:
        """A late tick means that benchd slept, not the sensors: that time does not count as silence."""
        if self.start_t is None:
            self.start_t = t
        slept_s = 0.0 if self.tick_t is None else t - self.tick_t - 1.0
        self.tick_t = t
        if slept_s <= 1.0:
            return
        self.start_t = min(self.start_t + slept_s, t)
        for ear in self.ears.values():
            if ear.heard_t is not None:
                ear.heard_t = min(ear.heard_t + slept_s, t)

    def _silence(self, ear: Ear, t: float) -> list[Finding]:
        if ear.heard_t is None:
            if t - (self.start_t or t) < self.settings.never_heard_s:
                return []
            why = "never heard from"
        else:
            quiet_s = t - ear.heard_t
            if quiet_s < self._patience_s(ear):
                return []
            why = f"no reading for {quiet_s:.0f} s"
        ear.silent, ear.good_since = True, None
        self._lose(ear, t)
        board, told = self._board(ear, t, why, is_down=False)
        return [*told, SensorSilent(t=t, subject=ear.subject, why=why, board=board)]

    def _board(self, ear: Ear, t: float, why: str, *, is_down: bool) -> tuple[str, list[Finding]]:
        """(the board this channel is lost with, "" if it is lost alone; the finding about it if that is new)."""
        board, told = self.boards.name_of(ear.channel), list[Finding]()
        if not board and (board := self.boards.lose(ear, self.ears.values(), t, is_down=is_down)):
            channels = {id: e.channel for id, e in self.ears.items()}
            told = [self.boards.finding(board, channels, self.where, t, why)]
        ear.with_board = bool(board)
        return board, told

    def _board_back(self, ear: Ear, t: float) -> list[Finding]:
        """A channel is heard, so its board is there: the others that went with it have the usual time to be heard."""
        ear.with_board, board = False, self.boards.name_of(ear.channel)
        if not board:
            return []
        channels = {id: e.channel for id, e in self.ears.items()}
        ended = replace(self.boards.finding(board, channels, self.where, t, "heard again"), active=False)
        for other in self.ears.values():
            if other.channel.id in ended.channels and other.with_board:
                other.heard_t = max(other.heard_t or t, t)
        del self.boards.gone[board]
        return [ended]

    def _patience_s(self, ear: Ear) -> float:
        return max(self.settings.silent_s, self.settings.silent_periods * ear.channel.period_s)

    # -------------------------------------------------------------------------------------------------------- faults

    def _hear(self, ear: Ear, reading: Reading) -> list[Finding]:
        """Judge one reading: bad time adds up, good time reduces it at a quarter of the rate."""
        t, most_s = reading.t, self.settings.fault_after_s / 2.0  # so that no single reading is a fault
        since_s = most_s if ear.heard_t is None else max(t - ear.heard_t, 0.0)
        if since_s >= self._patience_s(ear):
            ear.good_since = None
        ear.heard_t = t
        if reading.quality is Quality.SUSPECT:
            if not reading.why:
                return []
            since_s *= DOUBT_WEIGHS
        why, dead = self._complaint(ear, reading)
        is_down = reading.quality is Quality.FAULT and dead
        if why and ear.with_board and not is_down and not self.boards.name_of(ear.channel):
            ear.faulty, ear.silent, ear.with_board, ear.bad_s = False, True, False, 0.0  # its board is back, it is not
        told = [] if is_down or ear.silent or ear.faulty else self._board_back(ear, t)
        if not why:
            ear.bad_s = max(ear.bad_s - since_s / 4.0, 0.0)
            return [*told, *self._good(ear, t)]
        ear.bad_s = self.settings.fault_after_s if dead else ear.bad_s + min(since_s, most_s)
        ear.bad_s = min(ear.bad_s, 2.0 * self.settings.fault_after_s)
        ear.good_since = None
        if ear.faulty or ear.bad_s < self.settings.fault_after_s - 1e-6:
            return told
        ear.faulty = True
        self._lose(ear, t)
        board, gone = self._board(ear, t, why, is_down=is_down) if is_down else ("", list[Finding]())
        return [*told, *gone, SensorFault(t=t, subject=ear.subject, why=why, board=board)]

    def _lose(self, ear: Ear, t: float) -> None:
        """Lose a sensor; one that comes and goes is one blind probe, not many: it must be good for longer each time."""
        longer_s = ear.good_for_s * self.settings.relapse_factor
        relapsed = t - ear.back_t < self.settings.relapse_s
        ear.good_for_s = min(longer_s, self.settings.relapse_s) if relapsed else self.settings.good_again_s

    def _complaint(self, ear: Ear, reading: Reading) -> tuple[str, bool]:
        """(what is wrong with this reading or "", whether it has proved itself already)."""
        value = reading.value
        if reading.quality is not Quality.GOOD:
            return reading.why or "fault", reading.why.endswith(" gone")  # its source is down: no confirmation needed
        if value is None or not math.isfinite(value):
            return "not a number", False
        if self._jumps(ear, reading, value):
            return "jumps about", False
        raw = value if reading.raw is None or not math.isfinite(reading.raw) else reading.raw
        ear.still.see(reading.t, raw)
        stood_s = self._stuck_for_s(ear, reading.t, value)
        return (f"stuck for {stood_s:.0f} s", True) if stood_s else ("", False)

    def _jumps(self, ear: Ear, reading: Reading, value: float) -> bool:
        """Whether no cup or pot can have changed this much from the last believed value in the time since."""
        s, t = self.settings, reading.t
        match ear.channel.role:
            case "cup_temperature" | "mold_temperature":
                step, per_s = s.cup_step_c, s.cup_rate_c_per_s
            case "pot_pressure" | "tank_pressure":
                step, per_s = s.pot_step_kpa, s.pot_rate_kpa_per_s
            case _:
                return False
        since_s = max(t - ear.anchor_t, 0.0) + reading.t_doubt_s
        fits = ear.anchor is None or abs(value - ear.anchor) <= step + per_s * since_s
        if not fits and ear.agreed >= 2:
            return True
        ear.anchor, ear.anchor_t, ear.agreed = value, t, min(ear.agreed + 1, 2) if fits else 1
        return False

    def _stuck_for_s(self, ear: Ear, t: float, value: float) -> float:
        """How long the value has stayed the same [s], if that proves it dead; else 0."""
        still, stood_s = ear.still, t - ear.still.since
        still.dead = still.dead or self._proved_dead(ear, stood_s, value)
        return stood_s if still.dead else 0.0

    def _proved_dead(self, ear: Ear, stood_s: float, value: float) -> bool:
        still = ear.still
        if ear.channel.role == "pot_pressure" and value > 20.0:  # 3 psi; a gauge clamped at zero rightly does not move
            return stood_s >= self.settings.pot_stuck_s and still.count >= 300 and still.lively_before >= 0.1
        if ear.channel.role != "cup_temperature" or ear.channel.of not in self.mixed:
            return False
        noisy = still.count >= 60 and still.lively_before >= 0.03
        return stood_s >= self.settings.cup_stuck_s and (noisy or still.climb_steps >= 4.0)

    def _good(self, ear: Ear, t: float) -> list[Finding]:
        if not (ear.silent or ear.faulty):
            return []
        if ear.good_since is None:
            ear.good_since = t
        if t - ear.good_since < ear.good_for_s:
            return []
        why = "good data again" if ear.faulty else "heard again"
        ear.silent = ear.faulty = False
        ear.good_since, ear.bad_s, ear.back_t = None, 0.0, t
        return [SensorBack(t=t, subject=ear.subject, why=why), *self._board_back(ear, t)]


def make(settings: Settings, place: Place) -> Sensors:
    """The watcher of a bench's sensors."""
    return Sensors(settings, place)
