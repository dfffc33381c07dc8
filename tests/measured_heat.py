"""Which real reaction's heat can be passed through a cup?  Measured isothermal heat flow from the CaloCem package.

Source: CaloCem 0.4.0 on the Python Package Index (MIT), https://github.com/mj-hofmann/CaloCem, folder calocem/DATA:
isothermal (20 C) heat flow of hydrating cements from a TAM Air calorimeter.  A cement takes half a day to what a
casting resin does in three minutes, so time is scaled; the shape of the rate is the measured one.  The package itself
draws in plotting libraries, so only its data file is read.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib.resources import files

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeasuredHeat:
    """A measured rate, scaled in time: seconds after the mix, share reacted per second, share reacted, its peak [s]."""

    time_s: Array
    rate_per_s: Array
    share: Array
    peak_s: float


def measured_heat(name: str, from_h: float, to_h: float, peak_at_s: float) -> MeasuredHeat:
    """One data file's heat flow between two times [h], scaled so that its highest rate comes peak_at_s after the mix.

    `share` is the measured heat released so far over all of it in that span.  The peak is that of the raw heat flow.
    """
    with (files("calocem") / "DATA" / name).open(encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    hours, flow = np.array([(float(r[0]) / 3600.0, float(r[2])) for r in rows if r[0] and r[2]]).T
    kept = np.isfinite(flow) & (hours >= from_h) & (hours <= to_h)
    hours, flow = hours[kept] - from_h, flow[kept]
    scale = peak_at_s / hours[flow.argmax()]
    time_s = hours * scale
    steps = np.diff(time_s)
    heat = np.concatenate(([0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * steps)))
    return MeasuredHeat(time_s, flow / heat[-1], heat / heat[-1], float(time_s[flow.argmax()]))
