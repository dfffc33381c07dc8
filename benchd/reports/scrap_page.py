"""Reports what went wrong and what it coincided with: causes, and bad parts by bands of what was measured.

Each part is counted in the band of its load's margin and least pressure, and of the room's humidity at its mix.  A band
gives how many parts it holds, and its share's 90 % interval (Wilson's), since a share of few says little.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence

from benchd.core.bench import Bench
from benchd.core.units import from_kpa
from benchd.reports import plain
from benchd.reports.exact import fisher_two_sided
from benchd.reports.over_days import scrap_drawing
from benchd.reports.records import LoadRecord, Part, Records
from benchd.reports.writer import Document

FEW = 8  # fewer graded parts than this say little: common practice, no source
Z90 = 1.645
RH_PCT = (40.0, 50.0, 60.0)  # 50 warns, 60 holds off: common practice
MARGIN_S = (0.0, 20.0, 40.0)  # after the kick; 20 to 30 s are asked for: common practice
PSI = (30.0, 35.0, 40.0)  # least that works, floor, near the target: common practice
UNIT_STEPS = {"psi": PSI, "kPa": (200.0, 240.0, 280.0), "bar": (2.0, 2.4, 2.8)}

Measure = Callable[[Part], float | None]
Row = tuple[str, ...]


def scrap_page(bench: Bench, records: Records) -> Document:
    """What went wrong, and what it coincided with: counts, and how likely chance alone would divide them so."""
    parts = [part for part in records.parts() if part.grade]
    bad = [part for part in parts if part.grade != "good"]
    document = Document("What went wrong", "scrap", "all")
    if not parts:
        document.say("No part has been graded yet.", is_strong=True)
        document.say("Grade each as it comes out, on the page or with: benchd mark demolded M02 hard good")
    else:
        document.say(f"{len(bad)} of {len(parts)} graded parts were not good.", is_strong=True)
    document.draw(scrap_drawing(bench, bad))
    causes = Counter(_cause(part) for part in bad)
    molds = {cause: sorted({part.mold for part in bad if _cause(part) == cause}) for cause in causes}
    causes_rows = [(cause, str(n), plain.mold_codes(bench, molds[cause])) for cause, n in causes.most_common()]
    document.table(("cause", "parts", "molds"), causes_rows)
    document.table(
        ("condition", "bad with", "good with", "bad without", "good without", "chance alone"),
        [_against(name, parts, held) for name, held in _conditions(bench, records).items()],
        "Bad parts against what was measured",
    )
    told = {name: _bands(name, parts, measure, steps, unit) for name, measure, steps, unit in _measures(bench, records)}
    for name, rows in told.items():
        document.table((name, "parts", "good", "second", "scrap", "not good", "90 % interval"), rows)
    if 0 < len(parts) < FEW:
        few = "One part says" if len(parts) == 1 else f"{len(parts)} parts say"
        document.say(f"{few} little: read no cause into this yet.")
    document.data = {"graded": len(parts), "bad": len(bad), "causes": dict(causes),
                     "bands": {name: [list(row) for row in rows] for name, rows in told.items()}}  # fmt: skip
    return document


def _cause(part: Part) -> str:
    return part.cause or "no cause given"


def _conditions(bench: Bench, records: Records) -> dict[str, set[str]]:
    """Condition -> loads it held in."""

    def held(load: LoadRecord) -> dict[str, bool]:
        margin_s, pot = records.margin_s(load), bench.pot(load.pot)
        first_t = plain.zero_t(records, load)
        damp = any(first_t - 6 * 3600.0 <= a.t <= first_t + 1800.0 for a in records.air)
        low = load.min_kpa is not None and pot is not None and load.min_kpa < pot.floor_kpa
        late = margin_s is not None and margin_s < 0
        return {"damp or wet air": damp, "pressure after the kick": late, "below the floor in the hold": low,
                "a leak": load.leak is not None}  # fmt: skip

    out: dict[str, set[str]] = {}
    for load in records.loads.values():
        for name, is_held in held(load).items():
            out.setdefault(name, set()).update({load.id} if is_held else set())
    return out


def _against(name: str, parts: list[Part], loads: set[str]) -> tuple[str, ...]:
    counts = Counter((part.load in loads, part.grade != "good") for part in parts if part.load)
    bad_with, good_with = counts[True, True], counts[True, False]
    bad_without, good_without = counts[False, True], counts[False, False]
    chance = fisher_two_sided(bad_with, good_with, bad_without, good_without)
    told = "can't tell" if not (bad_with + good_with and bad_without + good_without) else f"{chance:.2f}"
    return (name, str(bad_with), str(good_with), str(bad_without), str(good_without), told)


def _measures(bench: Bench, records: Records) -> list[tuple[str, Measure, Sequence[float], str]]:
    """(heading, what is measured of a part, the bands' edges, unit)."""
    unit = bench.pressure_unit

    def margin_s(part: Part) -> float | None:
        load = records.loads.get(part.load or "")
        return None if load is None else records.margin_s(load)

    def least(part: Part) -> float | None:
        load = records.loads.get(part.load or "")
        return None if load is None or load.min_kpa is None else from_kpa(load.min_kpa, unit)

    return [
        ("room at the mix", lambda part: records.pours[part.pour].room_rh, RH_PCT, "% RH"),
        ("pressure before the kick", margin_s, MARGIN_S, "s"),
        ("least in the hold", least, UNIT_STEPS[unit], unit),
    ]


def _bands(name: str, parts: Sequence[Part], measure: Measure, steps: Sequence[float], unit: str) -> list[Row]:
    """One row a band that holds parts, the lowest first, then those nobody measured; none if none was measured."""
    grades: dict[int, Counter[str]] = {}
    for part in parts:
        value = measure(part)
        band = len(steps) + 1 if value is None else sum(value >= step for step in steps)
        grades.setdefault(band, Counter())[str(part.grade)] += 1
    if set(grades) <= {len(steps) + 1}:
        return []
    return [_row(_band_words(band, steps, unit), grades[band]) for band in sorted(grades)]


def _band_words(band: int, steps: Sequence[float], unit: str) -> str:
    if band > len(steps):
        return "not measured"
    if band == 0:
        return "after the kick" if steps[0] == 0.0 else f"below {steps[0]:g} {unit}"
    return f"{steps[-1]:g} {unit} and more" if band == len(steps) else f"{steps[band - 1]:g} to {steps[band]:g} {unit}"


def _row(words: str, grades: Counter[str]) -> Row:
    n = sum(grades.values())
    bad = n - grades["good"]
    low, high = wilson(bad, n)
    counts = (str(n), *(str(grades[grade]) for grade in ("good", "second", "scrap")))
    return (words, *counts, f"{100.0 * bad / n:.0f} %", f"{100.0 * low:.0f} to {100.0 * high:.0f} %")


def wilson(bad: int, n: int) -> tuple[float, float]:
    """The 90 % interval of a share, bad of n: (p + z^2/2n -+ z sqrt(p (1 - p)/n + z^2/4n^2))/(1 + z^2/n), p = bad/n.

    Raises ValueError unless 0 <= bad <= n and n > 0.
    Source: E. B. Wilson, "Probable inference, the law of succession, and statistical inference", J. Am. Stat. Assoc. 22
    (1927) 209.
    """
    if not 0 <= bad <= n or n == 0:
        raise ValueError("a share of counts")
    share, z2 = bad / n, Z90**2
    middle = (share + z2 / (2.0 * n)) / (1.0 + z2 / n)
    half = Z90 / (1.0 + z2 / n) * math.sqrt(share * (1.0 - share) / n + z2 / (4.0 * n**2))
    return max(0.0, middle - half), min(1.0, middle + half)
