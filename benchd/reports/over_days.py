"""Makes the drawings of a day and of many: a mold's pulls, a lot's kicks, a pot's leaks, the causes of scrap."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import timedelta
from statistics import median

from benchd.core.bench import Bench, Lot, Mold, Pot
from benchd.core.bench.local_day import DAY_S
from benchd.core.learned.lot_drift import KickSeen
from benchd.core.units import from_kpa
from benchd.reports import plain
from benchd.reports.drawing.day_strip import Day, DayLoad, day_strip
from benchd.reports.drawing.legend import Key
from benchd.reports.drawing.over_time import Dot, OverTime, bars, over_time
from benchd.reports.drawing.paper import Point
from benchd.reports.records import LoadRecord, Part, Records
from benchd.reports.writer import Drawing

MANY_DAYS = 100
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _drawing(drawn: OverTime) -> Drawing:
    return Drawing(lambda width: over_time(drawn, width), (), lambda width: over_time(drawn, width, drawn.name))


def _dates(bench: Bench, times: Sequence[float]) -> dict[float, str]:
    """The first moment of each day with its date, without its year; of many days the months."""
    if max(times) - min(times) > MANY_DAYS * DAY_S:
        return _months(bench, min(times), max(times))
    found: dict[str, float] = {}
    for t in sorted(times):
        found.setdefault(plain.day_of(bench, t)[5:], t)
    return {t: day for day, t in found.items()}


def _months(bench: Bench, first_t: float, last_t: float) -> dict[float, str]:
    """The first moments of the local months between two times, "Feb", "Jan 2027"; the first has its year too."""
    found: dict[float, str] = {}
    at = plain.local(bench, first_t).replace(day=1, hour=12)
    while True:
        at = (at + timedelta(days=31)).replace(day=1)
        t = bench.midnight_t(at.timestamp() - bench.utc_offset_s(at.timestamp()))
        if t > last_t:
            return found
        name = MONTHS[at.month - 1]
        found[t] = f"{name} {at.year}" if at.month == 1 or not found else name


def mold_drawing(bench: Bench, mold: Mold, parts: Sequence[Part]) -> Drawing | None:
    """When the mold's parts were pulled after the mix, how they were, and when each was held ready; None if none."""
    out = [part for part in parts if part.after_s is not None]
    if not out:
        return None
    dots = [
        Dot(part.mix_t, (part.after_s or 0.0) / 60.0, part.grade or "ungraded",
            against=None if part.hard_s is None else part.hard_s / 60.0)
        for part in out
    ]  # fmt: skip
    good = [dot.value for dot in dots if dot.shape == "good"]
    levels = [(median(good), "usual")] if good else []
    keys = [Key("l", "held ready"), *(Key(grade, grade) for grade in ("good", "second", "scrap"))]
    dates = _dates(bench, [part.mix_t for part in out])
    name = f"{mold.code} {mold.name}: pulled, minutes after the mix"
    lowest = 0.6 * min(v for dot in dots for v in (dot.value, dot.against) if v is not None)
    return _drawing(OverTime(name=name, unit="min", dots=dots, dates=dates, levels=levels, keys=keys, lowest=lowest))


def lot_drawing(bench: Bench, lot: Lot, seen: Sequence[KickSeen], at_23: Mapping[str, float]) -> Drawing | None:
    """The lot's kicks brought to 23 C against its label; None for fewer than two."""
    if len(seen) < 2:
        return None
    dots = [Dot(kick.mix_t, at_23[kick.pour]) for kick in seen]
    name = f"Lot {lot.code}: kick after the mix, brought to {plain.label_warmth(bench)}"
    dates = _dates(bench, [kick.mix_t for kick in seen])
    label_s = lot.label.pot_life_s
    lowest = 0.6 * min([label_s, *(dot.value for dot in dots)])  # a drift of a tenth is to be seen
    return _drawing(OverTime(name=name, unit="s", dots=dots, dates=dates, levels=[(label_s, "label")], lowest=lowest))


def leaks_drawing(bench: Bench, pot: Pot, loads: Sequence[LoadRecord]) -> Drawing | None:
    """What leaked at each hold with its bounds, and how small a leak a tight hold would have shown; None if none."""
    unit, dots = bench.pressure_unit, list[Dot]()
    for load in loads:
        if load.leak is not None:
            low, mid, high = (from_kpa(v, unit) for v in (load.leak.low, load.leak.kpa_per_min, load.leak.high))
            dots.append(Dot(load.closed_t, mid, "good", low, high))
        elif load.verdict == "tight-to" and load.tight_kpa_min is not None:
            dots.append(Dot(load.closed_t, from_kpa(load.tight_kpa_min, unit), "ungraded"))
    if not dots:
        return None
    keys = [Key("good", "leak, with its bounds"), Key("ungraded", "none seen above this")]
    name = f"{pot.name}: leaks, {unit} a minute at the target"
    dates = _dates(bench, [dot.t for dot in dots])
    return _drawing(OverTime(name=name, unit=f"{unit}/min", dots=dots, dates=dates, keys=keys))


def scrap_drawing(bench: Bench, bad: Sequence[Part]) -> Drawing | None:
    """The causes of what was not good, a shape for each part; None if all was good."""
    causes = Counter(part.cause or "no cause given" for part in bad)
    rows: list[tuple[str, list[tuple[str, int]], str]] = []
    for cause, _ in causes.most_common():
        mine = [part for part in bad if (part.cause or "no cause given") == cause]
        grades = Counter(str(part.grade) for part in mine)
        codes = plain.mold_codes(bench, sorted({part.mold for part in mine}))
        rows.append((cause, [(grade, grades[grade]) for grade in ("second", "scrap")], codes))
    if not rows:
        return None
    name = "What went wrong, one shape for each part"
    return Drawing(lambda width: bars(name, rows, width), (), lambda width: bars(name, rows, width, name))


def day_drawing(bench: Bench, records: Records, name: str, curves: Mapping[str, Sequence[Point]]) -> Drawing | None:
    """The day's loads on one line; `curves` are (t [unix s], kPa gauge) by load, where readings were kept."""
    loads = [_day_load(bench, records, load, curves.get(load.id, ())) for load in records.loads.values()]
    if not loads:
        return None
    midnight_t = bench.midnight_t(loads[0].first_t)
    day = Day(name=name, unit=bench.pressure_unit, midnight_t=midnight_t, loads=loads)
    return Drawing(lambda width: day_strip(day, width), (), lambda width: day_strip(day, width, name))


def _day_load(bench: Bench, records: Records, load: LoadRecord, curve: Sequence[Point]) -> DayLoad:
    pours, pot, unit = records.of_load(load), bench.pot(load.pot), bench.pressure_unit
    parts = sorted(
        (part.out_t, plain.mold_codes(bench, [part.mold]), part.grade or "ungraded")
        for pour in pours for part in pour.parts if part.out_t is not None
    )  # fmt: skip
    last_t = load.opened_t or max((t for t, _ in curve), default=load.closed_t + 600.0)
    return DayLoad(
        f"load {load.number}", plain.zero_t(records, load), last_t,
        [(t, from_kpa(kpa, unit)) for t, kpa in curve], [p.kick_t for p in pours if p.kick_t is not None],
        None if pot is None else from_kpa(pot.floor_kpa, unit), parts,
    )  # fmt: skip
