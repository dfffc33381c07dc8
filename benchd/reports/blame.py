"""Judges the suspects for a bad part: what points to each, what clears it, what can't be known, from how many.

Rules.  1. A suspect can only be pointed to for a fault it can make (CAN_MAKE).
2. It is pointed to only when its own measurement was off; what was in order is cleared; what nobody measured can't be
known.  3. A fault of the whole load shows in the whole load: while its other parts are good, the load is not pointed to
on its own measurement alone.  4. A mold is pointed to when the fault is one of shape, or when it made it before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchd.core.bench import Bench
from benchd.reports import plain
from benchd.reports.blame_cure import kick_factor, thin_section
from benchd.reports.records import LoadRecord, Part, PourRecord, Records

Says = Literal["points to", "cleared", "can't tell"]

CAN_MAKE: dict[str, tuple[str, ...]] = {
    "late pressure": ("foam", "pinhole"),
    "low pressure": ("foam", "pinhole"),
    "leak": ("foam", "pinhole"),
    "damp air": ("foam", "pinhole"),
    "ratio": ("soft", "warp", "colour"),
    "cure": ("soft", "warp"),
    "thin section": ("foam", "pinhole", "soft", "warp"),
    "demold time": ("soft", "warp", "tear"),
    "mold": ("trap", "short", "pinhole", "tear", "seam", "dimple"),
    "lot": ("foam", "soft", "colour"),
}
"""Suspect -> the faults it can make: common practice, no source."""

SKIP_CAN_MAKE: dict[str, tuple[str, ...]] = {
    "release": ("tear", "pinhole"), "vents": ("trap", "short"), "traps": ("trap", "short"), "bands": ("seam",),
    "tank": ("foam", "pinhole"), "warm": ("soft", "warp", "foam", "pinhole"),
}  # fmt: skip
"""Skipped check -> the faults it can leave room for: common practice, no source."""
OF_THE_PRESSURE = ("foam", "pinhole")  # what reopens or swells when a section is not past gel at the vent
OF_THE_MOLD = ("trap", "short", "seam", "dimple")  # faults of a cavity's shape, vents and stance
RATIO_OFF = 0.02  # weigh to +-2 %: common practice, no source
DAMP_RH_PCT = 50.0  # at or below for storing and casting: common practice, no source
OLD_DAYS = 30.0  # an opened lot's shelf life: common practice, no source
WORN = 0.8  # of a mold's life
AIR_BEFORE_S, AIR_AFTER_S = 6 * 3600.0, 1800.0  # damp that ended earlier left molds and cups to dry; common practice
COLD_C, THIN_MM = 20.0, 3.0  # cold resin or molds leave thin parts bendy: warm to 23 C; common practice
KICKS_WITHIN = (0.7, 1.4)  # of the label, at 23 C; old lots can be far slower: common practice, no source
EARLY = 0.97  # pulled before this share of the time it was held ready hard


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One suspect: what is said of it, the numbers, and how many castings they come from (0: none but this)."""

    suspect: str
    says: Says
    why: str
    n: int = 0


def blame(bench: Bench, records: Records, part: Part) -> list[Suspicion]:
    """Every suspect for one part, those pointed to first; none for a part that is good, or has no cause."""
    if part.grade in (None, "good") or part.cause is None:
        return []
    pour, load = records.pours.get(part.pour), records.loads.get(part.load or "")
    found = [
        *_pressure(bench, records, part, load),
        _air(bench, records, part),
        _ratio(bench, part, pour),
        _cure(part, pour),
        _thin(bench, part, pour, load),
        _demold(part),
        _mold(bench, records, part),
        _lot(bench, part, pour),
    ]
    found += _skipped(bench, part, pour)
    order = {"points to": 0, "can't tell": 1, "cleared": 2}
    return sorted(found, key=lambda verdict: order[verdict.says])


def _clause(sentence: str) -> str:
    """A sentence as a part of another."""
    return f"{sentence[:1].lower()}{sentence[1:].rstrip('.')}"


def _judged(suspect: str, part: Part, is_off: bool | None, why: str, n: int = 0) -> Suspicion:
    """Rules 1 and 2: is_off None means not measured."""
    if part.cause not in CAN_MAKE[suspect]:
        return Suspicion(suspect, "cleared", f"cannot make a {part.cause}; {why}", n)
    says: Says = "can't tell" if is_off is None else "points to" if is_off else "cleared"
    return Suspicion(suspect, says, why, n)


