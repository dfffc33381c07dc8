"""Reports how molds, lots and pots do over months: yield, life, kick against age, money, leaks, what to buy."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from statistics import median

from benchd.core.bench import Bench, Lot, Mold, Pot
from benchd.core.bench.recipe import base_of
from benchd.core.learned.lot_drift import KickSeen, at_label_temp_s, drift_of, rounded
from benchd.core.learned.lot_drift import words as drift_words
from benchd.core.learned.remedies import remedy_words
from benchd.core.model.learned import Remedy
from benchd.core.units import from_kpa
from benchd.reports import plain
from benchd.reports.balance import balance, cost_words, left_of, used_g
from benchd.reports.over_days import leaks_drawing, lot_drawing, mold_drawing
from benchd.reports.records import Part, PourRecord, Records
from benchd.reports.records_read import HOURS
from benchd.reports.records_room import histories_of
from benchd.reports.writer import Document
from benchd.shelf.mold_life import MoldHistory, lives
from benchd.shelf.plan.reserve import LIFE_NEAR
from benchd.shelf.remains import is_past

LOW_SHARE = 0.25  # of what was bought: time to order
OPENED_DAYS = 30.0  # an opened lot's shelf life: common practice, no source


def _castings(document: Document, bench: Bench, parts: Sequence[Part]) -> None:
    document.table(
        ("day", "came out", "felt", "grade", "note"),
        [(plain.day_of(bench, p.mix_t), plain.span(p.after_s), p.feel or plain.UNKNOWN, plain.outcome(p),
          plain.part_note(bench, p))
         for p in reversed(parts)],
        "Castings, newest first",
    )  # fmt: skip


def mold_page(
    bench: Bench, records: Records, mold: Mold, histories: Sequence[MoldHistory] = (), tried: Sequence[Remedy] = ()
) -> Document:
    """One mold: how often cast, what came out, when it was best pulled, what was tried, how long its silicone lasts."""
    parts = [part for part in records.parts() if part.mold == mold.id]
    document = Document(f"{mold.code} {mold.name}", "mold", mold.id)
    casts = mold.casts_before + len(parts)
    document.say(f"{casts} of {mold.life} casts of its life.", is_strong=True)
    document.draw(mold_drawing(bench, mold, parts))
    grades, causes = Counter(p.grade for p in parts), Counter(p.cause for p in parts if p.cause)
    good_s = [p.after_s for p in parts if p.grade == "good" and p.after_s is not None]
    document.facts(
        ("shot", f"cavity {mold.cavity_ml:g} ml, gate {mold.gate_ml:g} ml, reservoir {mold.reservoir_ml:g} ml"),
        ("sections", f"{mold.thin_mm:g} to {mold.thick_mm:g} mm"),
        ("on record", ", ".join(f"{grades[g]} {g}" for g in ("good", "second", "scrap")) if parts else "nothing yet"),
        ("causes", ", ".join(f"{cause} {n}" for cause, n in causes.most_common()) or None),
        ("quickest good pull", plain.span(min(good_s)) + " after the mix" if good_s else None),
        ("usual good pull", plain.span(median(good_s)) + " after the mix" if good_s else None),
        ("known traps", mold.traps or None),
        *(("tried", remedy_words(remedy) + ("" if remedy.is_on else " Given up.")) for remedy in tried),
        *_wear(bench, mold, histories),
        ("retired", "yes" if mold.retired else None),
    )
    _castings(document, bench, parts)
    document.data = {"mold": mold.id, "casts": casts, "life": mold.life, "causes": dict(causes),
                     "grades": {g: grades[g] for g in ("good", "second", "scrap")},
                     "tried": [asdict(remedy) for remedy in tried],
                     "pictures": [part.picture for part in parts if part.picture]}  # fmt: skip
    return document


def _wear(bench: Bench, mold: Mold, histories: Sequence[MoldHistory]) -> list[tuple[str, str | None]]:
    """How old it is, when its parts began to stick, and after how many casts those of its silicone did."""
    own = next((h for h in histories if h.mold == mold.id), None)
    life = lives(histories).get(mold.silicone)
    signs = sum(h.before_sign is not None for h in histories if h.silicone == mold.silicone)
    of = sum(h.silicone == mold.silicone for h in histories)
    told = f"{signs} of {of} molds began to stick: too few to say" if life is None else (
        f"half began to stick after {life.casts} casts ({life.signs} of {life.molds} molds so far); the plan goes by it"
    )  # fmt: skip
    return [
        ("made", None if mold.made is None else plain.day_of(bench, mold.made)),
        ("last day", None if mold.shelf_end is None else plain.day_of(bench, mold.shelf_end - 1.0)),
        ("began to stick", None if own is None or own.before_sign is None else f"after {own.before_sign} casts"),
        (f"molds of {mold.silicone}", told if mold.silicone else None),
    ]


def lot_page(bench: Bench, records: Records, lot: Lot, now_t: float, seen: Sequence[KickSeen] = ()) -> Document:
    """One lot: its kicks as it aged, what is left, what it cost."""
    pours = [pour for pour in records.pours.values() if base_of(pour.lot) == lot.id]
    used, made = used_g(lot.id, pours), balance(bench, pours)
    document = Document(f"Lot {lot.code}: {lot.label.name}", "lot", lot.id)
    drift = drift_of(seen, lot.label)
    at_23 = {kick.pour: at_label_temp_s(kick.kick_s, kick.temp_c, lot.label) for kick in seen}
    good = sum(part.grade == "good" for pour in pours for part in pour.parts)
    age = None if lot.opened is None else (now_t - lot.opened) / 86400.0
    document.facts(
        ("opened", None if age is None else f"{age:.0f} days ago"),
        ("marked", lot.suspect or None),
        ("used", f"{used:.0f} g in {len(pours)} pours"),
        ("shelf end", _shelf_end(bench, lot, now_t)),
        ("left", _left(bench, lot, pours)),
        ("cost so far", cost_words(made)),
        ("cost a good part", None if made.cost is None or not good else f"{made.cost / good:.2f}"),
        ("label", f"pot life {plain.span(lot.label.pot_life_s)}"),
        ("with age", drift_words(drift, len(seen)) if lot.opened is not None else "no `opened` day on the shelf"),
    )
    document.draw(lot_drawing(bench, lot, seen, at_23))
    _kicks(document, bench, pours, at_23)
    kicks = [pour.kick_s for pour in pours if pour.kick_s is not None]
    document.data = {"lot": lot.id, "used_g": used, "pours": len(pours), "kicks_s": kicks,
                     "drift": None if drift is None else asdict(rounded(drift))}  # fmt: skip
    return document


def _kicks(document: Document, bench: Bench, pours: Sequence[PourRecord], at_23: Mapping[str, float]) -> None:
    document.table(
        ("day", "kick", f"at {plain.label_warmth(bench)}", "peak", "cup ran", "basis"),
        [(plain.day_of(bench, p.mix_t), plain.span(p.kick_s), plain.span(at_23.get(p.id)), _peak(bench, p),
          p.odd or "as expected", p.kick_basis or plain.UNKNOWN) for p in pours],
        f"Kicks, at the temperatures of their days and brought to {plain.label_warmth(bench)}",
    )  # fmt: skip


def _left(bench: Bench, lot: Lot, pours: Sequence[PourRecord]) -> str | None:
    left = left_of(lot, pours)
    if left is None:
        return None
    of = "" if lot.bought_g is None else f" of {lot.bought_g:.0f} g"
    since = "" if lot.left_since is None else f"; {lot.left_g:.0f} g weighed on {plain.day_of(bench, lot.left_since)}"
    return f"{left:.0f} g{of}{since}"


def _shelf_end(bench: Bench, entry: Lot | Mold, now_t: float) -> str | None:
    """The last day of a lot or mold, and whether it has passed."""
    if entry.shelf_end is None:
        return None
    day = plain.day_of(bench, entry.shelf_end - 1.0)
    return f"{day}, PASSED" if is_past(entry, now_t) else day


def _peak(bench: Bench, pour: PourRecord) -> str:
    return plain.warmth(bench, pour.peak_c)


def leaks_page(bench: Bench, records: Records, pot: Pot) -> Document:
    """One pot's holds, oldest first: what leaked, and how small a leak would have shown."""
    loads = [load for load in records.loads.values() if load.pot == pot.id]
    document = Document(f"{pot.name}: leaks", "leaks", pot.id)
    leaked = [(load.closed_t, from_kpa(load.leak.kpa_per_min, bench.pressure_unit)) for load in loads if load.leak]
    said = f"{len(leaked)} of {len(loads)} loads leaked." if loads else "No load of this pot is on record yet."
    document.say(said, is_strong=True)
    document.draw(leaks_drawing(bench, pot, loads))
    document.table(
        ("day", "load", "topped up", "relief lifted", "hold"),
        [(plain.day_of(bench, load.closed_t), str(load.number), str(len(load.top_ups)), str(load.relief_lifted),
          plain.hold_words(bench, load) or plain.UNKNOWN) for load in reversed(loads)],
        "Holds, newest first",
    )  # fmt: skip
    if leaked:
        document.say("Look first at the gasket (a crumb, a cut), then clamps, quick connect, valve stem, relief seat.")
    document.data = {"pot": pot.id, "loads": len(loads), "leaks": [list(row) for row in leaked]}
    return document


