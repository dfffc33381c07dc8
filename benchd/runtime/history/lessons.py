"""Reads the past pours that a resin can be learned from: curves and kicks from the journal, as lessons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import hypot
from statistics import median
from typing import Any

from benchd.core.bench import Bench, Cup, Resin
from benchd.core.learned.cure_lessons import FOUND_SHARE, MARKED_S, MARKED_SHARE, Lesson, likely_start_c
from benchd.core.model import Quality, Reading
from benchd.physics.cup_kick import KickFinder
from benchd.physics.cure_prior import cup_tau
from benchd.runtime.history.pours import pours_now
from benchd.runtime.history.readings import decoded
from benchd.runtime.journal.reader import Logbook, Readable

BEFORE_S = 60.0  # start a minute before the mix, so that the room is known
EARLY_S = 60.0
AFTER_SHARE = 0.12  # end a little past the kick


@dataclass(slots=True)
class _Curve:
    """Collects the readings of one pour."""

    cup: Cup
    finder: KickFinder
    room_c: list[float] = field(default_factory=list)
    seconds: list[tuple[float, float]] = field(default_factory=list)

    def take(self, reading: Reading) -> None:
        """Take the next reading of any channel."""
        if reading.quality is not Quality.GOOD or reading.value is None:
            return
        if reading.role == "room_temperature":
            self.room_c.append(reading.value)
        elif reading.role == "cup_temperature" and reading.of == self.cup.id:
            room_c = self.room_c[-1] if self.room_c else 23.0
            seconds = self.finder.see(reading.t, reading.value, room_c, reading.t_doubt_s)
            self.seconds += [(second.t, second.temp_c) for second in seconds]


async def lessons_of(
    journal: Readable, bench: Bench, resin: Resin, since_t: float | None = None, until_t: float | None = None,
    newest: int | None = None,
) -> list[Lesson]:  # fmt: skip
    """Every pour of this resin whose mix was marked and whose kick is known, oldest first; the newest only, if asked.

    since_t, until_t: of pours that were told of between these times [unix s].  Raises JournalError when the journal
    cannot be read.
    """
    told = (await pours_now(journal, since_t, until_t)).values()
    fit = sorted((pour for pour in told if _teaches(bench, resin, pour)), key=lambda pour: float(pour["mix_t"]))
    return [await _lesson(Logbook(journal), bench, pour) for pour in fit[-(newest or len(fit)) :]]


def _teaches(bench: Bench, resin: Resin, pour: Mapping[str, Any]) -> bool:
    label = bench.label_for(pour["lot"] or None)
    is_known = label is not None and label.id == resin.id and bench.cup(pour["cup"]) is not None
    return is_known and not pour["inferred"] and "kick" in pour and pour["kick"]["at"] > pour["mix_t"]


async def _lesson(book: Logbook, bench: Bench, pour: Mapping[str, Any]) -> Lesson:
    """The lesson of a pour that teaches."""
    label, cup = bench.label_for(pour["lot"] or None), bench.cup(pour["cup"])
    assert label is not None
    assert cup is not None
    mix_t, kick_t = float(pour["mix_t"]), float(pour["kick"]["at"])
    kick_s = kick_t - mix_t
    curve = _Curve(cup, KickFinder(cup_tau(cup.kind, cup.mass_g)[0], cup.probe_lag_s))
    async for event in decoded(book, bench, mix_t - BEFORE_S, kick_t + AFTER_SHARE * kick_s):
        if isinstance(event, Reading):
            curve.take(event)
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
