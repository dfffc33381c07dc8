"""Reports a week on one page: what benchd got wrong, what it learned, and which one measurement would help most."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from benchd.core.bench import Bench
from benchd.reports import plain
from benchd.reports.drawing.windows import Came, Row, windows_drawing
from benchd.reports.records import Records
from benchd.reports.week.gains import Gain
from benchd.reports.week.learned import Lesson
from benchd.reports.week.verdicts import Verdict, chance_of
from benchd.reports.writer import Document, Drawing

KINDS = {
    "kick": "kick within its window", "part": "part hard within its window", "last_mold": '"Last mold"',
    "lid_now": '"Lid now"', "pressure_late": '"Late"', "late load": "loads late without a word",
    "part word": "word that a part is due", "kick found": "kick found in the curve", "no cure": '"No cure seen"',
}  # fmt: skip
"""What is judged, in the order it is shown; alarms follow by their code."""
SAYS = {
    "sooner": "came sooner", "later": "came later", "early": "word early", "late": "word late", "needless": "needless",
    "missing": "no word", "false": "false", "right": "right", "unknown": "can't tell",
}  # fmt: skip
RARE = 0.05  # common practice
MOST_WRONG = 40


@dataclass(frozen=True, slots=True)
class Week:
    """A week's findings: its local days "2026-01-05", what was judged, learned, and would help."""

    first: str
    last: str
    verdicts: Sequence[Verdict]
    lessons: Sequence[Lesson]
    gains: Sequence[Gain]


def week_page(bench: Bench, records: Records, week: Week) -> Document:
    """The report of one week; records: of that week alone."""
    document = Document(f"{bench.name}: the week of {week.first}", "week", week.first)
    if not records.pours and not records.loads:
        document.say(f"Nothing was cast from {week.first} to {week.last}: nothing to judge, nothing learned.", True)
        document.data = _data(records, week)
        return document
    wrong = [each for each in week.verdicts if each.is_wrong]
    judged = [each for each in week.verdicts if each.says != "unknown"]
    document.say(_head(len(wrong), len(judged), len(week.verdicts)), is_strong=True)
    document.say(_best(week.gains), is_strong=True)
    document.draw(_drawing(week.verdicts))
    _judged(document, week.verdicts)
    _wrong(document, bench, records, wrong)
    _chances(document, week.verdicts)
    document.table(
        ("learned", "before", "after"),
        [(each.what, each.before, each.after) for each in week.lessons],
        "What it learned",
    )
    if not week.lessons:
        document.say("Nothing was learned: too few pours, pulls or tight holds, or no new ones.")
    _gains(document, week.gains)
    document.data = _data(records, week)
    return document


def _head(wrong: int, judged: int, told: int) -> str:
    if not judged:
        return f"Nothing can be judged: of {told} forecasts and words nobody recorded what came." if told else (
            "Nothing was foretold or called, so there is nothing to judge."
        )  # fmt: skip
    open_ones = f"; of {told - judged} nobody can tell" if told > judged else ""
    return f"{wrong} of {judged} forecasts and words that can be judged were wrong{open_ones}."


def _judged(document: Document, verdicts: Sequence[Verdict]) -> None:
    counts: dict[str, Counter[str]] = {}
    for each in verdicts:
        way = "wrong" if each.is_wrong else each.says
        counts.setdefault(each.what, Counter())[way] += 1
    order = [*(kind for kind in KINDS if kind in counts), *sorted(kind for kind in counts if kind not in KINDS)]
    document.table(
        ("what was told", "right", "wrong", "can't tell"),
        [(KINDS.get(kind, kind), *(str(counts[kind][way]) for way in ("right", "wrong", "unknown"))) for kind in order],
        "How it turned out",
    )


def _wrong(document: Document, bench: Bench, records: Records, wrong: Sequence[Verdict]) -> None:
    rows = sorted(wrong, key=lambda each: each.t)
    document.table(
        ("when", "what", "turned out", "how", "known"),
        [
            (_when(bench, each.t), _name(bench, each), SAYS[each.says], each.why, each.doubt)
            for each in rows[:MOST_WRONG]
        ],
        "What it got wrong",
    )
    if len(rows) > MOST_WRONG:
        document.say(f"And {len(rows) - MOST_WRONG} more: --json has them all.")
    if rows:
        document.say("Seen: a mark shows it. Inferred: from pressure, or from a kick that benchd found itself.")


def _name(bench: Bench, each: Verdict) -> str:
    name = KINDS.get(each.what, each.what)
    return name if each.mold is None else f"{plain.mold_codes(bench, [each.mold])}: {name}"


def _when(bench: Bench, t: float) -> str:
    return f"{plain.local(bench, t).strftime('%a')} {plain.hour_of(bench, t)}"


