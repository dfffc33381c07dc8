"""A day of two loads: the first rehearsed (load-1), the steps of the second set into its hold.

 0:00   the sheet is kept; load 1 of it is mixed at 1:00
 5:00   its hold is forecast: the steps of load 2 are set around its vent and its parts
14:30   two steps are marked as done, one by phone, one by foot
25:00   load 2 slips by a quarter of an hour: what was said and not done is taken back, and said again at its new minute
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from benchd.core.bench import Bench
from benchd.core.format.mark_form import mark_from_body
from benchd.core.model import Input, Status, Utterance
from benchd.core.model.day import DaySheet
from benchd.shelf.plan import plan
from benchd.shelf.plan.ask import Underway
from benchd.shelf.plan.prep import with_prep
from benchd.shelf.plan.sheet import Sheet, given_of, sheet_of
from benchd.shelf.plan.slip import begun, shifted
from benchd.shelf.plan.wish import Wish, ask_of

MIX_S = 60.0
FIRST = ("m02", "m03", "m06", "m01")  # load-1's molds
SLIP_S = 1500.0
END_S = 3000.0
MARKS: tuple[tuple[float, dict[str, Any]], ...] = (
    (870.0, {"verb": "prepared", "code": "spray-m07", "by": "page:Ada"}),
    (900.0, {"verb": "prepared", "by": "switch"}),
)  # fmt: skip
"""(s after the start, the mark)."""


def sheets(bench: Bench, t0: float) -> list[DaySheet]:
    """What the engine is given of the sheet, in order; t0: when the day begins [unix s]."""
    made = _planned(bench, t0)
    mixed = begun(made, {1: f"cup-1-{int(t0 + MIX_S)}"}, t0 + MIX_S)
    seen = Underway(pot_free_t={"barrel": t0 + 993.0}, mold_free_t={"m02": t0 + 1085.0, "m03": t0 + 1145.0})
    held = with_prep(mixed, bench, t0 + 300.0, seen)
    later = shifted(held, 900.0)
    return [given_of(made, t0 + 1.0), given_of(held, t0 + 300.0), given_of(later, t0 + SLIP_S)]


def _planned(bench: Bench, t0: float) -> Sheet:
    """The first load as it is rehearsed, the rest after it, its mix half an hour after the first."""
    first = sheet_of(plan(ask_of(Wish(molds=FIRST, temp_c=21.5, start_t=t0 + MIX_S), bench)), t0)
    rest = sheet_of(plan(ask_of(Wish(molds=("m07", "m04", "m05"), temp_c=21.5, start_t=t0 + 2160.0), bench)), t0)
    loads = tuple(replace(load, number=n) for n, load in enumerate((*first.loads[:1], *rest.loads[:1]), start=1))
    return replace(first, loads=loads)


def inputs(bench: Bench, t0: float, rehearsed: Iterator[tuple[float, Input]]) -> Iterator[Input]:
    """The rehearsed inputs, (s after the start, input), with sheets and marks between; then the board is unplugged."""
    more: list[tuple[float, Input]] = [(sheet.t - t0, sheet) for sheet in sheets(bench, t0)]
    more += [(at_s, mark_from_body(t0 + at_s, body)) for at_s, body in MARKS]
    more.sort(key=lambda each: each[0])
    last_s = 0.0
    for at_s, item in rehearsed:
        while more and more[0][0] <= at_s:
            yield more.pop(0)[1]
        last_s = at_s
        yield item
    yield Status(t0 + last_s + 1.0, "board", False, "unplugged")
    yield from (item for _, item in more)
    yield mark_from_body(t0 + END_S, {"verb": "note", "text": "evening"})


def out_of_turn(bench: Bench, t0: float, said: Sequence[Utterance], busy: Sequence[tuple[float, float]]) -> list[str]:
    """Words of steps that no sheet then in force has due, of one that is done, or said at a wrong time.

    busy: from mix to pressure [unix s].  Each step in force for a quarter of an hour after its minute has to be said.
    """
    given, wrong, names = sheets(bench, t0), [], {mold.id: mold.name for mold in bench.molds}
    spoken: set[str] = set()
    for u in (u for u in said if u.code.startswith("prep-") and u.code not in ("prep-later", "prep-changed")):
        sheet = [each for each in given if each.t <= u.t][-1]
        load = next(each for each in sheet.loads if each.pour is None)
        done = {body["code"] for at_s, body in MARKS if "code" in body and t0 + at_s <= u.t}
        due = [s for s in load.steps if f"prep-{s.what}" == u.code and (s.mold is None or names[s.mold] in u.say)]
        spoken |= {step.id for step in due}
        if not due or any(not 0.0 <= u.t - step.t <= 90.0 or step.id in done for step in due):
            wrong.append(f"{u.t - t0:.0f} {u.say}")
        if any(mix_t <= u.t <= up_t for mix_t, up_t in busy):
            wrong.append(f"{u.t - t0:.0f} in mid-pour: {u.say}")
        if any(other.priority <= 2 and 0.0 <= u.t - other.t < 8.0 for other in said):
            wrong.append(f"{u.t - t0:.0f} over an alarm: {u.say}")
    last = next(each for each in given[-1].loads if each.pour is None)
    return wrong + [step.id for step in last.steps if step.id not in spoken]
