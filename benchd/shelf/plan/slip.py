"""Detects a day that has slipped from its run sheet, and re-plans or shifts the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchd.core.bench import Bench
from benchd.shelf.plan.ask import Hands, Underway
from benchd.shelf.plan.sheet import PlannedLoad, Sheet, SheetLeftOut
from benchd.shelf.plan.wish import Wish
from benchd.shelf.remains import Spent, left_g

TEMP_STEP_K = 1.5  # a kick moves by a tenth [calc: 2^0.15]
LATE_S = 600.0  # a load not begun ten minutes after its time has slipped; common practice, no source
SHIFT_S = 60.0  # times are moved once they are off by a minute


def waiting(sheet: Sheet) -> list[PlannedLoad]:
    """The loads no pour has taken."""
    return [load for load in sheet.loads if load.pour is None]


def slip(sheet: Sheet, bench: Bench, spent: Spent, room_c: float | None) -> str:
    """Why the rest of the day has to be planned again; "" if the sheet still holds."""
    rest = waiting(sheet)
    if not rest:
        return ""
    for mold in (mold for load in rest for mold in load.molds):
        known = bench.mold(mold.mold)
        if known is None or known.retired:
            return f"{mold.code} is {'retired' if known else 'off the shelf'}"
    if any(bench.pot(load.pot) is None for load in rest):
        return "a pot was removed"
    for id in dict.fromkeys(load.lot for load in rest):
        why = _lot_slip(id, rest, bench, spent)
        if why:
            return why
    if room_c is not None and abs(room_c - sheet.temp_c) > TEMP_STEP_K:
        return f"room moved from {sheet.temp_c:.1f} to {room_c:.1f} C"
    return ""


def _lot_slip(id: str | None, rest: Sequence[PlannedLoad], bench: Bench, spent: Spent) -> str:
    """Why the loads to come can't be poured from this lot; "" if they can."""
    if id is None:
        return ""
    lot, mine = bench.lot(id), [load for load in rest if load.lot == id]
    if lot is None or lot.suspect:
        return f"lot {id.upper()} is {'suspect' if lot else 'off the shelf'}"
    left = left_g(lot, spent)
    if left is not None and sum(load.a_g + load.b_g for load in mine) > left + 0.5 * len(mine):
        return f"lot {lot.code} runs out: {left:.0f} g left"
    return ""


def rest_wish(
    sheet: Sheet, bench: Bench, start_t: float, room_c: float | None, why: str, again: Sequence[str] = ()
) -> Wish:
    """What is still wanted, in no more loads than were still planned: a slip never makes the day longer.

    again: molds whose last part was scrap; they allow one load more.
    """
    rest = waiting(sheet)
    out = [each.mold for each in sheet.left_out]
    wanted = [*(mold.mold for load in rest for mold in load.asked), *out, *again]
    there = [id for id in wanted if (mold := bench.mold(id)) is not None and not mold.retired]
    named = bench.lot(sheet.named_lot)  # a lot nobody named may be followed by another
    keeps = named is not None and not named.suspect and "runs out" not in why
    temp_c, basis = (room_c, "measured") if room_c is not None else (sheet.temp_c, sheet.temp_basis)
    first = rest[0].lot if rest else sheet.lot
    return Wish(
        molds=tuple(there), lot=named.id if keeps and named else None, first_lot=first,
        temp_c=temp_c, temp_basis=basis, loads=len(rest) + bool(again), start_t=start_t, why=why,
        pours_s=_known(sheet.pours_s, bench), underway=underway(sheet, Hands().demold_s),
    )  # fmt: skip


def scrap_of(sheet: Sheet, scrap: Sequence[tuple[float, str]]) -> list[tuple[float, str]]:
    """Of parts marked scrap (t, mold): those of this sheet's mixed loads that were not planned again yet."""
    mixed = {mold.mold: load.mix_t for load in sheet.loads if load.pour is not None for mold in load.asked}
    return [(t, mold) for t, mold in scrap if mixed.get(mold, t) < t and (t, mold) not in sheet.again]


