"""The books of what is open on the bench now: pours, loads, and what is known of a subject."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from benchd.core.alarm.situation import Situation, needs_cup, needs_pot
from benchd.core.bench import Bench
from benchd.core.bench.local_day import DAY_S
from benchd.core.casting.afterwards import Afterwards
from benchd.core.casting.facts import NEAR_ZERO_KPA, Facts
from benchd.core.casting.load import Load, LoadBook
from benchd.core.casting.people.watch import WatchBook
from benchd.core.casting.pour import Pour, PourBook
from benchd.core.casting.run_sheet import RunSheet
from benchd.core.findings import BatchWeighed, BoardGone, Finding, HoldForecast
from benchd.core.model import Card, Quality, Subject
from benchd.stored import stored

ATTENDED_S = 3600.0  # after a mix; common practice, no source
HEARD_S = 6.0  # interface: one reading in 5 s is heard


@stored("books")
@dataclass(slots=True, init=False)
class Books:
    """The bench as configured, the time, the open pours and loads, and the newest facts: one plain value."""

    bench: Bench
    now: float
    input_t: float
    """When the last input came [unix s]."""
    pours: PourBook
    loads: LoadBook
    facts: Facts
    sheet: RunSheet
    watch: WatchBook
    weighed: BatchWeighed | None
    """The batch weighed for the next mix."""
    noted: dict[str, float]
    """What notes have confirmed (core/casting/leaving.py), each with its latest time [unix s]."""
    after: Afterwards

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.now = 0.0
        self.input_t = 0.0
        self.pours = PourBook()
        self.loads = LoadBook()
        self.facts = Facts()
        self.sheet = RunSheet()
        self.watch = WatchBook()
        self.weighed = None
        self.noted = {}
        self.after = Afterwards()

    def tick(self, t: float) -> list[Finding]:
        """What the time t [unix s] alone brings: pours that are over, an oven whose time is."""
        return [*self.pours.tick(t, self.bench.id), *self.after.tick(t, self.bench)]

    @property
    def is_busy(self) -> bool:
        """Whether a pour or a load is open."""
        return bool(self.pours.open or self.loads.open)

    @property
    def is_pouring(self) -> bool:
        """Whether a cup was mixed that has not kicked yet."""
        return any(pour.kicked_t is None for pour in self.pours)

    @property
    def day(self) -> int:
        """Number of the local day."""
        return self.day_of(self.now)

    def day_of(self, t: float) -> int:
        """Number of the local day of t [unix s]."""
        return math.floor((t + self.bench.utc_offset_s(t)) / DAY_S)

    def changed_cards(self, t: float) -> list[Card]:
        """Cards that differ from the last ones published, at t [unix s]."""
        return self.facts.changed_cards(t, self.bench, self.pours, self.loads, self.watch.card)

    def count_alarm(self, subject: Subject) -> None:
        """Count an alarm (priority 1 or 2) that began for its load, or for its pour while that is in none."""
        load, pour = self.loads.of(subject.pot), self._pour_of(subject)
        if load is not None:
            load.alarms += 1
        elif pour is not None:
            pour.alarms += 1

    def is_quiet(self) -> bool:
        """Whether it is within the bench's quiet hours (local time)."""
        quiet = self.bench.quiet
        if quiet.start_min == quiet.end_min:
            return False
        minute = ((self.now + self.bench.utc_offset_s(self.now)) % DAY_S) / 60.0
        if quiet.start_min < quiet.end_min:
            return quiet.start_min <= minute < quiet.end_min
        return minute >= quiet.start_min or minute < quiet.end_min

    def is_attended(self) -> bool:
        """Whether somebody is certainly at the bench: a pot closed, or a cup mixed within the last hour."""
        return bool(self.loads.open) or any(self.now - pour.mix_t < ATTENDED_S for pour in self.pours)

    def is_mid_pour(self) -> bool:
        """Whether a cup is between its mix and its pot's pressure (or, without pressure, its kick)."""
        for pour in self.pours:
            load = self.loads.of(pour.pot)
            up = load is not None and load.at_pressure_t is not None and pour.load == load.id
            if pour.phase in ("mixing", "pouring", "standing") and not up:
                return True
        return False

    def filled(self, subject: Subject) -> Subject:
        """A subject with its pour, cup, pot and load filled in as far as the books know them."""
        pour = self._pour_of(subject)
        if pour is not None:
            return subject.filled(pour=pour.id, cup=pour.cup, pot=pour.pot, load=pour.load)
        load = self.loads.of(subject.pot)
        return subject.filled(load=load.id) if load is not None else subject

    def _pour_of(self, subject: Subject) -> Pour | None:
        if subject.pour is not None:
            return self.pours.open.get(subject.pour)
        if subject.cup is not None:
            return self.pours.on_cup(subject.cup)
        return self.pours.with_mold(subject.mold) if subject.mold is not None else None

    def _is_at_floor(self, pot_id: str | None) -> bool:
        """Whether a gauge that is being heard reads the pot's floor or more."""
        pot, reading = self.bench.pot(pot_id), self.facts.reading("pot_pressure", pot_id or "")
        if pot is None or reading is None or reading.value is None or reading.quality is not Quality.GOOD:
            return False
        return reading.value >= pot.floor_kpa and self.now - reading.t <= HEARD_S

    def _is_past(self, pot: str, name: Literal["at", "gel_at"]) -> bool:
        """Whether the late edge of a load's last gel, or its likely time, is over, pressure or not."""
        hold = self.facts.last("hold_forecast", pot)
        at = getattr(hold, name) if isinstance(hold, HoldForecast) else None
        return at is not None and at <= self.now

    def _is_short(self, load: Load) -> bool:
        """Whether a pot was shut before it was at pressure, and molds in it can still take some."""
        return load.phase == "isolated" and load.at_pressure_t is None and not self._is_past(load.pot, "gel_at")

    def situation(self, finding: Finding) -> Situation:
        """What the alert stage needs to know about the pour and load of a finding."""
        now = self._situation(finding.subject)
        return now if finding.subject.source is None else replace(now, blind=self._blind(finding))

    def _blind(self, finding: Finding) -> tuple[str, ...]:
        """What takes the place of the needed probes of a board or source that is gone."""
        source = finding.subject.source
        named = finding.channels if isinstance(finding, BoardGone) else None
        of = [c for c in self.bench.channels if (c.source == source if named is None else c.id in named)]
        pots, cups = [c.of for c in of if c.role == "pot_pressure"], [c.of for c in of if c.role == "cup_temperature"]
        bench = finding.subject.bench
        dial = any(needs_pot(self._situation(Subject(bench=bench, pot=pot))) for pot in pots)
        timer = any(needs_cup(self._situation(Subject(bench=bench, cup=cup))) for cup in cups)
        return (("dial",) if dial else ()) + (("timer",) if timer else ())

    def _situation(self, subject: Subject) -> Situation:
        pour = self._pour_of(subject)  # also by its cup: a probe may be lost before the pour begins
        load = self.loads.of(subject.pot)
        kpa = self.facts.pot_kpa(subject.pot)
        return Situation(
            pour_phase=pour.phase if pour else None,
            load_phase=load.phase if load else None,
            role=self.bench.role_of(subject.channel),
            mid_pour=self.is_mid_pour(),
            loaded=bool(self.loads.open),
            pouring=pour is not None and not pour.pouring_done and bool(pour.molds or pour.poured),
            filling=load is not None and (load.phase == "filling" or self._is_short(load)),
            at_pressure=load is not None and load.at_pressure_t is not None,
            at_floor=self._is_at_floor(subject.pot),
            pressurised=kpa is not None and kpa >= NEAR_ZERO_KPA,
            gelled=load is not None and (load.gelled or self._is_past(load.pot, "at")),
            kicked=pour is not None and pour.kicked_t is not None,
            odd=pour.odd if pour else None,
            lost=pour is not None and subject.mold in pour.lost,
            rising=self.facts.is_rising(subject.pot, self.now),
            doubted=self.facts.is_doubted(subject.pot),
        )
