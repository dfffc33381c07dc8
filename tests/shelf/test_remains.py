"""What is left of a lot, and which lot is poured next?  Sums by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchd.core.bench import Bench, Lot, Resin
from benchd.shelf.remains import Spent, counted_since, is_empty, is_past, left_g, lots_in_order

FAST = Resin(id="fast", name="fast white", pot_life_s=180, demold_s=600)
LOT = Lot(id="r-07", code="R-07", resin="fast", label=FAST, bought_g=2000.0)
POURED = Spent(lot_g={"r-07": 862.0})


@pytest.mark.parametrize(
    ("lot", "left"),
    [
        (LOT, 1138.0), (replace(LOT, left_g=1000.0, left_since=5.0), 138.0), (replace(LOT, bought_g=None), None),
        (replace(LOT, bought_g=500.0), 0.0), (None, None), (replace(LOT, bought_g=None, left_g=900.0), 38.0),
    ],
)  # fmt: skip
def test_what_is_left_is_what_was_there_less_what_was_poured(lot: Lot | None, left: float | None) -> None:
    assert left_g(lot, POURED) == left


def test_less_than_a_witness_cup_is_empty_and_what_is_not_known_is_not() -> None:
    assert is_empty(replace(LOT, bought_g=882.0), POURED)
    assert not is_empty(replace(LOT, bought_g=883.0), POURED)
    assert not is_empty(replace(LOT, bought_g=None), POURED)


def test_the_last_day_still_counts() -> None:
    lot = replace(LOT, shelf_end=100.0)
    assert (is_past(lot, 99.9), is_past(lot, 100.0), is_past(LOT, 1e12)) == (False, True, False)


def test_the_newest_good_lot_comes_first_and_one_past_its_end_last() -> None:
    lots = (
        replace(LOT, id="old", opened=1.0), replace(LOT, id="new", opened=3.0), replace(LOT, id="bad", suspect="foams"),
        replace(LOT, id="past", opened=9.0, shelf_end=50.0), replace(LOT, id="out", bought_g=10.0),
    )  # fmt: skip
    bench = Bench(id="b", shop="s", name="n", lots=(*lots, replace(LOT, id="weighed", left_g=1.0, left_since=7.0)))
    assert [lot.id for lot in lots_in_order(bench, Spent(), 60.0)] == ["new", "old", "past"]
    assert counted_since(bench) == {"weighed": 7.0}
