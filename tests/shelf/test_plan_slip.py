"""Is a slip of the day seen for what it is, and does what was mixed stand while the rest is planned anew?"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from shelf.plan_shelves import FAST
from shelf.test_plan_wish import BENCH

from benchd.shelf.plan import plan
from benchd.shelf.plan.sheet import Sheet, sheet_body, sheet_from_body, sheet_of
from benchd.shelf.plan.slip import (
    begun,
    gone,
    joined,
    late_s,
    rest_wish,
    scrap_of,
    shifted,
    slip,
    told,
    underway,
    waiting,
    without_rest,
)  # fmt: skip
from benchd.shelf.plan.wish import Wish, ask_of
from benchd.shelf.remains import Spent

T0 = 1_767_606_000.0
SEVEN = ("M01", "M02", "M03", "M04", "M05", "M06", "M07")


def sheet(**more: Any) -> Sheet:
    wish = Wish(molds=SEVEN, temp_c=21.5, start_t=T0, **more)
    return sheet_of(plan(ask_of(wish, BENCH), FAST), T0)


def mixed(mix_t: float = T0) -> Sheet:
    """The day with its first load mixed."""
    return begun(sheet(), {1: "cup-1-7"}, mix_t)


@pytest.mark.parametrize(
    ("room_c", "is_slip"), [(21.5, False), (22.9, False), (20.1, False), (23.1, True), (19.9, True)]
)
def test_the_room_has_to_move_by_more_than_a_degree_and_a_half(room_c: float, is_slip: bool) -> None:
    assert bool(slip(sheet(), BENCH, Spent(), room_c)) is is_slip


def test_retired_molds_gone_lots_and_little_resin_are_slips() -> None:
    molds = tuple(replace(m, retired=m.code == "M04") for m in BENCH.molds)
    assert slip(sheet(), replace(BENCH, molds=molds), Spent(), None) == "M04 is retired"
    assert slip(sheet(), replace(BENCH, molds=BENCH.molds[1:]), Spent(), None) == "M01 is off the shelf"
    assert slip(sheet(), replace(BENCH, pots=()), Spent(), None) == "a pot was removed"
    suspect = tuple(replace(x, suspect="foam") for x in BENCH.lots)
    assert slip(sheet(), replace(BENCH, lots=suspect), Spent(), None) == "lot R-07 is suspect"
    assert slip(sheet(), BENCH, Spent(lot_g={"r-07": 600.0}), None) == "lot R-07 runs out: 400 g left"
    assert slip(sheet(), BENCH, Spent(lot_g={"r-07": 100.0}), 21.5) == ""


def test_a_day_all_mixed_cannot_slip() -> None:
    done = begun(sheet(), {1: "a", 2: "b"}, T0)
    assert slip(done, replace(BENCH, molds=()), Spent(), 35.0) == ""


def test_what_was_mixed_stands_and_the_rest_keeps_clear_of_it() -> None:
    day = mixed()
    wish = rest_wish(day, BENCH, T0 + 300.0, 24.1, "room moved")
    assert (wish.loads, wish.temp_c, wish.temp_basis, wish.first_lot) == (1, 24.1, "measured", "r-07")
    rest = {m.mold for m in waiting(day)[0].molds}
    assert set(wish.molds) == rest
    whole = joined(day, sheet_of(plan(ask_of(wish, BENCH), FAST), T0 + 300.0), gone(day, BENCH))
    assert whole.loads[0] == day.loads[0]
    assert [load.number for load in whole.loads] == [1, 2]
    assert {m.mold for m in whole.loads[1].molds} | {x.mold for x in whole.left_out} == rest
    first, second = whole.loads
    pulls = [(m.due_t, m.due_t + 60.0) for m in first.molds]
    assert second.mix_t >= first.open_t
    assert all(end <= second.mix_t or start >= second.mix_t + second.at_pressure_s for start, end in pulls)
    assert whole.left_out  # at 24.1 C four molds do not go into one load any more, and no load is added


def test_a_lot_that_runs_out_is_followed_by_another() -> None:
    spare = replace(BENCH.lots[1], id="r-08", code="R-08", opened=1.5)
    bench = replace(BENCH, lots=(*BENCH.lots, spare))
    used = Spent(lot_g={"r-07": 990.0})
    why = slip(mixed(), bench, used, None)
    wish = rest_wish(mixed(), bench, T0 + 300.0, None, why)
    assert wish.lot is None
    assert (found := ask_of(wish, bench, used).lot) is not None
    assert found.code == "R-08"


def test_a_lot_that_was_named_stays_the_only_one() -> None:
    spare = replace(BENCH.lots[1], id="r-08", code="R-08", opened=9.0)
    bench = replace(BENCH, lots=(*BENCH.lots, spare))
    named = replace(mixed(), named_lot="r-07")
    assert rest_wish(named, bench, T0, 24.1, "room moved").lot == "r-07"
    ask = ask_of(rest_wish(mixed(), bench, T0, 24.1, "room moved"), bench)
    assert ask.lot is not None
    assert (ask.lot.code, [x.lot.code for x in ask.more_lots]) == ("R-07", ["R-08"])  # begun with, though older


def test_scrap_of_a_mixed_load_is_wanted_again_once() -> None:
    day = mixed()
    mold = day.loads[0].molds[0].mold
    later = waiting(day)[0].molds[0].mold
    marks = [(T0 + 900.0, mold), (T0 + 901.0, later), (T0 - 5.0, mold)]
    assert scrap_of(day, marks) == [(T0 + 900.0, mold)]
    assert scrap_of(replace(day, again=((T0 + 900.0, mold),)), marks) == []
    wish = rest_wish(day, BENCH, T0 + 950.0, None, "scrap", [mold])
    assert (wish.loads, wish.molds[-1]) == (2, mold)
    assert joined(replace(day, again=((1.0, mold),)), sheet(), []).again == ((1.0, mold),)


def test_a_mold_for_the_surplus_is_not_asked_for_again() -> None:
    day = mixed()
    first, *rest = day.loads[1].molds
    load = replace(day.loads[1], molds=(replace(first, reserve=True), *rest))
    assert len(rest_wish(replace(day, loads=(day.loads[0], load)), BENCH, T0, None, "").molds) == len(rest)


def test_a_retired_mold_is_named_among_what_is_left_out() -> None:
    day = mixed()
    lost = waiting(day)[0].molds[0]
    bench = replace(BENCH, molds=tuple(replace(m, retired=m.id == lost.mold) for m in BENCH.molds))
    assert lost.mold not in rest_wish(day, bench, T0, None, "").molds
    assert [(x.code, x.why) for x in gone(day, bench)] == [(lost.code, "is retired")]
    ended = without_rest(day, "every lot is empty", T0 + 9.0)
    assert [load.pour for load in ended.loads] == ["cup-1-7"]
    assert len(ended.left_out) == len(waiting(day)[0].molds)


def test_a_load_begun_late_moves_the_rest_along() -> None:
    plain, day = sheet(), mixed(T0 + 900.0)
    for before, after in zip(plain.loads, day.loads, strict=True):
        assert after.mix_t == before.mix_t + 900.0
        assert after.open_t == pytest.approx(before.open_t + 900.0)
        assert after.molds[0].due_t == pytest.approx(before.molds[0].due_t + 900.0)
    assert begun(day, {1: None}, None).loads[0].pour is None  # taken back


def test_a_load_not_begun_is_late_after_ten_minutes() -> None:
    assert late_s(sheet(), T0 + 599.0) == 0.0
    assert late_s(sheet(), T0 + 660.0) == 660.0
    moved = shifted(sheet(), 660.0)
    assert late_s(moved, T0 + 660.0) == 0.0
    assert [load.state for load in told(mixed()).loads] == ["mixed", "next"]


def test_hands_pots_and_molds_are_taken_by_what_is_mixed() -> None:
    day = mixed()
    taken = underway(day, 60.0)
    first = day.loads[0]
    assert taken.pot_free_t == {"barrel": first.open_t}
    assert taken.mold_free_t == {m.mold: m.due_t + 60.0 for m in first.molds}
    assert len(taken.busy) == 2 + len(first.molds)
    assert underway(sheet(), 60.0).busy == ()


def test_a_sheet_comes_back_from_its_file_whole_or_not_at_all() -> None:
    day = replace(mixed(), again=((T0 + 900.0, "m01"),), pours_s={"M02": 15.0}, named_lot="r-07")
    assert sheet_from_body(json.loads(json.dumps(sheet_body(day)))) == day
    for key in ("loads", "left_out", "lot", "temp_c", "made_t"):
        assert sheet_from_body({k: v for k, v in sheet_body(day).items() if k != key}) is None
    for key in ("mix_t", "molds", "pot", "pour", "batch_g"):
        spoilt = sheet_body(day)
        del spoilt["loads"][0][key]
        assert sheet_from_body(spoilt) is None
    spoilt_bodies: tuple[object, ...] = (None, 3, [], {"id": "x", "loads": []})
    assert [sheet_from_body(plain) for plain in spoilt_bodies] == [None] * 4


def test_a_sheet_of_before_is_read_without_what_was_not_written_then() -> None:
    """0.1.0 wrote no lot that was named and no scrap planned again, and a mold without `reserve`."""
    plain = sheet_body(mixed())
    for key in ("pours_s", "named_lot", "again", "most_loads"):
        del plain[key]
    for load in plain["loads"]:
        for mold in load["molds"]:
            del mold["reserve"]
    assert sheet_from_body(plain) == replace(mixed(), most_loads=None)