def _others(records: Records, part: Part) -> tuple[int, int]:
    """(other graded parts of the same load, those of them with the same fault)."""
    found = [p for p in records.parts() if p.load == part.load and p is not part and p.grade and part.load]
    return len(found), sum(p.cause == part.cause for p in found)


def _shared(verdict: Suspicion, records: Records, part: Part) -> Suspicion:
    """Rule 3: a fault of the whole load that the load's other parts don't share."""
    others, same = _others(records, part)
    if verdict.says != "points to" or others == 0:
        return verdict
    told = f"{same} of {others} others in the load had it too"
    says: Says = "points to" if same else "can't tell"
    return Suspicion(verdict.suspect, says, f"{verdict.why}; {told}", others)


def _pressure(bench: Bench, records: Records, part: Part, load: LoadRecord | None) -> list[Suspicion]:
    if load is None:
        return [_judged(name, part, None, "in no load on record") for name in ("late pressure", "low pressure", "leak")]
    margin_s, pot = records.margin_s(load), bench.pot(load.pot)
    floor_kpa = pot.floor_kpa if pot else None
    is_low = None if load.min_kpa is None or floor_kpa is None else load.min_kpa < floor_kpa
    least = plain.pressure(bench, load.min_kpa)
    leak = load.leak
    leaked = None if leak is None and load.verdict is None else leak is not None and (is_low is not False)
    hold = plain.hold_words(bench, load) or "the hold was not judged"
    held = "" if leak is None or is_low is not False else "; the floor held until the parts had gelled"
    return [
        _shared(
            _judged("late pressure", part, None if margin_s is None else margin_s < 0, _clause(plain.ahead(margin_s))),
            records,
            part,
        ),
        _shared(
            _judged(
                "low pressure", part, is_low, f"least {least} from kick to end of hold" if least else "not measured"
            ),
            records,
            part,
        ),
        _shared(_judged("leak", part, leaked, hold + held), records, part),
    ]


def _air(bench: Bench, records: Records, part: Part) -> Suspicion:
    since_t, until_t = part.mix_t - AIR_BEFORE_S, part.mix_t + AIR_AFTER_S
    before = [a for a in records.air if a.t <= until_t and (a.end_t is None or a.end_t >= since_t)]
    if not before and not any(channel.role == "room_humidity" for channel in bench.channels):
        return _judged("damp air", part, None, "no humidity was measured")
    if not before:
        pour = records.pours.get(part.pour)
        told = "" if pour is None or pour.room_rh is None else f"{pour.room_rh:.0f} % RH at the mix; "
        why = f"{told}no damp or wet air was found (over {DAMP_RH_PCT:.0f} % RH is reported)"
        return _judged("damp air", part, False, why)
    worst = max(before, key=lambda a: a.rh_pct)
    why = f"{plain.air(bench, worst)}, {worst.basis}, before it"
    others, same = _others(records, part)
    verdict = _judged("damp air", part, True if worst.basis == "measured" else None, why, others)
    if part.cause == "foam":
        return _shared(verdict, records, part)  # foam in one mold is that mold's; in all it is resin, cup or air
    told = f"; {same} of {others} others in the load had it" if others else ""
    return Suspicion(verdict.suspect, verdict.says, verdict.why + told, others)


def _skipped(bench: Bench, part: Part, pour: PourRecord | None) -> list[Suspicion]:
    """A check that was skipped before the mix and could have found this: it says nothing of how the thing was."""
    skipped = [] if pour is None else [
        code for code in pour.skipped
        for what, _, mold in (code.partition("-"),)
        if part.cause in SKIP_CAN_MAKE.get(what, ()) and mold in ("", part.mold)
    ]  # fmt: skip
    if not skipped:
        return []
    return [Suspicion("checks", "can't tell", f"skipped before the mix: {plain.checks(bench, skipped)}")]


def _ratio(bench: Bench, part: Part, pour: PourRecord | None) -> Suspicion:
    error = ratio_error(bench, pour)
    if error is None:
        return _judged("ratio", part, None, "A and B were not recorded")
    side = "B" if error > 0 else "A"
    return _judged(
        "ratio", part, abs(error) > RATIO_OFF, f"{abs(error) * 100:.1f} % too much {side} by what was typed or weighed"
    )


def ratio_error(bench: Bench, pour: PourRecord | None) -> float | None:
    """How much too much B (0.11 = 11 %) to the A that was weighed; None when not recorded."""
    label = bench.label_for(pour.lot) if pour is not None else None
    if pour is None or label is None or not pour.a_g or pour.b_g is None:
        return None
    return pour.b_g / pour.a_g / label.ratio_weight_b - 1.0