def _chances(document: Document, verdicts: Sequence[Verdict]) -> None:
    """Windows are to hold nine in ten: how likely so many outside are by chance, where they are many."""
    for what, name in (("kick", "kicks"), ("part", "parts")):
        mine = [each for each in verdicts if each.what == what and each.says != "unknown"]
        outside = sum(each.is_wrong for each in mine)
        chance = chance_of(outside, len(mine)) if outside else 1.0
        if chance < RARE:
            told = f"{outside} of {len(mine)} {name} outside windows that are to hold nine in ten"
            document.say(f"{told}: {max(chance, 0.001):.3f} by chance alone. Something is unlike its label.")


# -------------------------------------------------------------------------------------------------- what would help


def best_of(gains: Sequence[Gain]) -> Gain | None:
    """The measurement that would have helped most in the week; None where none can be told."""
    return max((gain for gain in gains if gain.narrower > 0.0), key=lambda gain: gain.weight, default=None)


def _best(gains: Sequence[Gain]) -> str:
    best = best_of(gains)
    if best is None or best.now is None or best.with_it is None:
        return "Which measurement would help most cannot be told yet: see what each still needs."
    now, then = (_amount(best, value) for value in (best.now, best.with_it))
    serves = best.serves.capitalize()
    return f"One measurement would help most: {best.measure}. {serves}: {now} now, {then} with it, {_share(best)}."


def _share(gain: Gain) -> str:
    return f"for {gain.helps} of {gain.of}"


def _amount(gain: Gain, value: float) -> str:
    return f"{value:.0f} {gain.unit}" if value >= 10.0 else f"{value:.1f} {gain.unit}"


def _gains(document: Document, gains: Sequence[Gain]) -> None:
    ranked = sorted(gains, key=lambda gain: -gain.weight)
    document.table(
        ("measurement", "narrows", "now", "with it", "of the week's"),
        [(g.measure, g.serves, _amount(g, g.now), _amount(g, g.with_it), f"{_share(g)}: {g.narrower:.0%} less open")
         for g in ranked if g.now is not None and g.with_it is not None],
        "What one measurement would gain",
    )  # fmt: skip
    document.facts(*((gain.measure, gain.lacking or None) for gain in ranked))
    for gain in ranked:
        if gain.note:
            document.say(f"{gain.note}.")
    document.say(
        "From this bench's own records, by the functions that forecast: an estimate, not a promise. Ranked by how much "
        "narrower, times the share that was wrong or open there this week."
    )


# ------------------------------------------------------------------------------------------------------ the drawing


def _drawing(verdicts: Sequence[Verdict]) -> Drawing | None:
    rows = []
    for what, name in (("kick", "Kicks"), ("part", "Parts hard")):
        came = [Came(each.place, each.side, each.is_wrong) for each in verdicts
                if each.what == what and each.place is not None and each.says != "unknown"]  # fmt: skip
        if came:
            rows.append(Row(name, came))
    if not rows:
        return None
    title = "What came, within its window as foretold"
    told = tuple(f"{row.name}: {sum(not c.is_wrong for c in row.came)} of {len(row.came)} within." for row in rows)
    return Drawing(
        lambda width: windows_drawing(rows, title, width), (f"{title}. {' '.join(told)}",),
        lambda width: windows_drawing(rows, title, width, is_alone=True),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------------ the numbers


def _data(records: Records, week: Week) -> dict[str, object]:
    best = best_of(week.gains)
    says: Counter[str] = Counter(each.says for each in week.verdicts)
    return {
        "from": week.first, "to": week.last, "pours": len(records.pours), "loads": len(records.loads),
        "wrong": sum(each.is_wrong for each in week.verdicts), "told": len(week.verdicts),
        "says": {name: says[name] for name in SAYS if says[name]},
        "verdicts": [
            {"what": v.what, "at": round(v.t, 1), "pour": v.pour, "mold": v.mold, "says": v.says, "known": v.doubt,
             "why": v.why, "place": None if v.place is None else round(v.place, 3), "side": v.side}
            for v in week.verdicts
        ],
        "learned": [asdict(lesson) for lesson in week.lessons],
        "would_help": None if best is None else best.measure,
        "gains": [_gain_data(gain) for gain in week.gains],
    }  # fmt: skip


def _gain_data(gain: Gain) -> dict[str, object]:
    now, with_it = (None if value is None else round(value, 4) for value in (gain.now, gain.with_it))
    return {
        "measure": gain.measure, "serves": gain.serves, "unit": gain.unit, "now": now, "with_it": with_it,
        "helps": gain.helps, "of": gain.of, "narrower": round(gain.narrower, 4), "weight": round(gain.weight, 4),
        "lacking": gain.lacking, "note": gain.note,
    }  # fmt: skip
