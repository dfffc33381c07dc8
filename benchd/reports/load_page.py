"""Reports one load: the pressure log on one page, the kick drawn on it, and what came out of it."""

from __future__ import annotations

from benchd.core.bench import Bench
from benchd.reports import plain
from benchd.reports.clocks import clock
from benchd.reports.drawing.course import Course
from benchd.reports.drawing.load_sheet import load_sheet
from benchd.reports.records import LoadRecord, PourRecord, Records
from benchd.reports.writer import Document, Drawing


def load_page(bench: Bench, records: Records, load: LoadRecord, course: Course) -> Document:
    """The report of a load, with its course drawn."""
    pot = bench.pot(load.pot)
    name = pot.name if pot else load.pot
    day = f"{plain.day_of(bench, load.closed_t)}, {plain.hour_of(bench, load.closed_t)}"
    document = Document(f"Load {load.number} of {day}: {name}", "load", load.id)
    said = plain.ahead(records.margin_s(load))
    document.say(said, is_strong=True)
    document.draw(_drawing(course, document.title, said))
    _facts(document, bench, records, load)
    for pour in records.of_load(load):
        add_pour(document, bench, pour)
    document.data = _data(records, load)
    return document


def _drawing(course: Course, title: str, said: str) -> Drawing:
    words = [f"{moment.words} {clock(moment.t - course.zero_t)}" for moment in course.moments]
    words += [f"kick {clock(t - course.zero_t)}" for t in course.kicks]
    return Drawing(lambda width: load_sheet(course, width), words, lambda width: load_sheet(course, width, title, said))


def _facts(document: Document, bench: Bench, records: Records, load: LoadRecord) -> None:
    zero = plain.zero_t(records, load)

    def at(t: float | None) -> str | None:
        return None if t is None else f"{clock(t - zero)}, at {plain.hour_of(bench, t)}"

    document.facts(
        ("at pressure", at(load.at_pressure_t)),
        ("kick", at(records.kick_t(load))),
        ("inlet shut", at(load.isolated_t)),
        ("hold done", at(load.hold_done_t)),
        ("least, kick to hold's end", plain.pressure(bench, load.min_kpa)),
        ("leak", plain.hold_words(bench, load)),
        ("topped up", plain.top_ups(bench, load)),
        ("relief valve", f"seen lifting {load.relief_lifted} times" if load.relief_lifted else None),
        ("vent began", at(load.vent_t)),
        ("vented in", None if load.vent_s is None else f"{load.vent_s:.0f} s"),
        ("vented before the hold was done", "yes" if load.vented_early else None),
        ("alarms", ", ".join(load.alarms) if load.alarms else "none"),
    )


def add_pour(document: Document, bench: Bench, pour: PourRecord) -> None:
    """A pour's line of facts and the table of its parts."""
    grams = None if pour.batch_g is None else f"{pour.batch_g:.0f} g (A {pour.a_g:.1f}, B {pour.b_g:.1f})"
    window = ""
    if pour.kick_early_t is not None and pour.kick_late_t is not None:
        window = f" ({clock(pour.kick_early_t - pour.mix_t)} to {clock(pour.kick_late_t - pour.mix_t)})"
    document.facts(
        ("pour", f"{pour.number} of the day, mixed {plain.hour_of(bench, pour.mix_t)}"
         + (", inferred from the cup" if pour.inferred else "")),
        ("lot", plain.lot_code(bench, pour.lot)),
        ("mixed", grams),
        ("kick", None if pour.kick_s is None else f"{clock(pour.kick_s)}{window}, {pour.kick_basis}"),
        ("peak", None if pour.peak_c is None else f"{plain.warmth(bench, pour.peak_c)} in the cup"),
        ("cup ran", pour.odd),
        ("checks answered", plain.checks(bench, pour.checked) or None),
        ("checks skipped", plain.checks(bench, pour.skipped) or None),
    )  # fmt: skip
    document.table(
        ("mold", "came out", "held ready", "felt", "grade", "note"),
        [
            (plain.mold_name(bench, part.mold), plain.span(part.after_s), plain.span(part.hard_s),
             part.feel or plain.UNKNOWN, plain.outcome(part), plain.part_note(bench, part))
            for part in pour.parts
        ],
        "Parts, times after the mix",
    )  # fmt: skip


def pour_page(bench: Bench, records: Records, pour: PourRecord) -> Document:
    """The report of a pour."""
    day = f"{plain.day_of(bench, pour.mix_t)}, {plain.hour_of(bench, pour.mix_t)}"
    document = Document(f"Pour {pour.number} of {day}", "pour", pour.id)
    load = records.loads.get(pour.load or "")
    if load is not None:
        document.say(plain.ahead(records.margin_s(load)), is_strong=True)
    add_pour(document, bench, pour)
    document.data = {"pour": pour_data(pour)}
    return document


PART_KEYS = (
    "mold", "out_t", "feel", "grade", "cause", "text", "hard_s", "picture", "cured_s", "cured_asked_s", "cured_c",
)  # fmt: skip


def pour_data(pour: PourRecord) -> dict[str, object]:
    """A pour as plain numbers."""
    keys = ("id", "number", "mix_t", "cup", "pot", "load", "lot", "a_g", "b_g", "kick_t", "kick_early_t",
            "kick_late_t", "kick_basis", "peak_c", "odd", "ended", "inferred")  # fmt: skip
    parts = [{key: getattr(part, key) for key in PART_KEYS} for part in pour.parts]
    return {key: getattr(pour, key) for key in keys} | {
        "molds": list(pour.molds), "parts": parts, "checked": list(pour.checked), "skipped": list(pour.skipped),
    }  # fmt: skip


def _data(records: Records, load: LoadRecord) -> dict[str, object]:
    keys = ("id", "number", "pot", "closed_t", "at_pressure_t", "isolated_t", "hold_done_t", "min_kpa", "verdict",
            "tight_kpa_min", "relief_lifted", "vent_t", "vent_s", "vented_early", "opened_t")  # fmt: skip
    leak = load.leak
    told = None if leak is None else {k: getattr(leak, k) for k in ("verdict", "kpa_per_min", "low", "high", "hole_mm")}
    return {key: getattr(load, key) for key in keys} | {
        "margin_s": records.margin_s(load),
        "leak": told,
        "top_ups": [list(top) for top in load.top_ups],
        "alarms": list(load.alarms),
        "pours": [pour_data(pour) for pour in records.of_load(load)],
    }
