"""Keeps what is done with parts once they are out: the oven, trimming, and what was tried at a mold.

1. A part that came out, was no scrap, and whose resin's label asks for later mild heat waits for the oven.
2. `oven` puts in what waits, or the molds named.  A batch has one temperature; it is in for the longest time any of its
   parts asks.
3. Once that time is over it is said, once.  `oven-out` ends a batch whenever it comes; how long each part was in goes
   into its record.
4. `tried` is what was done about a mold's trouble: it counts for the casts that come out from then on, until another
   is tried.  `trimmed` counts one part.
5. The last of these marks can be taken back; it restores what was before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from benchd.core.bench import Bench, Mold
from benchd.core.bench.local_day import DAY_S
from benchd.core.findings import DemoldForecast, Finding, OvenDue, OvenLoaded, PartCured, PartToSupport
from benchd.core.model import Mark, Subject
from benchd.core.model.learned import Learned
from benchd.core.units import shown_temperature
from benchd.errors import MarkRejected, no_such
from benchd.physics.sag import bends, sag_mm
from benchd.stored import stored

VERBS = ("oven", "oven-out", "tried", "trimmed")
MOST_WAITING = 64
MOST_BATCHES = 8
NOTHING = ("nothing", "none")
"""Tried instead of what was tried before."""
SAME_C = 1.0
SOFT = ("rubbery", "green", "hot")
"""Feels of a part that is not hard yet."""


@stored("part-to-cure")
@dataclass(frozen=True, slots=True, kw_only=True)
class ToCure:
    """One part that is out, with the heat its resin's label asks for."""

    mold: str
    pour: str
    for_s: float
    temp_c: float


