"""Are orders counted, paced and refused rightly?  The pace against an exact solver, the counts by hand."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from benchd.core.bench import Bench, Mold
from benchd.shelf.orders import Cast, Order, lines_of, state_of
from benchd.shelf.orders.book import OrderBook, book_of
from benchd.shelf.orders.edit import MOST_FIGURES, Asked, OrderRefused, edited
from benchd.shelf.orders.form import OddOrder, orders_body, orders_from_body
from benchd.shelf.orders.pace import NO_HURRY, Capacity, Need, pace_of, usual_a_day
from benchd.shelf.orders.shown import book_body

TODAY, NOW_T = 20458, 1_767_600_000.0  # 2026-01-05, 08:00 UTC
DAY_S = 86400.0


def bench() -> Bench:
    molds = [
        Mold(id=f"m0{n}", code=f"M0{n}", name=f"part {n}", cavity_ml=30.0, thin_mm=3.0, thick_mm=9.0, life=60)
        for n in (1, 2, 3)
    ]
    return Bench(id="north", shop="", name="North", molds=tuple(molds))


def asked(orders: Sequence[Order], *words: object, **keys: object) -> list[Order]:
    action, code, *molds = (str(word) for word in words)
    book = book_of(orders, (), bench(), NOW_T)
    want = Asked(action=action, code=code, molds=tuple(molds), **keys)  # type: ignore[arg-type]  # as typed in a test
    return edited(orders, want, bench(), book.lines, NOW_T, TODAY)


def cast(mold: str, minute: float, grade: str | None = "good", out: bool = True) -> Cast:
    mix_t = NOW_T + 60.0 * minute
    return Cast(mold=mold, mix_t=mix_t, out_t=mix_t + 1800.0 if out else None, grade=grade)


def test_an_order_counts_good_parts_and_scrap_leaves_it_open() -> None:
    orders = asked([], "add", "Q7", "M01", "M02x2", figures=3, by="2026-01-09", price=90.0)
    casts = [cast("m01", 1), cast("m01", 2, "scrap"), cast("m02", 3, None), cast("m02", 4, "second"),
             cast("m02", 5, None, out=False), cast("m01", -60.0 * 24)]  # fmt: skip
    first, second = lines_of(orders, casts, NOW_T + 3600.0)["q7"]
    # 3 of M01 wanted, 1 good: 2 to cast; 6 of M02 wanted, 1 pulled without a grade, 1 curing: 4 to cast
    assert (first.wanted, first.good, first.curing, first.to_cast) == (3, 1, 0, 2)
    assert (second.wanted, second.good, second.curing, second.to_cast) == (6, 1, 1, 4)
    assert state_of(orders[0], (first, second)) == "to cast"


def test_parts_go_to_the_earlier_day_first_and_a_done_order_keeps_its_own() -> None:
    late = Order(code="A", parts={"m01": 1}, figures=2, by=TODAY + 25, taken_t=NOW_T - DAY_S)
    soon = Order(code="B", parts={"m01": 1}, figures=2, by=TODAY + 4, taken_t=NOW_T - DAY_S)
    casts = [cast("m01", n) for n in range(3)]
    lines = lines_of([late, soon], casts, NOW_T)
    assert [lines[id][0].good for id in ("a", "b")] == [1, 2]
    done = replace(late, done_t=NOW_T + DAY_S)
    lines = lines_of([done, soon], casts, NOW_T)
    assert [lines[id][0].good for id in ("a", "b")] == [2, 1]
    assert state_of(done, lines["a"]) == "done"


def test_trimming_and_spoiling_move_parts_and_a_spoiled_one_is_wanted_again() -> None:
    orders = asked([], "add", "Q7", "M01", figures=2)
    book = book_of(orders, [cast("m01", 1), cast("m01", 2)], bench(), NOW_T + 9000.0)
    assert book.state(orders[0]) == "cast"
    orders = edited(orders, Asked(action="trimmed", code="q7"), bench(), book.lines, NOW_T, TODAY)
    book = book_of(orders, [cast("m01", 1), cast("m01", 2)], bench(), NOW_T + 9000.0)
    assert (book.state(orders[0]), book.lines["q7"][0].trimmed) == ("trimmed", 2)
    orders = edited(orders, Asked(action="spoiled", code="Q7", molds=("m01",)), bench(), book.lines, NOW_T, TODAY)
    book = book_of(orders, [cast("m01", 1), cast("m01", 2)], bench(), NOW_T + 9000.0)
    line = book.lines["q7"][0]
    assert (book.state(orders[0]), line.good, line.trimmed, line.to_cast) == ("to cast", 1, 1, 1)


@pytest.mark.parametrize(
    ("words", "keys", "field", "says"),
    [
        (("add", "Q7", "M01"), {"price": -5.0}, "price", "-5 is no price: give 0 or more"),
        (("add", "Q7", "M01"), {"price": float("nan")}, "price", "nan is no price"),
        (("add", "Q7", "M01"), {"by": "2026-01-04"}, "by", "2026-01-04 is past, today is 2026-01-05: give a later day"),
        (("add", "Q7", "M01"), {"by": "next week"}, "by", '"next week" is no day: write it as 2026-01-05'),
        (("add", "Q7", "M9"), {}, "molds", 'no mold makes it: no mold "M9"; known: M01, M02, M03'),
        (("add", "Q7"), {}, "molds", "no part is named"),
        (("add", "Q7", "M01"), {"figures": 0}, "figures", f"0 figures are no order: give 1 to {MOST_FIGURES}"),
        (("add", "Q7", "M01x100"), {}, "molds", "100 of one part in one figure"),
        (("add", "one two", "M01"), {}, "code", '"one two" is no code'),
        (("trimmed", "A", "M01"), {}, "molds", "1 of M01, and of order A 0 waits to be trimmed"),
        (("spoiled", "A"), {}, "molds", "which part?"),
        (("done", "B"), {}, "code", 'no order "B"; known: A'),
        (("add", "a", "M01"), {}, "code", "order a is there already"),
        (("sell", "A"), {}, "do", 'no action "sell"'),
    ],
)  # fmt: skip
def test_bad_input_names_the_field_and_the_remedy_and_changes_nothing(
    words: tuple[str, ...], keys: dict[str, object], field: str, says: str
) -> None:
    orders = asked([], "add", "A", "M01")
    with pytest.raises(OrderRefused) as error:
        asked(orders, *words, **keys)
    assert error.value.field == field
    assert says in str(error.value)
    assert orders == asked([], "add", "A", "M01")


def test_orders_come_back_from_their_file_as_they_were_and_a_broken_one_is_named() -> None:
    orders = asked(asked([], "add", "Q7", "M01", "M02x2", by="2026-02-01", price=3.5), "add", "R1", "M03", figures=9)
    body = orders_body(orders)
    assert orders_from_body(body) == orders
    body["items"][1]["figures"] = -1
    with pytest.raises(OddOrder, match=r"items\[2\] \(R1\): -1 is not a count"):
        orders_from_body(body)


def test_a_thousand_orders_are_all_counted() -> None:
    orders = [
        Order(code=f"Z{n}", parts={f"m0{n % 3 + 1}": 1}, figures=5, by=TODAY + 1 + n % 20, taken_t=NOW_T)
        for n in range(1000)
    ]
    book: OrderBook = book_of(orders, [cast("m01", n) for n in range(50)], bench(), NOW_T)
    body = book_body(book, bench())
    assert len(body["orders"]) == 1000
    # 60 casts of life a mold, 50 of one made: 10 + 60 + 60 can still be cast, all else is said to be beyond its life
    assert sum(made.casts for made in book.pace.made) == 130
    assert sum(book.pace.worn.values()) == 5000 - 50 - 130


def test_more_than_a_year_can_cast_is_said_and_costs_no_time() -> None:
    molds = tuple(Mold(id=f"m{n}", code=f"M{n}", name="", cavity_ml=30.0, thin_mm=3.0, thick_mm=9.0, life=10_000)
                  for n in range(30))  # fmt: skip
    many = [Order(code=f"Z{n}", parts={f"m{(n + k) % 30}": 1 for k in range(4)}, figures=24, by=TODAY + n % 200)
            for n in range(1000)]  # fmt: skip
    book = book_of(many, (), replace(bench(), molds=molds), NOW_T)
    assert sum(made.casts for made in book.pace.made) == 12 * 400  # a day's casts, each day that is foretold
    last = max(book.open(), key=lambda order: order.by or 0)
    assert book.ready_by(last) is None
    assert any("is not cast within 400 days: make another" in why for why in book.warnings(last, bench()))


def fewest_late(needs: Sequence[Need], capacity: Capacity, days: int) -> int:
    """The fewest casts that are late, over all ways to spread them: an integer program, solved exactly."""
    n = len(needs)
    late = np.array([[day > need.due for day in range(days)] for need in needs], dtype=float).ravel()
    rows, low, high = [], [], []
    for i, need in enumerate(needs):  # all are cast
        rows.append(np.array([j // days == i for j in range(n * days)], dtype=float))
        low.append(need.casts)
        high.append(need.casts)
    for day in range(days):
        of_day = np.array([j % days == day for j in range(n * days)])
        rows.append(of_day.astype(float))
        low.append(0)
        high.append(capacity.a_day)
        for mold, most in capacity.casts_a_day.items():
            mine = np.array([needs[j // days].mold == mold for j in range(n * days)])
            rows.append((of_day & mine).astype(float))
            low.append(0)
            high.append(most)
    found = milp(late, constraints=LinearConstraint(np.array(rows), low, high), integrality=np.ones(n * days),
                 bounds=Bounds(0, np.inf))  # fmt: skip
    assert found.success
    fewest: float = found.fun
    return round(fewest)


def drawn(seed: int) -> tuple[list[Need], Capacity]:
    chance = random.Random(seed)
    molds = [f"m{n}" for n in range(chance.randint(1, 4))]
    capacity = Capacity(a_day=chance.randint(2, 8), casts_a_day={mold: chance.randint(1, 3) for mold in molds})
    needs = [
        Need(order=f"o{n}", mold=chance.choice(molds), casts=chance.randint(1, 6),
             due=chance.choice([NO_HURRY, *range(8)]))
        for n in range(chance.randint(1, 6))
    ]  # fmt: skip
    return needs, capacity


def pace_against_the_solver(seeds: Sequence[int]) -> tuple[int, int, int]:
    """(problems all on time by the solver, of those paced on time, most casts late beyond the fewest)."""
    possible = kept = worst = 0
    for seed in seeds:
        needs, capacity = drawn(seed)
        mine = pace_of(needs, capacity)
        assert sum(made.casts for made in mine.made) == sum(need.casts for need in needs)
        days = max(made.day for made in mine.made) + 1
        least, late = fewest_late(needs, capacity, max(days, 9)), sum(mine.late.values())
        assert late >= least
        possible, kept, worst = possible + (least == 0), kept + (least == late == 0), max(worst, late - least)
    return possible, kept, worst


def test_whatever_can_be_on_time_is_on_time_by_an_exact_solver() -> None:
    possible, kept, _ = pace_against_the_solver(range(60))
    assert possible >= 15  # else the draw says little
    assert kept == possible


@pytest.mark.wide
def test_whatever_can_be_on_time_is_on_time_in_many_draws() -> None:
    possible, kept, _ = pace_against_the_solver(range(1000, 1500))
    assert possible >= 120
    assert kept == possible


def test_the_pace_of_a_day_is_the_benchs_own_once_it_has_days() -> None:
    assert usual_a_day([9, 4]) == 12
    assert usual_a_day([9, 4, 0, 7]) == 7
