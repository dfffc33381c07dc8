"""Which channel of which bench.toml is being calibrated, and is what it reads a drift, or something else?"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchd.commands.calibrate.history import Written, history_path
from benchd.commands.calibrate.points import CalibrationRefused
from benchd.commands.calibrate.target import OPEN_POT, Target, shown
from benchd.core.bench import ROLES, Bench, Channel
from benchd.core.intake.sensor import off_as_made_c
from benchd.core.units import QuantityError, parse_quantity
from benchd.runtime.printing.terminal import say
from benchd.settings import Loaded
from benchd.settings.edits import EditedFile
from benchd.settings.sensors import DIMENSION


@dataclass(frozen=True, slots=True)
class Job:
    """One channel of one bench.toml being calibrated."""

    args: argparse.Namespace
    file: EditedFile
    loaded: Loaded
    channel: Channel
    table: Any

    @property
    def bench(self) -> Bench:
        return self.loaded.bench

    @property
    def unit(self) -> str:
        return ROLES[self.channel.role]

    @property
    def history(self) -> Path:
        return history_path(self.loaded.journal_path)

    def now(self) -> Written:
        """The points as they stand in the file."""
        calibrated = self.table.get("calibrated")
        rows = tuple((str(read), str(true)) for read, true in self.table.get("calibration", ()))
        return Written(rows, None if calibrated is None else str(calibrated))


def typed(written: str, unit: str, flag: str) -> float:
    try:
        return parse_quantity(written, DIMENSION[unit])
    except QuantityError as error:
        raise CalibrationRefused(f"{flag}: {error}") from error


def refuse_far(job: Job, point: Target, read: float) -> None:
    off = read - point.true
    if abs(off) <= point.most_off:
        return
    told = shown(job.bench, job.unit, read)
    if point.by == "zero" and job.unit == "kPa":
        raise CalibrationRefused(
            f"it reads {told}, too far from zero to be a wandered zero: take it as pressure.  {OPEN_POT}, then again; "
            "if it still reads so, the sensor is broken"
        )
    raise CalibrationRefused(
        f"it reads {told}, not {shown(job.bench, job.unit, point.true)}: that is no drift.  Is it {point.bring}?"
    )


def tell_class(job: Job, point: Target, read: float) -> None:
    """Say so when the wire alone cannot account for what is to be corrected."""
    sensor = job.channel.sensor
    off_c = off_as_made_c(sensor, point.true) if sensor is not None else None
    if off_c is not None and abs(read - point.true) > off_c:
        told = f"off by {abs(read - point.true):.1f} C, more than the {off_c:g} C of its class"
        say(f"  {point.by}: {told}: look at the terminals, the cold junction and the wire's type too")


def refuse_closed(job: Job, state: dict[str, Any]) -> None:
    """A pot that benchd takes to be closed or under air has no zero to take."""
    for card in state.get("cards", ()):
        if card.get("of") == "pot" and card.get("id") == job.channel.of and card.get("phase") != "idle":
            raise CalibrationRefused(
                f"a load is in {job.channel.of} ({card['phase']}): no zero until it is vented and opened.  {OPEN_POT}"
            )
