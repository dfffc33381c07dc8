"""Writes a plan down and says it: the run sheet (its shape: page/plan_view.py) and its one spoken line."""

from __future__ import annotations

from typing import Any

from benchd.core.model.day import DaySheet, SheetLoad
from benchd.core.units import number_words
from benchd.shelf.plan import Plan
from benchd.shelf.plan.day import Placed
from benchd.shelf.plan.load import Part

Sheet = dict[str, Any]


def sheet_of(plan: Plan, made_t: float) -> Sheet:
    """The run sheet of a plan.  Raises nothing; numbers are rounded as they are printed (s and g to a tenth)."""
    ask = plan.ask
    first = plan.loads[0].loading.ask if plan.loads else ask
    return {
        "id": f"sheet-{int(made_t)}",
        "made_t": round(made_t, 1),
        "why": ask.why,
        "lot": first.lot.id if first.lot else None,
        "resin": first.label.name,
        "temp_c": round(ask.temp_c, 2),
        "temp_basis": ask.temp_basis,
        "optimal": plan.is_proved,
        "loads_at_least": plan.loads_at_least,
        "most_loads": ask.limits.most_loads,
        "say": spoken(plan),
        "loads": [_load(number, placed) for number, placed in enumerate(plan.loads, start=1)],
        "left_out": [
            {"mold": out.mold.id, "code": out.mold.code, "name": out.mold.name, "why": out.why} for out in plan.left_out
        ],
        "notes": list(plan.notes),
    }


def _load(number: int, placed: Placed) -> Sheet:
    loading, ask = placed.loading, placed.loading.ask
    return {
        "number": number,
        "state": "next" if number == 1 else "waiting",
        "pour": None,
        "pot": loading.pot.id,
        "cup": ask.cup,
        "lot": ask.lot.id if ask.lot else None,
        "molds": [_mold(part, due_t) for part, due_t in zip(loading.parts, placed.due_t, strict=True)],
        "resin": ask.label.name,
        "batch_g": loading.batch.batch_g,
        "a_g": round(loading.batch.a_g, 1),
        "b_g": round(loading.batch.b_g, 1),
        "small": loading.batch.is_small,
        "temp_c": round(ask.temp_c, 2),
        "mix_s": round(ask.hands.mix_s, 1),
        "pour_s": round(sum(part.pour_s for part in loading.parts), 1),
        "lid_s": round(loading.lid_s, 1),
        "fill_s": round(loading.fill_s, 1),
        "at_pressure_s": round(loading.at_pressure_s, 1),
        "kick_early_s": round(loading.kick.early_s, 1),
        "kick_s": round(loading.kick.likely_s, 1),
        "kick_of": loading.kick_of,
        "kick_basis": loading.kick.basis,
        "margin_s": loading.margin_s,
        "mix_t": round(placed.mix_t, 1),
        "hold_until_t": round(placed.hold_until_t, 1),
        "open_t": round(placed.open_t, 1),
    }


def _mold(part: Part, due_t: float) -> dict[str, Any]:
    return {
        "mold": part.mold.id,
        "code": part.mold.code,
        "name": part.mold.name,
        "pour_s": round(part.pour_s, 1),
        "filled_s": round(part.filled_s, 1),
        "warm_c": None if part.warm_c is None else round(part.warm_c, 1),
        "due_t": round(due_t, 1),
        "pull": part.mold.pull,
        "reserve": part.mold.reserve,
    }


def given_of(sheet: Sheet | None, t: float) -> DaySheet:
    """What the engine needs of a sheet, as an input at t [unix s]."""
    if sheet is None:
        return DaySheet(t)
    keys = ("pot", "cup", "lot", "a_g", "b_g", "pour")
    loads = [
        SheetLoad(load["number"], tuple(mold["mold"] for mold in load["molds"]), **{key: load[key] for key in keys})
        for load in sheet["loads"]
    ]
    return DaySheet(t, sheet["id"], sheet["made_t"], tuple(loads))


def spoken(plan: Plan) -> str:
    """The plan in one line, as it would be said at the bench: names not codes, numbers in words."""
    if not plan.loads:
        return "No load today. Nothing can be cast."
    casts = sum(len(placed.loading.parts) for placed in plan.loads)
    head = f"{_count(len(plan.loads), 'load')}, {_count(casts, 'mold').lower()}."
    names = ", ".join(part.mold.name for part in plan.loads[0].loading.parts)
    least_s = min(placed.loading.margin_s for placed in plan.loads)
    words = [head, f"First: {names}.", f"{number_words(round(least_s)).capitalize()} seconds to spare."]
    if plan.left_out:
        left = [out.mold.name for out in plan.left_out]
        words.append(f"{', '.join(dict.fromkeys(left))} left out.")
    return " ".join(words)


def _count(number: int, noun: str) -> str:
    return f"{number_words(number).capitalize()} {noun}{'' if number == 1 else 's'}"
