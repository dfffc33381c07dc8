"""Detects a day that has slipped from its run sheet, and re-plans or shifts the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.core.bench import Bench
from benchd.shelf.plan.ask import Hands, Underway
from benchd.shelf.plan.wish import Wish
from benchd.shelf.remains import Spent, left_g

TEMP_STEP_K = 1.5  # a kick moves by a tenth [calc: 2^0.15]
LATE_S = 600.0  # a load not begun ten minutes after its time has slipped; common practice, no source
SHIFT_S = 60.0  # times are moved once they are off by a minute
TIMES = ("mix_t", "hold_until_t", "open_t")

Sheet = dict[str, Any]


def waiting(sheet: Mapping[str, Any]) -> list[Sheet]:
    """The loads no pour has taken."""
    return [load for load in sheet["loads"] if load["pour"] is None]


def slip(sheet: Mapping[str, Any], bench: Bench, spent: Spent, room_c: float | None) -> str:
    """Why the rest of the day has to be planned again; "" if the sheet still holds."""
    rest = waiting(sheet)
    if not rest:
        return ""
    for mold in (mold for load in rest for mold in load["molds"]):
        known = bench.mold(mold["mold"])
        if known is None or known.retired:
            return f"{mold['code']} is {'retired' if known else 'off the shelf'}"
    if any(bench.pot(load["pot"]) is None for load in rest):
        return "a pot is gone"
    for id in dict.fromkeys(load["lot"] for load in rest):
        why = _lot_slip(id, rest, bench, spent)
        if why:
            return why
    if room_c is not None and abs(room_c - sheet["temp_c"]) > TEMP_STEP_K:
        return f"room moved from {sheet['temp_c']:.1f} to {room_c:.1f} C"
    return ""


def _lot_slip(id: str | None, rest: Sequence[Sheet], bench: Bench, spent: Spent) -> str:
    """Why the loads to come can't be poured from this lot; "" if they can."""
    if id is None:
        return ""
    lot, mine = bench.lot(id), [load for load in rest if load["lot"] == id]
    if lot is None or lot.suspect:
        return f"lot {id.upper()} is {'suspect' if lot else 'off the shelf'}"
    left = left_g(lot, spent)
    if left is not None and sum(load["batch_g"] for load in mine) > left + 0.5 * len(mine):
        return f"lot {lot.code} runs out: {left:.0f} g left"
    return ""


def rest_wish(
    sheet: Mapping[str, Any], bench: Bench, start_t: float, room_c: float | None, why: str, again: Sequence[str] = ()
) -> Wish:
    """What is still wanted, in no more loads than were still planned: a slip never makes the day longer.

    again: molds whose last part was scrap; they allow one load more.
    """
    rest = waiting(sheet)
    out = [each["mold"] for each in sheet["left_out"]]
    wanted = [*(mold["mold"] for load in rest for mold in asked(load)), *out, *again]
    there = [id for id in wanted if (mold := bench.mold(id)) is not None and not mold.retired]
    named = bench.lot(sheet.get("named_lot"))  # a lot nobody named may be followed by another
    keeps = named is not None and not named.suspect and "runs out" not in why
    temp_c, basis = (room_c, "measured") if room_c is not None else (sheet["temp_c"], sheet["temp_basis"])
    first = rest[0]["lot"] if rest else sheet["lot"]
    return Wish(
        molds=tuple(there), lot=named.id if keeps and named else None, first_lot=first,
        temp_c=temp_c, temp_basis=basis, loads=len(rest) + bool(again), start_t=start_t, why=why,
        pours_s=_known(sheet.get("pours_s", {}), bench), underway=underway(sheet, Hands().demold_s),
    )  # fmt: skip


def asked(load: Mapping[str, Any]) -> list[Sheet]:
    """The molds of a load that were asked for; one that only takes a surplus was not."""
    return [mold for mold in load["molds"] if not mold.get("reserve")]


def scrap_of(sheet: Mapping[str, Any], scrap: Sequence[tuple[float, str]]) -> list[tuple[float, str]]:
    """Of parts marked scrap (t, mold): those of this sheet's mixed loads that were not planned again yet."""
    mixed = {mold["mold"]: load["mix_t"] for load in sheet["loads"] if load["pour"] is not None for mold in asked(load)}
    known = [tuple(each) for each in sheet.get("again", [])]
    return [(t, mold) for t, mold in scrap if mixed.get(mold, t) < t and (t, mold) not in known]


def underway(sheet: Mapping[str, Any], demold_s: float) -> Underway:
    """What the mixed loads of a sheet still take of hands, pots and molds."""
    done = [load for load in sheet["loads"] if load["pour"] is not None]
    busy = [(load["mix_t"], load["mix_t"] + load["at_pressure_s"]) for load in done]
    busy += [(load["hold_until_t"], load["open_t"]) for load in done]
    busy += [(mold["due_t"], mold["due_t"] + demold_s) for load in done for mold in load["molds"]]
    pots: dict[str, float] = {}
    molds: dict[str, float] = {}
    for load in done:
        pots[load["pot"]] = max(load["open_t"], pots.get(load["pot"], 0.0))
        molds |= {mold["mold"]: mold["due_t"] + demold_s for mold in load["molds"]}
    return Underway(busy=tuple(sorted(busy)), pot_free_t=pots, mold_free_t=molds)


