"""The faults a seed chooses from: kind, when, for how long; and how they are drawn.

Windows last; the others happen once.  A fault is plain data, so that a list of them can be shortened and printed.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

WINDOWS: dict[str, tuple[float, float]] = {
    "disk-full": (2.0, 30.0),
    "disk-io-error": (1.0, 20.0),
    "disk-fsync": (0.5, 10.0),
    "disk-locked": (1.0, 20.0),
    "disk-slow": (3.0, 30.0),
    "disk-hangs": (1.0, 12.0),
    "disk-lies": (3.0, 40.0),
    "broker-dies": (1.0, 25.0),
    "broker-forgets": (1.0, 15.0),
    "broker-stalls": (5.0, 40.0),
    "broker-refuses": (1.0, 15.0),
    "broker-repeats": (5.0, 40.0),
    "broker-late": (5.0, 40.0),
    "board-babbles": (1.0, 15.0),
    "board-stalls": (1.0, 20.0),
    "board-vanishes": (1.0, 20.0),
    "board-renamed": (1.0, 10.0),
    "phone-slow": (5.0, 40.0),
    "phone-twice": (5.0, 60.0),
    "phone-late": (5.0, 60.0),
    "phone-wrong-clock": (5.0, 60.0),
    "memory-refused": (0.2, 3.0),
}
"""Kind -> shortest and longest [virtual s]."""

MOMENTS = ("board-resets", "clock-steps", "kill", "power-cut", "upgrade", "pause", "stop")
KINDS = (*WINDOWS, *MOMENTS)
MORE_WINDOWS: dict[str, tuple[float, float]] = {
    "push-refuses": (1.0, 8.0),
    "push-hangs": (1.0, 8.0),
    "monitor-refuses": (1.0, 8.0),
    "monitor-hangs": (0.5, 3.0),
}
"""Of a wide bench alone."""
MORE_MOMENTS = ("hub-births",)
WIDE_KINDS = (*KINDS, *MORE_WINDOWS, *MORE_MOMENTS)
MOST_WIDE_S = 9.0  # a wide night is short
MOST_ENDS = 3  # kills, cuts, upgrades and stops in one night: three failed starts in five minutes are another story
ENDS = ("kill", "power-cut", "upgrade", "stop")


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One fault: from at_s [s since the night's begin] for for_s (0: at one moment); `luck` in 0..1 is its own draw."""

    at_s: float
    kind: str
    for_s: float = 0.0
    luck: float = 0.0

    @property
    def until_s(self) -> float:
        """When it is over [s since the night's begin]."""
        return self.at_s + self.for_s

    def __str__(self) -> str:
        lasting = f" for {self.for_s:.1f} s" if self.for_s else ""
        return f"{self.at_s:.2f} s: {self.kind}{lasting} (luck {self.luck:.3f})"


def drawn(
    rng: random.Random, long_s: float, moments_s: Sequence[float], most: int = 6, is_wide: bool = False
) -> list[Fault]:
    """One to `most` faults within long_s [s], in order; often near one another, since three small ones break more.

    They often gather about one of the moments at which the day brings something to tell.
    """
    near_s = rng.choice(moments_s) if moments_s and rng.random() < 0.7 else rng.uniform(3.0, long_s)
    found: list[Fault] = []
    for _ in range(rng.randint(1, most)):
        kind = rng.choice(WIDE_KINDS if is_wide else KINDS)
        if kind in ENDS and sum(fault.kind in ENDS for fault in found) >= MOST_ENDS:
            continue
        at_s = rng.gauss(near_s, 2.5 if is_wide else 4.0) if rng.random() < 0.6 else rng.uniform(1.0, long_s)
        at_s = min(max(at_s, 0.5), long_s)
        found.append(Fault(round(at_s, 3), kind, _long_s(rng, kind, is_wide), round(rng.random(), 3)))
    return sorted(found + (_cuts_after(rng, found) if is_wide else []))


def _cuts_after(rng: random.Random, found: Sequence[Fault]) -> list[Fault]:
    """After half of the failed fsyncs the power is cut some seconds later: what they lost shows only then."""
    ends = sum(fault.kind in ENDS for fault in found)
    failed = [fault for fault in found if fault.kind == "disk-fsync"]
    if not failed or ends >= MOST_ENDS or rng.random() < 0.5:
        return []
    return [Fault(round(failed[0].until_s + rng.uniform(0.5, 8.0), 3), "power-cut", 0.0, round(rng.random(), 3))]


def _long_s(rng: random.Random, kind: str, is_wide: bool) -> float:
    windows = WINDOWS | MORE_WINDOWS
    if kind not in windows:
        return 0.0
    least, most = windows[kind]
    if is_wide:
        least, most = min(least, 3.0), min(most, MOST_WIDE_S)
    return round(least * math.exp(math.log(most / least) * rng.random()), 2)
