"""Which ailments there are, how strong they are asked to be withstood, and stronger ones that show where it breaks.

OPEN names what does not hold yet.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from damage import time_ailments as times
from damage import value_ailments as values
from damage.judge import Verdict, judged
from damage.lines import Ailment, Damaged
from damage.subjects import subject


@dataclass(frozen=True, slots=True)
class Entry:
    """One ailment: asked: strengths to withstand; beyond: stronger ones; unit of the strength; clock: "" or that of
    bench.toml."""

    do: Ailment
    unit: str
    asked: tuple[float, ...]
    beyond: tuple[float, ...] = ()
    clock: str = ""


CHART: dict[str, Entry] = {
    "bursts": Entry(values.bursts, "s", (0.3, 1.0, 3.0), (6.0, 12.0)),
    "spikes": Entry(values.spikes, "/min", (2.0, 6.0), (20.0,)),
    "open circuit": Entry(values.open_circuit, "s", (0.1, 1.0, 3.0), (10.0, 30.0)),
    "junction steps": Entry(values.junction_steps, "K", (1.0, 3.0), (8.0,)),
    "coarse codes": Entry(values.coarse, "C", (0.25, 0.5, 1.0), (2.0,)),
    "heavy tails": Entry(values.heavy_tails, "K", (0.3, 1.0), (3.0,)),
    "gauge noise": Entry(values.gauge_noise, "psi", (0.1, 0.4), (1.0,)),
    "gauge spikes": Entry(values.gauge_spikes, "psi", (6.0,), (20.0, 60.0)),
    "hole at the kick": Entry(times.hole_at_the_kick, "s", (3.0, 10.0, 30.0, 60.0), (120.0,)),
    "hole in the fill": Entry(times.hole_in_the_fill, "s", (3.0, 10.0, 30.0, 60.0), (120.0,)),
    "hole in the hold": Entry(times.hole_in_the_hold, "s", (3.0, 10.0, 30.0, 60.0), (120.0,)),
    "hole anywhere": Entry(times.hole_anywhere, "s", (10.0, 60.0), ()),
    "stalls, up": Entry(times.stalls, "s", (1.0, 3.5, 10.0), (30.0,), "up"),
    "stalls, arrival": Entry(times.stalls, "s", (1.0, 3.5, 10.0), (30.0,), "arrival"),
    "late lines, up": Entry(times.late_lines, "places", (1.0, 3.0), (10.0,), "up"),
    "late lines, arrival": Entry(times.late_lines, "places", (1.0, 3.0), (10.0,), "arrival"),
    "twins": Entry(times.twins, "share", (0.05, 0.3), (1.0,)),
    "resets, up": Entry(times.resets, "times", (1.0, 2.0), (6.0,), "up"),
    "resets, arrival": Entry(times.resets, "times", (1.0, 2.0), (6.0,), "arrival"),
    "rate": Entry(times.rate, "Hz", (10.0, 1.0, 0.5, 0.33, 0.2), (0.1,)),
    "clock slope, up": Entry(times.clock_slope, "%", (0.5,), (2.0,), "up"),
    "lost bytes": Entry(times.lost_bytes, "share", (0.02, 0.1), (0.4,)),
}


def damaged(name: str, ailment: str, strength: float, seed: int) -> Damaged:
    """A subject's lines with this damage."""
    rng = np.random.default_rng([seed, zlib.crc32(f"{name} {ailment} {strength}".encode())])
    return CHART[ailment].do(subject(name).body, rng, strength)


def run(name: str, ailment: str, strength: float, seed: int) -> Verdict:
    """The verdict on one subject with this damage."""
    return judged(name, damaged(name, ailment, strength, seed), CHART[ailment].clock)


OPEN: dict[str, str] = {}
"""What does not hold yet: ailment -> the figure measured, over the strengths asked.  Who mends it takes it out."""

EXAMPLES: tuple[tuple[str, float, str, int], ...] = ()
"""Short cases that do not hold, also of ailments whose sweep does: ailment, strength, subject, seed of the damage."""
