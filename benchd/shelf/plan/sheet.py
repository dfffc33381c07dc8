"""The day's run sheet: a plan written down, and its one spoken line.

`sheet_body` and `sheet_from_body` are its plain form, for a file and the page (described in page/plan_view.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from benchd.core.model.day import DaySheet, SheetLoad, SheetStep
from benchd.core.units import number_words
from benchd.shelf.plan import Plan
from benchd.shelf.plan.day import Placed
from benchd.shelf.plan.load import PlannedPart

SAME_TIME_S = 45.0  # steps of one kind that follow one another so soon are said as one


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetMold:
    """A mold of a load, in pouring order; durations s from first contact of A with B, due_t unix s."""

    mold: str
    code: str
    name: str
    pour_s: float
    filled_s: float
    warm_c: float | None
    due_t: float
    pull: str
    reserve: bool = False
    """It only takes the surplus of a batch too small alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStep:
    """A step before a load's mix: what, of which mold, when it begins [unix s], how long it takes hands and itself."""

    id: str
    what: str
    mold: str | None = None
    code: str = ""
    name: str = ""
    t: float
    hands_s: float
    for_s: float = 0.0
    temp_c: float | None = None
    done: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLoad:
    """One load of the day; `pour` is the pour that took it."""

    number: int
    state: str = "waiting"
    pour: str | None
    pot: str
    cup: str | None
    lot: str | None
    molds: tuple[SheetMold, ...]
    resin: str
    batch_g: float
    a_g: float
    b_g: float
    small: bool
    temp_c: float
    mix_s: float
    pour_s: float
    lid_s: float
    fill_s: float
    at_pressure_s: float
    kick_early_s: float
    kick_s: float
    kick_of: str
    kick_basis: str
    margin_s: float
    mix_t: float
    hold_until_t: float
    open_t: float
    steps: tuple[PlannedStep, ...] = ()
    """Before its mix, in order of time (shelf/plan/prep.py)."""
    prep_late_s: float = 0.0
    """By how much they make the mix later."""

    @property
    def asked(self) -> list[SheetMold]:
        """The molds that were asked for; one that only takes a surplus was not."""
        return [mold for mold in self.molds if not mold.reserve]

    @property
    def told(self) -> tuple[SheetStep, ...]:
        """Its steps not done, as they are said: those of one kind that follow one another at the first one's time."""
        out: list[SheetStep] = []
        last: PlannedStep | None = None
        for step in self.steps:
            is_next = last is not None and step.what == last.what and step.t <= last.t + last.hands_s + SAME_TIME_S
            out.append(SheetStep(step.id, step.what, out[-1].t if is_next else step.t, step.mold))
            last = step
        return tuple(out)

    def shifted(self, by_s: float) -> PlannedLoad:
        """The load so much later, with what is still to be done before it."""
        molds = tuple(replace(mold, due_t=round(mold.due_t + by_s, 1)) for mold in self.molds)
        mix_t, hold_until_t, open_t = (round(t + by_s, 1) for t in (self.mix_t, self.hold_until_t, self.open_t))
        steps = tuple(step if step.done else replace(step, t=round(step.t + by_s, 1)) for step in self.steps)
        return replace(self, molds=molds, steps=steps, mix_t=mix_t, hold_until_t=hold_until_t, open_t=open_t)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLeftOut:
    """A cast that was wanted and is not planned."""

    mold: str
    code: str
    name: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The day's loads in order, mixed ones included; times unix s."""

    id: str
    made_t: float
    why: str
    lot: str | None
    resin: str
    temp_c: float
    temp_basis: str
    optimal: bool
    loads_at_least: int
    most_loads: int | None = None
    say: str
    loads: tuple[PlannedLoad, ...]
    left_out: tuple[SheetLeftOut, ...]
    notes: tuple[str, ...]
    pours_s: Mapping[str, float] = field(default_factory=dict)
    """Mold code -> seconds to fill it, as typed."""
    named_lot: str | None = None
    again: tuple[tuple[float, str], ...] = ()
    """Scrap that was planned again: (when it was marked, mold)."""


