"""Which past pours can a resin be learned from?  Curves and kicks out of the journal, as lessons."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from math import hypot
from statistics import median

from benchd.core.bench import Bench, Cup, Resin
from benchd.core.bench.context import bench_from_context
from benchd.core.format.record import from_record
from benchd.core.intake.intake import Intake
from benchd.core.learned.cure_lessons import FOUND_SHARE, MARKED_S, MARKED_SHARE, Lesson, likely_start_c
from benchd.core.model import Context, Line, Quality, RawLine, Reading
from benchd.physics.cup_kick import KickFinder
from benchd.physics.cure_prior import cup_tau
from benchd.runtime.journal.reader import Logbook, Told
from benchd.runtime.recordings.extract import extract

BEFORE_S = 60.0  # from a minute before the mix: the room is known then
EARLY_S = 60.0
AFTER_SHARE = 0.12  # and a little past the kick


@dataclass(slots=True)
class _Pour:
    id: str
    cup: str = ""
    lot: str = ""
    mix_t: float = 0.0
    inferred: bool = True
    kick_t: float | None = None
    is_marked: bool = False

    def take(self, told: Told) -> None:
        body = told.body
        if told.name in ("pour_started", "pour_revised"):
            self.cup, self.lot = str(body.get("cup") or ""), str(body.get("lot") or "")
            self.mix_t, self.inferred = float(body["mix_t"]), bool(body["inferred"])
        elif self.kick_t is None or (body.get("basis") == "marked" and not self.is_marked):
            self.kick_t, self.is_marked = float(body["at"]), body.get("basis") == "marked"


@dataclass(slots=True)
class _Curve:
    """The readings of one pour as they go by."""

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
            if (second := self.finder.see(reading.t, reading.value, room_c)) is not None:
                self.seconds.append((second.t, second.temp_c))


async def lessons_of(book: Logbook, bench: Bench, resin: Resin) -> list[Lesson]:
    """Every pour of this resin whose mix was marked and whose kick is known, oldest first.

    Raises JournalError when the journal cannot be read.
    """
    pours: dict[str, _Pour] = {}
    async for told in book.effects(kind="finding", names=("pour_started", "pour_revised", "kicked")):
        id = str(told.body.get("pour") or "")
        pours.setdefault(id, _Pour(id)).take(told)
    in_order = sorted(pours.values(), key=lambda p: p.mix_t)
    lessons = [await _lesson(book, bench, resin, pour) for pour in in_order]
    return [lesson for lesson in lessons if lesson is not None]


async def _lesson(book: Logbook, bench: Bench, resin: Resin, pour: _Pour) -> Lesson | None:
    label, cup = bench.label_for(pour.lot or None), bench.cup(pour.cup)
    if label is None or label.id != resin.id or cup is None or pour.inferred or pour.kick_t is None:
        return None
    kick_s = pour.kick_t - pour.mix_t
    if kick_s <= 0.0:
        return None
    curve = _Curve(cup, KickFinder(cup_tau(cup.kind, cup.mass_g)[0], cup.probe_lag_s))
    async for line in extract(book, pour.mix_t - BEFORE_S, pour.kick_t + AFTER_SHARE * kick_s):
        curve.take(line)
    seconds = tuple((t - pour.mix_t, c) for t, c in curve.seconds if t > pour.mix_t)
    early = [c for s, c in seconds if s < EARLY_S]
    room_c = median(curve.room_c) if curve.room_c else median(early) if early else 23.0
    sd = hypot(MARKED_SHARE, MARKED_S / kick_s) if pour.is_marked else FOUND_SHARE
    return Lesson(
        pour=pour.id, lot=pour.lot, kind=cup.kind, mass_g=cup.mass_g, lag_s=cup.probe_lag_s, label=label,
        seconds=seconds, noise_k=curve.finder.noise_k, room_c=room_c,
        start_c=likely_start_c(cup.kind, early, room_c), kick=(kick_s, sd),
    )  # fmt: skip