@stored("oven-batch")
@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Parts in the oven since `since` [unix s]."""

    since: float
    parts: tuple[ToCure, ...]
    is_said: bool = False

    @property
    def for_s(self) -> float:
        """How long it is in: the longest any part asks [s]."""
        return max(part.for_s for part in self.parts)

    @property
    def out_t(self) -> float:
        """When it is to come out [unix s]."""
        return self.since + self.for_s


@stored("afterwards-kept")
@dataclass(frozen=True, slots=True)
class Kept:
    """What waits for the oven, what is in it, and what was tried last at each mold ("": given up)."""

    waiting: tuple[ToCure, ...] = ()
    batches: tuple[Batch, ...] = ()
    tried: tuple[tuple[str, str], ...] = ()


@stored("afterwards")
@dataclass(slots=True)
class Afterwards:
    """The present state, and that before the last mark."""

    kept: Kept = field(default_factory=Kept)
    before: Kept = field(default_factory=Kept)

    def came_out(self, mark: Mark, mold: str, pour: str, lot: str | None, bench: Bench) -> None:
        """A part came out; it waits for the oven if its label asks for heat."""
        label = bench.label_for(lot)
        if label is None or label.post_cure_s is None or label.post_cure_c is None or mark.grade == "scrap":
            return
        part = ToCure(mold=mold, pour=pour, for_s=label.post_cure_s, temp_c=label.post_cure_c)
        self.kept = replace(self.kept, waiting=(*self.kept.waiting, part)[-MOST_WAITING:])

    def not_out(self, mold: str, pour: str) -> None:
        """That a part came out was taken back."""
        waiting = tuple(part for part in self.kept.waiting if (part.mold, part.pour) != (mold, pour))
        self.kept = replace(self.kept, waiting=waiting)

    def take(self, mark: Mark, bench: Bench) -> tuple[list[Finding], str]:
        """One mark of VERBS: what follows from it, and what is answered.  Raises MarkRejected."""
        before = self.kept
        found, why = {"oven": self._oven, "oven-out": self._oven_out, "tried": self._tried, "trimmed": _trimmed}[
            mark.verb
        ](mark, bench)  # fmt: skip
        self.before = before
        return found, why

    def back(self, t: float, bench: Bench) -> list[Finding]:
        """Take back the last mark of VERBS at t [unix s]: what no longer holds."""
        now, self.kept = self.kept, self.before
        gone = [_loaded(t, batch, bench, True) for batch in now.batches if batch not in self.kept.batches]
        again = [batch for batch in self.kept.batches if batch not in now.batches]
        return [*gone, *(cured for batch in again for cured in _cured(t, batch, bench, True))]

    def on_trial(self, learned: Learned) -> dict[str, str]:
        """Mold -> what is on trial there: as marked, else as learned."""
        known = {mold: each.text for mold, tried in learned.remedies.items() for each in tried if each.is_on}
        return {mold: text for mold, text in (known | dict(self.kept.tried)).items() if text}

    def tick(self, t: float, bench: Bench) -> list[Finding]:
        """Say which batches are to come out at t [unix s]."""
        due = [batch for batch in self.kept.batches if not batch.is_said and batch.out_t <= t]
        if not due:
            return []
        said = {batch.since: replace(batch, is_said=True) for batch in due}
        self.kept = replace(self.kept, batches=tuple(said.get(batch.since, batch) for batch in self.kept.batches))
        about = Subject(bench=bench.id)
        return [
            OvenDue(t=t, subject=about, molds=_molds(batch.parts), for_s=batch.for_s, temp_c=batch.parts[0].temp_c)
            for batch in due
        ]

    def _oven(self, mark: Mark, bench: Bench) -> tuple[list[Finding], str]:
        named = _named(mark, bench)
        parts = tuple(part for part in self.kept.waiting if not named or part.mold in named)
        if not parts:
            which = " of " + ", ".join(mold.upper() for mold in named) if named else ""
            raise MarkRejected(
                f"no part{which} waits for the oven; post_cure and post_cure_at in its resin's file ask it"
            )
        _refuse_mixed([*parts, *(batch.parts[0] for batch in self.kept.batches)], bench)
        batch = Batch(since=mark.t, parts=parts)
        waiting = tuple(part for part in self.kept.waiting if part not in parts)
        self.kept = replace(self.kept, waiting=waiting, batches=(*self.kept.batches, batch)[-MOST_BATCHES:])
        thin = [
            mold.name
            for id in _molds(parts)
            if (mold := bench.mold(id)) is not None and bends(mold.thin_mm, mold.length_mm)
        ]
        lay = f". Lay {', '.join(thin)} flat, heat slowly" if thin else ""
        return [
            _loaded(mark.t, batch, bench, False)
        ], f"{_many(len(parts))} in, out at {_clock(batch.out_t, bench)}{lay}"

    def _oven_out(self, mark: Mark, bench: Bench) -> tuple[list[Finding], str]:
        batches, named = self.kept.batches, _named(mark, bench)
        if not batches:
            raise MarkRejected("nothing is in the oven; mark oven when parts go in")
        due = [batch for batch in batches if batch.out_t <= mark.t]
        mine = (
            [b for b in batches if any(mold in named for mold in _molds(b.parts))]
            if named
            else due or list(batches[:1])
        )
        if not mine or (not named and not due and len(batches) > 1):
            inside = " or ".join(f"{_codes(b.parts)} until {_clock(b.out_t, bench)}" for b in batches)
            raise MarkRejected(f"which? {inside}")
        self.kept = replace(self.kept, batches=tuple(batch for batch in batches if batch not in mine))
        short = [batch for batch in mine if mark.t < batch.out_t]
        why = "; ".join(f"{_codes(b.parts)} had {_span(mark.t - b.since)} of {_span(b.for_s)}" for b in short)
        return [cured for batch in mine for cured in _cured(mark.t, batch, bench, False)], why

    def _tried(self, mark: Mark, bench: Bench) -> tuple[list[Finding], str]:
        mold, text = _mold(mark, bench), " ".join((mark.text or "").split())
        if not text:
            raise MarkRejected(f"say what was tried; mark it as tried {mold.code} vent at the strap loops")
        rest = tuple((id, words) for id, words in self.kept.tried if id != mold.id)
        text = "" if text.lower() in NOTHING else text
        self.kept = replace(self.kept, tried=(*rest, (mold.id, text)))
        return [], "counts for the casts that come out from now on" if text else "no remedy is on trial there any more"


def to_support(mark: Mark, bench: Bench, forecast: Finding | None) -> tuple[list[Finding], str]:
    """What to answer of a part that came out green and bends under its own weight; its mold's last forecast, if any.

    It is said aloud only where the shelf gives the part's length: of a section alone it is a rule of thumb.
    """
    mold = bench.mold(mark.mold)
    if mold is None or mark.grade == "scrap" or not bends(mold.thin_mm, mold.length_mm):
        return [], ""
    until = forecast.hard_at[2] if isinstance(forecast, DemoldForecast) and forecast.hard_at[2] > mark.t else None
    is_soft = mold.pull == "green" and until is not None if mark.feel is None else mark.feel in SOFT
    if not is_soft:
        return [], ""
    why = "lay it flat until hard" + ("" if until is None else f", about {_clock(until, bench)}")
    if mold.length_mm is None:
        return [], why
    about = Subject(bench=bench.id, mold=mold.id, pour=mark.pour, cup=mark.cup, pot=mark.pot)
    sag = round(sag_mm(mold.length_mm, mold.thin_mm), 1)
    return [PartToSupport(t=mark.t, subject=about, sag_mm=sag, until=until)], why


def _trimmed(mark: Mark, bench: Bench) -> tuple[list[Finding], str]:
    _mold(mark, bench)
    return [], ""


def _named(mark: Mark, bench: Bench) -> tuple[str, ...]:
    """The molds a mark names.  Raises MarkRejected for one that the shelf does not have."""
    named = (*mark.molds, *([mark.mold] if mark.mold else []))
    for id in named:
        if bench.mold(id) is None:
            raise MarkRejected(no_such("mold", id.upper(), [m.code for m in bench.molds], "the shelf has none"))
    return named


def _mold(mark: Mark, bench: Bench) -> Mold:
    if mark.mold is None:
        raise MarkRejected(f"say which mold; mark it as {mark.verb} M02")
    _named(mark, bench)
    return next(mold for mold in bench.molds if mold.id == mark.mold)


def _refuse_mixed(parts: Sequence[ToCure], bench: Bench) -> None:
    coolest, hottest = min(part.temp_c for part in parts), max(part.temp_c for part in parts)
    if hottest - coolest > SAME_C:
        unit = bench.temperature_unit
        both = f"{shown_temperature(coolest, unit)} and {shown_temperature(hottest, unit)}"
        raise MarkRejected(f"they ask {both}; put them in one after the other, as oven {parts[0].mold.upper()}")


def _loaded(t: float, batch: Batch, bench: Bench, taken_back: bool) -> OvenLoaded:
    return OvenLoaded(
        t=t, subject=Subject(bench=bench.id), molds=_molds(batch.parts), since=batch.since, for_s=batch.for_s,
        temp_c=batch.parts[0].temp_c, out_at=batch.out_t, taken_back=taken_back,
    )  # fmt: skip


def _cured(t: float, batch: Batch, bench: Bench, taken_back: bool) -> list[PartCured]:
    return [
        PartCured(
            t=t, subject=Subject(bench=bench.id, pour=part.pour, mold=part.mold), since=batch.since,
            for_s=max(t - batch.since, 0.0), asked_s=part.for_s, temp_c=part.temp_c, taken_back=taken_back,
        )
        for part in batch.parts
    ]  # fmt: skip


def _molds(parts: Sequence[ToCure]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(part.mold for part in parts))


def _codes(parts: Sequence[ToCure]) -> str:
    return " ".join(mold.upper() for mold in _molds(parts))


def _many(count: int) -> str:
    return f"{count} part{'' if count == 1 else 's'}"


def _clock(t: float, bench: Bench) -> str:
    minutes = int(((t + bench.utc_offset_s(t)) % DAY_S) // 60.0)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _span(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    return f"{minutes // 60} h {minutes % 60:02d} min"