def is_whole(sheet: Mapping[str, Any]) -> bool:
    """True if a sheet read from a file has all the keys it needs."""
    try:
        rest = [*sheet["loads"], *sheet["left_out"]]
        shifted(sheet, 0.0)
        read: list[tuple[Any, ...]] = [
            (each["pot"], each["pour"], each["number"], each["cup"], each["batch_g"] + each["a_g"] + each["b_g"])
            for each in sheet["loads"]
        ]
        read += [(load["lot"], *load["molds"], *sheet.get("again", [])) for load in sheet["loads"]]
        read += [(sheet["lot"], sheet["id"], sheet["temp_basis"], sheet["temp_c"] + sheet["made_t"])]
        names = [(each["mold"], each["code"]) for each in (m for load in rest for m in load.get("molds", [load]))]
    except (KeyError, TypeError, AttributeError):
        return False
    return bool(read) and all(isinstance(word, str) for pair in names for word in pair)


def _known(pours_s: Mapping[str, float], bench: Bench) -> dict[str, float]:
    return {code: seconds for code, seconds in pours_s.items() if bench.mold(code.lower()) is not None}


def gone(sheet: Mapping[str, Any], bench: Bench) -> list[Sheet]:
    """The casts still wanted whose molds are retired or off the shelf, as entries of `left_out`."""
    out = []
    for mold in (mold for load in waiting(sheet) for mold in asked(load)):
        known = bench.mold(mold["mold"])
        if known is None or known.retired:
            why = "is retired" if known else "is no longer on the shelf"
            out.append({"mold": mold["mold"], "code": mold["code"], "name": mold["name"], "why": why})
    return out


def joined(sheet: Mapping[str, Any], fresh: Mapping[str, Any], gone: Sequence[Sheet]) -> Sheet:
    """The day so far, with the newly planned rest."""
    done = [load for load in sheet["loads"] if load["pour"] is not None]
    loads = [load | {"number": len(done) + load["number"]} for load in fresh["loads"]]
    again = {"again": sheet["again"]} if "again" in sheet else {}
    return {**fresh, **again, "loads": [*done, *loads], "left_out": [*gone, *fresh["left_out"]]}


def without_rest(sheet: Mapping[str, Any], why: str, made_t: float) -> Sheet:
    """The day so far when nothing of the rest can be cast any more: each cast is left out for that reason."""
    rest = waiting(sheet)
    out = [
        {"mold": mold["mold"], "code": mold["code"], "name": mold["name"], "why": why}
        for mold in (mold for load in rest for mold in asked(load))
    ]
    done = [load for load in sheet["loads"] if load["pour"] is not None]
    left_out = [*sheet["left_out"], *out]
    return {**sheet, "id": f"sheet-{int(made_t)}", "why": why, "loads": done, "left_out": left_out, "notes": []}


def late_s(sheet: Mapping[str, Any], now_t: float) -> float:
    """By how much the next load is late [s]; 0 until it is ten minutes late."""
    rest = waiting(sheet)
    over_s = now_t - rest[0]["mix_t"] if rest else 0.0
    return float(over_s) if over_s > LATE_S else 0.0


def shifted(sheet: Mapping[str, Any], by_s: float) -> Sheet:
    """The sheet with every load not begun this much later (or sooner)."""
    loads = [load if load["pour"] is not None else _moved(load, by_s) for load in sheet["loads"]]
    return {**sheet, "loads": loads}


def _moved(load: Mapping[str, Any], by_s: float) -> Sheet:
    molds = [mold | {"due_t": round(mold["due_t"] + by_s, 1)} for mold in load["molds"]]
    return {**load, "molds": molds, **{name: round(load[name] + by_s, 1) for name in TIMES}}


def begun(sheet: Mapping[str, Any], pours: Mapping[int, str | None], mix_t: float | None) -> Sheet:
    """The sheet with what pours took (load number -> pour).  A load begun at mix_t moves there, the rest along."""
    loads, by_s = [], 0.0
    for load in sheet["loads"]:
        pour = pours.get(load["number"], load["pour"])
        if pour is not None and load["pour"] is None and mix_t is not None:
            by_s = mix_t - load["mix_t"]
            load = _moved(load, by_s)
        loads.append({**load, "pour": pour})
    out = {**sheet, "loads": loads}
    return shifted(out, by_s) if abs(by_s) > SHIFT_S else out


def told(sheet: Mapping[str, Any]) -> Sheet:
    """The sheet as it is shown: each load's state filled in."""
    rest = waiting(sheet)
    first = rest[0]["number"] if rest else None
    states = {True: "next", False: "waiting"}
    loads = [
        {**load, "state": "mixed" if load["pour"] is not None else states[load["number"] == first]}
        for load in sheet["loads"]
    ]
    return {**sheet, "loads": loads}