def _cure(part: Part, pour: PourRecord | None) -> Suspicion:
    if pour is None or pour.kick_t is None:
        return _judged("cure", part, None, "no kick was found")
    return _judged("cure", part, pour.odd is not None, f"cup ran {pour.odd}" if pour.odd else "the cup ran as expected")


def _thin(bench: Bench, part: Part, pour: PourRecord | None, load: LoadRecord | None) -> Suspicion:
    """Judges if its thinnest section was past gel at the vent, or warm enough to be hard when it was pulled."""
    section = thin_section(bench, part, pour)
    if section is None:
        return _judged("thin section", part, None, "how warm its mold was is not known")
    if part.cause in OF_THE_PRESSURE:
        vented_s = None if load is None or load.vent_t is None else load.vent_t - part.mix_t
        is_off = None if vented_s is None else vented_s < section.gel_s
        return _judged("thin section", part, is_off, f"{section.words}; the vent began {plain.span(vented_s)}")
    is_cold = section.temp_c < COLD_C and section.thin_mm <= THIN_MM
    return _judged(
        "thin section",
        part,
        is_cold,
        section.words + (f"; warm the mold to {plain.label_warmth(bench)}" if is_cold else ""),
    )


def _demold(part: Part) -> Suspicion:
    if part.after_s is None or part.hard_s is None:
        return _judged("demold time", part, None, "no forecast stood beside the pull")
    told = f"pulled after {plain.span(part.after_s)}, held ready hard after {plain.span(part.hard_s)}"
    is_early = part.after_s < EARLY * part.hard_s
    is_hot = part.feel in ("hot", "rubbery")
    return _judged("demold time", part, is_early or is_hot, told + (f", felt {part.feel}" if part.feel else ""))


def _mold(bench: Bench, records: Records, part: Part) -> Suspicion:
    before = [p for p in records.parts() if p.mold == part.mold and p.mix_t < part.mix_t and p.grade]
    same = sum(p.cause == part.cause for p in before)
    mold = bench.mold(part.mold)
    casts = (mold.casts_before if mold else 0) + len(before)
    worn = mold is not None and casts >= WORN * mold.life
    why = (
        f"{same} of its {len(before)} earlier castings on record had the same fault"
        if before
        else "its first on record"
    )
    if mold is not None and mold.traps and part.cause in ("trap", "short", "pinhole"):
        why += f"; it is known to trap air at: {mold.traps}"
    if worn and mold is not None:
        why += f"; {casts} of {mold.life} casts of its life are used"
    is_off: bool | None = part.cause in OF_THE_MOLD or same > 0 or (worn and part.cause == "tear")
    return _judged("mold", part, is_off or (None if not before else False), why, len(before))


def _lot(bench: Bench, part: Part, pour: PourRecord | None) -> Suspicion:
    lot = bench.lot(part.lot)
    if lot is None:
        return _judged("lot", part, None, "its lot is not known")
    age = None if lot.opened is None else (part.mix_t - lot.opened) / 86400.0
    told = f"{lot.code} opened {age:.0f} days before" if age is not None else f"{lot.code}, no opening date"
    factor = kick_factor(bench, pour)
    if factor is not None:
        told += f"; its kick at {plain.label_warmth(bench)} was {factor:.2f} times the label's"
    is_odd = factor is not None and not KICKS_WITHIN[0] <= factor <= KICKS_WITHIN[1]
    if lot.suspect:
        return _judged("lot", part, True, f"{told}; marked: {lot.suspect}")
    if age is None:
        return _judged("lot", part, None if factor is None else is_odd, told)
    return _judged("lot", part, age > OLD_DAYS or is_odd, told)


def lines(verdicts: Sequence[Suspicion], brief: bool = False) -> list[tuple[str, str, str]]:
    """(suspect, verdict, numbers with n) as a report prints them; brief: those cleared on one line, without numbers."""
    told = [v for v in verdicts if not (brief and v.says == "cleared")]
    rows: list[tuple[str, str, str]] = [(v.suspect, v.says, v.why + (f" (n = {v.n})" if v.n else "")) for v in told]
    cleared = [v.suspect for v in verdicts if v.says == "cleared"]
    return [*rows, ("the rest", "cleared", ", ".join(cleared))] if brief and cleared else rows
