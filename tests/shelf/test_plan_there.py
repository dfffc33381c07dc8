"""Does the plan see what is on the bench: pots that are closed, molds with a part in them, the end of the day?"""

from __future__ import annotations

from dataclasses import replace

from shelf.plan_shelves import FAST
from shelf.test_plan_wish import BENCH

from benchd.core.model import Card
from benchd.shelf.plan import plan
from benchd.shelf.plan.ask import Hands, Underway
from benchd.shelf.plan.sheet import sheet_of
from benchd.shelf.plan.slip import today_only
from benchd.shelf.plan.there import both, there
from benchd.shelf.plan.wish import Wish, ask_of

NOW_T = 1_767_606_000.0


def cards(**pot: object) -> list[Card]:
    """A closed pot, M02 curing in it, and M01 that is out."""
    return [
        Card(t=NOW_T, of="pot", id="barrel", body={"phase": "isolated", **pot}),
        Card(t=NOW_T, of="mold", id="m02", body={"phase": "curing", "green_at": None,
                                                 "hard_at": [NOW_T + 600.0, NOW_T + 900.0, NOW_T + 1500.0]}),
        Card(t=NOW_T, of="mold", id="m01", body={"phase": "demolded"}),
    ]  # fmt: skip


def test_a_closed_pot_and_a_mold_with_a_part_are_not_free() -> None:
    seen = there(cards(hold_at=NOW_T + 400.0), NOW_T, Hands())
    assert seen.pot_free_t == {"barrel": NOW_T + 400.0 + 45.0}
    assert seen.mold_free_t == {"m02": NOW_T + 900.0 + 60.0}
    assert there(cards(), NOW_T, Hands()).pot_free_t == {"barrel": NOW_T + 600.0 + 45.0}, "no forecast: the usual hold"
    assert there([Card(t=NOW_T, of="pot", id="barrel", body={"phase": "idle"})], NOW_T, Hands()) == Underway()


def test_whatever_is_occupied_for_longer_counts() -> None:
    planned = Underway(busy=((1.0, 2.0),), pot_free_t={"barrel": 10.0}, mold_free_t={"m02": 90.0})
    seen = Underway(pot_free_t={"barrel": 40.0, "drum": 20.0}, mold_free_t={"m02": 50.0})
    assert both(planned, seen) == Underway(
        busy=((1.0, 2.0),), pot_free_t={"barrel": 40.0, "drum": 20.0}, mold_free_t={"m02": 90.0}
    )


def test_no_load_is_mixed_before_its_pot_and_molds_are_free() -> None:
    seen = there(cards(hold_at=NOW_T + 400.0), NOW_T, Hands())
    free = plan(ask_of(Wish(molds=("M01", "M02"), temp_c=21.5, start_t=NOW_T), BENCH), FAST).loads
    held = plan(ask_of(Wish(molds=("M01", "M02"), temp_c=21.5, start_t=NOW_T, underway=seen), BENCH), FAST).loads
    assert free[0].mix_t == NOW_T
    for load in held:
        assert load.mix_t >= NOW_T + 445.0
        assert "m02" not in load.loading.mold_ids or load.mix_t >= NOW_T + 960.0


def test_loads_are_listed_in_order_of_time() -> None:
    seen = there(cards(hold_at=NOW_T), NOW_T, Hands())
    wish = Wish(molds=("M02", "M01", "M01"), temp_c=21.5, start_t=NOW_T, underway=seen)
    mixes = [load.mix_t for load in plan(ask_of(wish, BENCH), FAST).loads]
    assert len(mixes) > 1
    assert mixes == sorted(mixes)


def test_a_slip_moves_no_load_to_tomorrow() -> None:
    sheet = sheet_of(plan(ask_of(Wish(molds=("M01", "M01"), temp_c=21.5, start_t=NOW_T), BENCH), FAST), NOW_T)
    assert len(sheet.loads) == 2
    kept = today_only(sheet, sheet.loads[1].mix_t - 1.0)
    assert [load.number for load in kept.loads] == [1]
    assert [(out.code, out.why) for out in kept.left_out][-1] == ("M01", "does not fit into today any more")
    assert today_only(sheet, sheet.loads[1].mix_t + 1.0) == sheet
    begun = replace(sheet, loads=tuple(replace(load, pour=f"cup-1-{i}") for i, load in enumerate(sheet.loads)))
    assert today_only(begun, NOW_T) == begun, "what is mixed is part of the day"
