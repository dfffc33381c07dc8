"""What did the invented day cost, a part of it, a figure?  By hand from the scenario's grams and prices."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchd.core.bench import Bench
from benchd.reports.costing import costs_of, figures_of
from benchd.reports.index import make_report
from benchd.reports.records import LoadRecord, Part, PourRecord, Records
from benchd.reports.writer import Document, to_html, to_text
from benchd.runtime.journal.journal import Journal
from benchd.shelf.orders import Order

EVENING_T = 1_767_571_200.0 + 20 * 3600.0


async def cost(path: Path, bench: Bench, *orders: Order) -> Document:
    async with Journal(path, read_only=True) as journal:
        return await make_report(journal, bench, "cost", "all", EVENING_T, None, orders)


async def test_the_days_money_is_the_scenarios_to_the_cent(day_journal: Path, studio: Bench) -> None:
    document = await cost(day_journal, studio)
    money = document.data["money"]
    assert sum(money.values()) == pytest.approx(862 * 14.50 / 1000.0, abs=0.001)  # the scenario: 862 g, 12.50
    # the good parts: M01 twice, M02, M03, M04, M05, M06: 96x2 + 28 + 54 + 142 + 17 + 36 = 469 ml of 1.07 g/ml
    assert money["part"] == pytest.approx(469 * 1.07 * 14.50 / 1000.0, abs=0.001)
    # their gates: 14x2 + 9 + 12 + 18 + 8 + 8 = 83 ml
    assert money["gates"] == pytest.approx(83 * 1.07 * 14.50 / 1000.0, abs=0.001)
    # not good: M07, 52 of load 2's 237 ml, of 281 g; M08, 124 of load 3's 234 ml, of 278 g
    assert money["lost"] == pytest.approx((52 / 237 * 281 + 124 / 234 * 278) * 14.50 / 1000.0, abs=0.001)
    assert money["mold"] == 0.0
    text = to_text(document)
    assert "12.50 for 7 good parts; 58% of it is in them." in text
    assert "not known of M02 M03 M06 M01 M05 M07 M04 M08" in text


async def test_a_figures_price_is_held_against_its_parts_and_the_molds_wear(day_journal: Path, studio: Bench) -> None:
    worn = replace(studio, molds=tuple(replace(m, cost=30.0) for m in studio.molds))
    order = Order(code="Q7", parts={"m02": 1, "m03": 2}, figures=4, price=12.0, taken_t=0.0)
    document = await cost(day_journal, worn, order)
    (figure,) = document.data["figures"]
    # load 1: 303 g over 37 + 66 + 44 + 110 = 257 ml; wear 30 / 50 of both
    each = {ml: ml / 257 * 303 * 14.50 / 1000.0 + 30.0 / 50 for ml in (37, 66)}
    assert figure["floor"] == pytest.approx(each[37] + 2 * each[66], abs=0.001)
    assert figure["price"] == 3.0
    assert "Q7: the price is below the cost. Ask 4.69 a figure at least." in to_text(document)
    html = to_html(document)
    assert html.count("<svg") == 2
    assert "mold&#x27;s wear" in html or "mold&#39;s wear" in html


async def test_a_thousand_orders_are_all_in_the_numbers_and_the_page_shows_those_that_lose_money(
    day_journal: Path, studio: Bench
) -> None:
    orders = [Order(code=f"Z{n}", parts={"m02": 1}, figures=1, price=0.0 if n == 900 else 50.0, taken_t=0.0)
              for n in range(1000)]  # fmt: skip
    document = await cost(day_journal, studio, *orders)
    assert len(document.data["figures"]) == 1000
    text = to_text(document)
    assert text.count("\n") < 200
    assert "Z900: the price is below the cost." in text
    assert "And 940 more" in text


def test_what_has_no_price_is_counted_and_not_in_the_money(studio: Bench) -> None:
    part = Part(mold="m01", pour="a", mix_t=0.0, out_t=1800.0, grade="good", lot="r-07", load="l")
    records = Records(
        pours={"a": PourRecord(id="a", number=1, mix_t=0.0, lot="r-07", molds=("m01",), parts=(part,), load="l"),
               "b": PourRecord(id="b", number=2, mix_t=9.0, lot="r-07", molds=("m01",), a_g=80.0, b_g=70.0,
                               parts=(replace(part, pour="b", grade=None),), load="l")},
        loads={"l": LoadRecord(id="l", number=1, pot="barrel", closed_t=100.0, opened_t=1300.0, pours=("a", "b"))},
    )  # fmt: skip
    costs = costs_of(studio, records)
    known = costs.molds["m01"]
    assert (costs.unpriced, known.casts, known.priced, known.good, known.each) == (1, 2, 1, 2, None)
    assert known.spent == pytest.approx(150 * 14.5 / 1000.0)
    assert known.pot_s == 1200.0
    # by the shelf then: 110 ml of 1.07 g/ml and 3 % film
    (figure,) = figures_of(studio, costs, [Order(code="Q7", parts={"m01": 1})])
    assert figure.guessed == ("m01",)
    assert figure.floor == pytest.approx(110 * 1.07 * 1.03 * 14.5 / 1000.0)
