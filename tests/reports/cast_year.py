"""Writes a journal of an invented year at the demo's studio: 61 casting days, two loads each, kept as findings.

What a report draws of it is crowded on purpose: a mold cast every sixth day, a lot that slows, a pot whose gasket wears
until it is changed, scrap of every cause.  All of it is invented; nothing here is measured.
"""

from __future__ import annotations

import math
from pathlib import Path

from benchd.core.findings import (
    Finding,
    Kicked,
    LoadClosed,
    LoadOpened,
    PartPulled,
    PotAtPressure,
    PotHold,
    PotLeaking,
    PourStarted,
)
from benchd.core.model import CAUSES, Mark, Subject
from benchd.runtime.journal.journal import Journal
from benchd.runtime.journal.rows import MinuteRow, Writes

DAY = 86_400.0
FIRST_T = 1_767_052_800.0 + 9 * 3600.0  # 2025-12-30, the day lot R-07 was opened, nine in the morning UTC
DAYS, APART = 61, 6 * DAY
LAST_T = FIRST_T + APART * DAYS
LOADS = (("m01", "m02", "m03"), ("m04", "m06", "m07"))
FEELS = ("green", "hard", "hot", "rubbery")


async def write_year(path: Path) -> Path:
    """The journal; its times end before LAST_T."""
    year = _Year()
    for day in range(DAYS):
        for number, molds in enumerate(LOADS, 1):
            year.load(FIRST_T + APART * day + 7200.0 * (number - 1), day, number, molds)
    async with Journal(path) as journal:
        await journal.write(year.writes)
    return path


class _Year:
    def __init__(self) -> None:
        self.writes, self.seq, self.number = Writes(), 0, 0

    def finds(self, finding: Finding) -> None:
        self.number += 1
        self.writes.add_effect(self.number, self.seq, finding)

    def load(self, t: float, day: int, number: int, molds: tuple[str, ...]) -> None:
        """One cup and its load, from the mix to the last part."""
        pour, load = f"cup-1-{int(t)}", f"barrel-{int(t) + 110}"
        about = Subject(bench="north", cup="cup-1", pour=pour, pot="barrel", load=load)
        kick_s = 165.0 * (1.0 + 0.008 * day) * (1.05 if day % 7 == 3 else 1.0) + 4.0 * math.sin(day)
        self.finds(PourStarted(t=t, subject=about, mix_t=t, lot="r-07", molds=molds, inferred=False, number=number,
                               a_g=150.0, b_g=135.0))  # fmt: skip
        self.finds(LoadClosed(t=t + 110.0, subject=about, pours=(pour,), number=number))
        self.finds(PotAtPressure(t=t + 149.0, subject=about, kpa=289.6, since=t + 144.0, margin_s=kick_s - 144.0))
        self.finds(Kicked(t=t + kick_s, subject=about, at=t + kick_s, early=t + kick_s - 4.0, late=t + kick_s + 4.0,
                          temp_c=60.0, basis="curve"))  # fmt: skip
        self._held(t + 600.0, about, day)
        self.finds(LoadOpened(t=t + 960.0, subject=about, pours=(pour,), number=number))
        for place, mold in enumerate(molds):
            self._out(t + 1000.0 + 90.0 * place + 30.0 * (day % 11), about, day, place, mold)
        self.writes.minutes.append(MinuteRow("room-temperature", int(t // 60), 60, 21.0, 21.5 + day % 4, 26.0))

    def _held(self, t: float, about: Subject, day: int) -> None:
        """A gasket that leaks more each month until it is changed, in spring, summer and autumn."""
        worn = (day % 21) / 21.0
        if worn > 0.5:
            rate = 2.0 + 8.0 * (worn - 0.5)
            self.finds(PotLeaking(t=t, subject=about, verdict="slow", kpa_per_min=rate, low=0.7 * rate, high=1.4 * rate,
                                  conductance_m3_s_pa=1e-12, hole_mm=0.15, floor_at=None, matters=False,
                                  active=True))  # fmt: skip
        else:
            self.finds(PotHold(t=t, subject=about, verdict="tight-to", kpa=289.0, kpa_per_min=0.0, low=0.0, high=0.0,
                               smallest_seen=1.0 + 2.0 * worn))  # fmt: skip

    def _out(self, t: float, about: Subject, day: int, place: int, mold: str) -> None:
        feel, n = FEELS[(day + place) % len(FEELS)], 3 * day + place
        mix_t = float(str(about.pour).rsplit("-", 1)[1])
        about, hard_s = about.filled(mold=mold), 1000.0 + 60.0 * place
        self.finds(PartPulled(t=t, subject=about, mold=mold, resin="fast-white", after_s=t - mix_t, feel=feel,
                              green_s=700.0, hard_s=hard_s, log_bias=0.0, sd=0.1))  # fmt: skip
        grade = "scrap" if n % 13 == 0 else "second" if n % 9 == 0 else "good"
        cause = None if grade == "good" else CAUSES[n % len(CAUSES)]
        self.seq += 1
        mark = Mark(t=t, verb="demolded", id=f"{mold}-{int(t)}", mold=mold, feel=feel, grade=grade, cause=cause)
        self.writes.add_input(self.seq, mark)