def sheet_body(sheet: Sheet) -> dict[str, Any]:
    """The plain form."""
    plain: dict[str, Any] = msgspec.to_builtins(sheet)
    return plain


def sheet_from_body(plain: object) -> Sheet | None:
    """The sheet of a plain form; None where it is not whole."""
    try:
        return msgspec.convert(plain, Sheet)
    except msgspec.ValidationError:
        return None


def sheet_of(plan: Plan, made_t: float) -> Sheet:
    """The run sheet of a plan.  Raises nothing; numbers are rounded as they are printed (s and g to a tenth)."""
    ask = plan.ask
    first = plan.loads[0].loading.ask if plan.loads else ask
    return Sheet(
        id=f"sheet-{int(made_t)}", made_t=round(made_t, 1), why=ask.why, lot=first.lot.id if first.lot else None,
        resin=first.label.name, temp_c=round(ask.temp_c, 2), temp_basis=ask.temp_basis, optimal=plan.is_proved,
        loads_at_least=plan.loads_at_least, most_loads=ask.limits.most_loads, say=spoken(plan),
        loads=tuple(_load(number, placed) for number, placed in enumerate(plan.loads, start=1)),
        left_out=tuple(
            SheetLeftOut(mold=out.mold.id, code=out.mold.code, name=out.mold.name, why=out.why) for out in plan.left_out
        ),
        notes=tuple(plan.notes),
    )  # fmt: skip


def _load(number: int, placed: Placed) -> PlannedLoad:
    loading, ask = placed.loading, placed.loading.ask
    return PlannedLoad(
        number=number, state="next" if number == 1 else "waiting", pour=None, pot=loading.pot.id, cup=ask.cup,
        lot=ask.lot.id if ask.lot else None, resin=ask.label.name,
        molds=tuple(_mold(part, due_t) for part, due_t in zip(loading.parts, placed.due_t, strict=True)),
        batch_g=loading.batch.batch_g, a_g=round(loading.batch.a_g, 1), b_g=round(loading.batch.b_g, 1),
        small=loading.batch.is_small, temp_c=round(ask.temp_c, 2), mix_s=round(ask.stir_s, 1),
        pour_s=round(sum(part.pour_s for part in loading.parts), 1), lid_s=round(loading.lid_s, 1),
        fill_s=round(loading.fill_s, 1), at_pressure_s=round(loading.at_pressure_s, 1),
        kick_early_s=round(loading.kick.early_s, 1), kick_s=round(loading.kick.likely_s, 1), kick_of=loading.kick_of,
        kick_basis=loading.kick.basis, margin_s=loading.margin_s, mix_t=round(placed.mix_t, 1),
        hold_until_t=round(placed.hold_until_t, 1), open_t=round(placed.open_t, 1),
    )  # fmt: skip


def _mold(part: PlannedPart, due_t: float) -> SheetMold:
    return SheetMold(
        mold=part.mold.id, code=part.mold.code, name=part.mold.name, pour_s=round(part.pour_s, 1),
        filled_s=round(part.filled_s, 1), warm_c=None if part.warm_c is None else round(part.warm_c, 1),
        due_t=round(due_t, 1), pull=part.mold.pull, reserve=part.mold.reserve,
    )  # fmt: skip


def given_of(sheet: Sheet | None, t: float) -> DaySheet:
    """What the engine needs of a sheet, as an input at t [unix s]."""
    if sheet is None:
        return DaySheet(t)
    ahead = next((load.number for load in sheet.loads if load.pour is None), None)
    loads = tuple(
        SheetLoad(
            x.number,
            tuple(mold.mold for mold in x.molds),
            x.pot,
            x.cup,
            x.lot,
            x.a_g,
            x.b_g,
            x.pour,
            x.told if x.number == ahead else (),
        )
        for x in sheet.loads
    )
    return DaySheet(t, sheet.id, sheet.made_t, loads)


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
