"""Reads the past pours that a resin can be learned from: curves and kicks from the journal, as lessons."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import hypot
from statistics import median
from typing import Any

from benchd.core.bench import Bench, Cup, Resin
from benchd.core.bench.context import bench_from_context
from benchd.core.format.record import from_record
from benchd.core.intake.intake import Intake
from benchd.core.learned.cure_lessons import FOUND_SHARE, MARKED_S, MARKED_SHARE, Lesson, likely_start_c
from benchd.core.model import Context, Line, Quality, RawLine, Reading
from benchd.physics.cup_kick import KickFinder
from benchd.physics.cure_prior import cup_tau
from benchd.runtime.history.pours import pours_now
from benchd.runtime.journal.reader import Logbook, Readable
from benchd.runtime.recordings.extract import extract

BEFORE_S = 60.0  # start a minute before the mix, so that the room is known
EARLY_S = 60.0
AFTER_SHARE = 0.12  # end a little past the kick


@dataclass(slots=True)
class _Curve:
    """Collects the readings of one pour."""

    cup: Cup
    finder: KickFinder
    intake: Intake = field(default_factory=Intake)
    room_c: list[float] = field(default_factory=list)
    seconds: list[tuple[float, float]] = field(default_factory=list)

    def take(self, line: str) -> None:
        plain = json.loads(line)
        if "recording" in plain:
            return
        item = from_record(plain)
        if isinstance(item, Context):
            self.intake.configure(bench_from_context(item))
        elif isinstance(item, Line | RawLine):
            for reading in self.intake.take(item)[0]:
                self._reading(reading)

    def _reading(self, reading: Reading) -> None:
        if reading.quality is not Quality.GOOD or reading.value is None:
            return
        if reading.role == "room_temperature":
            self.room_c.append(reading.value)
        elif reading.role == "cup_temperature" and reading.of == self.cup.id:
            room_c = self.room_c[-1] if self.room_c else 23.0
            seconds = self.finder.see(reading.t, reading.value, room_c, reading.t_doubt_s)
            self.seconds += [(second.t, second.temp_c) for second in seconds]


async def lessons_of(journal: Readable, bench: Bench, resin: Resin) -> list[Lesson]:
    """Every pour of this resin whose mix was marked and whose kick is known, oldest first.

    Raises JournalError when the journal cannot be read.
    """
    in_order = sorted((await pours_now(journal)).values(), key=lambda pour: float(pour["mix_t"]))
    lessons = [await _lesson(Logbook(journal), bench, resin, pour) for pour in in_order]
    return [lesson for lesson in lessons if lesson is not None]


async def _lesson(book: Logbook, bench: Bench, resin: Resin, pour: Mapping[str, Any]) -> Lesson | None:
    label, cup = bench.label_for(pour["lot"] or None), bench.cup(pour["cup"])
    if label is None or label.id != resin.id or cup is None or pour["inferred"] or "kick" not in pour:
        return None
    mix_t, kick_t = float(pour["mix_t"]), float(pour["kick"]["at"])
    kick_s = kick_t - mix_t
    if kick_s <= 0.0:
        return None
    curve = _Curve(cup, KickFinder(cup_tau(cup.kind, cup.mass_g)[0], cup.probe_lag_s))
    async for line in extract(book, mix_t - BEFORE_S, kick_t + AFTER_SHARE * kick_s):
        curve.take(line)
    seconds = tuple((t - mix_t, c) for t, c in curve.seconds if t > mix_t)
    early = [c for s, c in seconds if s < EARLY_S]
    room_c = median(curve.room_c) if curve.room_c else median(early) if early else 23.0
    is_marked = pour["kick"]["basis"] == "marked"
    sd = hypot(MARKED_SHARE, MARKED_S / kick_s) if is_marked else FOUND_SHARE
    return Lesson(
        pour=pour["pour"], lot=str(pour["lot"] or ""), kind=cup.kind, mass_g=cup.mass_g, lag_s=cup.probe_lag_s,
        label=label, seconds=seconds, noise_k=curve.finder.noise_k, room_c=room_c,
        start_c=likely_start_c(cup.kind, early, room_c), kick=(kick_s, sd), is_marked=is_marked,
    )  # fmt: skip
