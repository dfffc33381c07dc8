"""Averages a channel's present readings, and checks that they are steady enough to calibrate by."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.commands.calibrate.points import CalibrationRefused

STEADY = {"C": 0.5, "kPa": 0.7, "%RH": 1.0, "g": 0.5}
"""Unit -> the most a steady reading may scatter (standard deviation) or drift (between halves): a tenth of a psi, two
steps of a common thermocouple amplifier; common practice, no source.
"""
LEAST_READINGS = 5
ASK_EVERY_S = 0.2

State = Callable[[], dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Heard:
    """The readings' mean, scatter and drift in the core's unit, and their number."""

    mean: float
    scatter: float
    drift: float
    count: int


def reading(state: dict[str, Any], channel: str) -> dict[str, Any] | None:
    """A channel's newest reading in the daemon's state."""
    found: Sequence[dict[str, Any]] = state.get("readings", ())
    return next((r for r in found if r.get("channel") == channel), None)


def listen(state: State, channel: str, over_s: float, *, sleep: Callable[[float], None] = time.sleep) -> Heard:
    """Average a channel over over_s [s].  Raises CalibrationRefused when it is faulty or gave too few readings."""
    values: dict[float, float] = {}
    first = reading(state(), channel)
    if first is None:
        raise CalibrationRefused(f"{channel} has not been heard since benchd started: look at its board")
    for _ in range(max(round(over_s / ASK_EVERY_S), 1)):
        sleep(ASK_EVERY_S)
        newest = reading(state(), channel)
        if newest is None or newest["t"] <= first["t"]:
            continue
        if newest.get("quality") != "good" or newest.get("value") is None:
            raise CalibrationRefused(f"{channel} is faulty: see what benchd says of it, mend it, try again")
        values[newest["t"]] = newest["value"]
    if len(values) < LEAST_READINGS:
        raise CalibrationRefused(f"{channel} was heard {len(values)} times in {over_s:g} s: give it more with --over")
    return weighed(list(values.values()))


def weighed(values: Sequence[float]) -> Heard:
    """Mean, scatter and drift of readings in order."""
    half = len(values) // 2
    drift = statistics.fmean(values[half:]) - statistics.fmean(values[:half])
    return Heard(statistics.fmean(values), statistics.stdev(values), drift, len(values))


def refuse_unsteady(heard: Heard, unit: str, resolution: float | None) -> None:
    """Raises CalibrationRefused when the readings scatter or drift too much to be a point."""
    most = max(STEADY[unit], 2.0 * (resolution or 0.0))
    if heard.scatter > most:
        raise CalibrationRefused(f"it scatters by {heard.scatter:.2g} {unit}: shield it, stir, or give it more time")
    if abs(heard.drift) > most:
        raise CalibrationRefused(f"it still moves, by {heard.drift:+.2g} {unit}: wait until it stands")
