"""One calibration job: a channel of a bench.toml, and checks that its error is drift and nothing worse."""

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
        """The bench of the loaded settings."""
        return self.loaded.bench

    @property
    def unit(self) -> str:
        """The core's unit of the channel."""
        return ROLES[self.channel.role]

    @property
    def history(self) -> Path:
        """The path of the calibration history."""
        return history_path(self.loaded.journal_path)

    def now(self) -> Written:
        """The points in the file."""
        calibrated = self.table.get("calibrated")
        rows = tuple((str(read), str(true)) for read, true in self.table.get("calibration", ()))
        return Written(rows, None if calibrated is None else str(calibrated))


def typed(written: str, unit: str, flag: str) -> float:
    """A typed quantity in the core's unit.  Raises CalibrationRefused."""
    try:
        return parse_quantity(written, DIMENSION[unit])
    except QuantityError as error:
        raise CalibrationRefused(f"{flag}: {error}") from error


def refuse_far(job: Job, point: Target, read: float) -> None:
    """Raises CalibrationRefused when the reading is too far from the true value to be drift."""
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
    """Warn when the wire's tolerance class alone does not explain the correction."""
    sensor = job.channel.sensor
    off_c = off_as_made_c(sensor, point.true) if sensor is not None else None
    if off_c is not None and abs(read - point.true) > off_c:
        told = f"off by {abs(read - point.true):.1f} C, more than the {off_c:g} C of its class"
        say(f"  {point.by}: {told}: look at the terminals, the cold junction and the wire's type too")


def refuse_closed(job: Job, state: dict[str, Any]) -> None:
    """Raises CalibrationRefused when benchd considers the pot closed or under pressure, so that there is no zero."""
    for card in state.get("cards", ()):
        if card.get("of") == "pot" and card.get("id") == job.channel.of and card.get("phase") != "idle":
            raise CalibrationRefused(
                f"a load is in {job.channel.of} ({card['phase']}): no zero until it is vented and opened.  {OPEN_POT}"
            )