def shopping_page(bench: Bench, records: Records, now_t: float) -> Document:
    """What to buy, make or throw away soon."""
    document = Document("To buy, to make, to look at", "shopping", "now")
    rows = to_buy(bench, records, now_t)
    document.say(f"{len(rows)} things." if rows else "Nothing for now.", is_strong=True)
    document.table(("what", "why", "do"), rows)
    document.data = {"things": [list(row) for row in rows]}
    return document


def to_buy(bench: Bench, records: Records, now_t: float) -> list[tuple[str, str, str]]:
    """(what, why, what to do) of molds, lots, mask and cartridges."""
    return [*_molds(bench, records, now_t), *_lots(bench, records, now_t), *_mask(bench, records)]


def _molds(bench: Bench, records: Records, now_t: float) -> list[tuple[str, str, str]]:
    """Molds near the end of their life, as typed or as their silicone's was learned, or past their last day."""
    histories = histories_of(bench, records)
    learned, casts = lives(histories), {h.mold: h.casts for h in histories}
    rows = []
    for mold in (mold for mold in bench.molds if not mold.retired):
        known, count = learned.get(mold.silicone), casts[mold.id]
        life = mold.life if known is None else min(mold.life, known.casts)
        if count >= LIFE_NEAR * life:
            why = f"{count} of {life} casts used" + (f", as molds of {mold.silicone} gave" if life < mold.life else "")
            rows.append((f"{mold.code} {mold.name}", why, "make the next mold"))
        if is_past(mold, now_t):
            rows.append(
                (f"{mold.code} {mold.name}", f"last day {_shelf_end(bench, mold, now_t)}", "make the next mold")
            )
    return rows