def underway(sheet: Sheet, demold_s: float) -> Underway:
    """What the mixed loads of a sheet still take of hands, pots and molds."""
    done = [load for load in sheet.loads if load.pour is not None]
    busy = [(load.mix_t, load.mix_t + load.at_pressure_s) for load in done]
    busy += [(load.hold_until_t, load.open_t) for load in done]
    busy += [(mold.due_t, mold.due_t + demold_s) for load in done for mold in load.molds]
    pots: dict[str, float] = {}
    molds: dict[str, float] = {}
    for load in done:
        pots[load.pot] = max(load.open_t, pots.get(load.pot, 0.0))
        molds |= {mold.mold: mold.due_t + demold_s for mold in load.molds}
    return Underway(busy=tuple(sorted(busy)), pot_free_t=pots, mold_free_t=molds)


def _known(pours_s: Mapping[str, float], bench: Bench) -> dict[str, float]:
    return {code: seconds for code, seconds in pours_s.items() if bench.mold(code.lower()) is not None}


def gone(sheet: Sheet, bench: Bench) -> list[SheetLeftOut]:
    """The casts still wanted whose molds are retired or off the shelf, as entries of `left_out`."""
    out = []
    for mold in (mold for load in waiting(sheet) for mold in load.asked):
        known = bench.mold(mold.mold)
        if known is None or known.retired:
            why = "is retired" if known else "is no longer on the shelf"
            out.append(SheetLeftOut(mold=mold.mold, code=mold.code, name=mold.name, why=why))
    return out


def joined(sheet: Sheet, fresh: Sheet, gone: Sequence[SheetLeftOut]) -> Sheet:
    """The day so far, with the newly planned rest."""
    done = [load for load in sheet.loads if load.pour is not None]
    loads = [replace(load, number=len(done) + load.number) for load in fresh.loads]
    return replace(fresh, again=sheet.again, loads=(*done, *loads), left_out=(*gone, *fresh.left_out))


def today_only(sheet: Sheet, until_t: float) -> Sheet:
    """The sheet without loads that would begin after until_t, the day's end [unix s]: a slip moves none to tomorrow."""
    over = [load for load in waiting(sheet) if load.mix_t >= until_t]
    out = [
        SheetLeftOut(mold=mold.mold, code=mold.code, name=mold.name, why="does not fit into today any more")
        for mold in (mold for load in over for mold in load.asked)
    ]
    kept = tuple(load for load in sheet.loads if load not in over)
    return replace(sheet, loads=kept, left_out=(*sheet.left_out, *out)) if over else sheet


def without_rest(sheet: Sheet, why: str, made_t: float) -> Sheet:
    """The day so far when nothing of the rest can be cast any more: each cast is left out for that reason."""
    out = [
        SheetLeftOut(mold=mold.mold, code=mold.code, name=mold.name, why=why)
        for mold in (mold for load in waiting(sheet) for mold in load.asked)
    ]
    done = tuple(load for load in sheet.loads if load.pour is not None)
    left_out = (*sheet.left_out, *out)
    return replace(sheet, id=f"sheet-{int(made_t)}", why=why, loads=done, left_out=left_out, notes=())


def late_s(sheet: Sheet, now_t: float) -> float:
    """By how much the next load is late [s]; 0 until it is ten minutes late."""
    rest = waiting(sheet)
    over_s = now_t - rest[0].mix_t if rest else 0.0
    return float(over_s) if over_s > LATE_S else 0.0


def shifted(sheet: Sheet, by_s: float) -> Sheet:
    """The sheet with every load not begun this much later (or sooner)."""
    return replace(
        sheet, loads=tuple(load if load.pour is not None else load.shifted(by_s) for load in sheet.loads)
    )  # fmt: skip


def begun(sheet: Sheet, pours: Mapping[int, str | None], mix_t: float | None) -> Sheet:
    """The sheet with what pours took (load number -> pour).  A load begun at mix_t moves there, the rest along."""
    loads, by_s = list[PlannedLoad](), 0.0
    for load in sheet.loads:
        pour, moved = pours.get(load.number, load.pour), load
        if pour is not None and load.pour is None and mix_t is not None:
            by_s = mix_t - load.mix_t
            moved = load.shifted(by_s)
        loads.append(replace(moved, pour=pour))
    out = replace(sheet, loads=tuple(loads))
    return shifted(out, by_s) if abs(by_s) > SHIFT_S else out


def told(sheet: Sheet) -> Sheet:
    """The sheet as it is shown: each load's state filled in."""
    rest = waiting(sheet)
    first = rest[0].number if rest else None

    def state(load: PlannedLoad) -> str:
        if load.pour is not None:
            return "mixed"
        return "next" if load.number == first else "waiting"

    return replace(sheet, loads=tuple(replace(load, state=state(load)) for load in sheet.loads))