def _lots(bench: Bench, records: Records, now_t: float) -> list[tuple[str, str, str]]:
    rows = []
    for lot in bench.lots:
        name = f"{lot.code} {lot.label.name}"
        if lot.suspect:
            rows.append((name, lot.suspect, "a witness pour, or bin it by its data sheet"))
        elif lot.opened is not None and now_t - lot.opened > OPENED_DAYS * 86400.0:
            age = (now_t - lot.opened) / 86400.0
            rows.append((name, f"opened {age:.0f} days ago", "a witness pour before the next load"))
        if is_past(lot, now_t):
            rows.append((name, f"shelf end {_shelf_end(bench, lot, now_t)}", "a witness pour, or bin it"))
        left, held = left_of(lot, records.pours.values()), lot.bought_g or lot.left_g
        if left is not None and held is not None and left < LOW_SHARE * held:
            rows.append((name, f"{left:.0f} g left of {held:.0f} g", "order"))
    return rows


def _mask(bench: Bench, records: Records) -> list[tuple[str, str, str]]:
    """Mask and cartridges by the hours last noted ("cartridges 12 h"): smell does not show their end."""
    hours: dict[str, tuple[str, float]] = {}
    for note in records.notes:
        found = HOURS.fullmatch(note.text.strip().lower())
        if found is not None:
            hours[found[1]] = (found[2], note.t)
    return [
        (what, f"{count} h, noted {plain.day_of(bench, t)}", "change by the maker's hours, not by smell")
        for what, (count, t) in hours.items()
    ]
