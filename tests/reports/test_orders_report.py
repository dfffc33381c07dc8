"""What do the reports say of the orders?  By the invented day: seven good, one second, one scrap (trade's scenario)."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.core.bench import Bench
from benchd.reports.index import make_report
from benchd.reports.writer import Document, to_html, to_text
from benchd.runtime.journal.journal import Journal
from benchd.runtime.watch.orders_file import OrdersUnreadable, read_orders, write_orders
from benchd.shelf.orders import Order

MORNING_T = 1_767_571_200.0  # 2026-01-05, 00:00 UTC
EVENING_T = MORNING_T + 20 * 3600.0


def order(code: str, figures: int, by: int | None = None, **parts: int) -> Order:
    return Order(code=code, parts=parts, figures=figures, by=by, taken_t=MORNING_T, price=120.0)


async def report(path: Path, bench: Bench, kind: str, *orders: Order) -> Document:
    async with Journal(path, read_only=True) as journal:
        return await make_report(journal, bench, kind, {"day": "2026-01-05"}.get(kind, "all"), EVENING_T, None, orders)


async def test_the_orders_report_counts_what_the_day_made(day_journal: Path, studio: Bench) -> None:
    document = await report(day_journal, studio, "orders", order("Q7", 2, 20462, m01=1, m07=1, m08=1))
    (told,) = document.data["orders"]
    # the day: M01 good twice (loads 1 and 3), M07 scrap, M08 a second
    assert [(part["code"], part["good"], part["to_cast"]) for part in told["parts"]] == [
        ("M01", 2, 0), ("M07", 0, 2), ("M08", 0, 2)]  # fmt: skip
    # nine casts were made, and twelve are a day's: three more today, of M08 one, cast twice already it rests at three
    assert (document.data["today"], document.data["tomorrow"]) == (["M07x2", "M08"], ["M08"])
    assert told["cast_by"] == "2026-01-06"
    text = to_text(document)
    assert "1 order open, 2 figures: 4 casts to make." in text
    assert "Q7     M01 Lantern Keeper torso  2" in text  # waits to be trimmed
    assert "Q7" in to_html(document)


async def test_the_days_report_says_what_the_orders_need_tomorrow_and_of_which_lot(
    day_journal: Path, studio: Bench
) -> None:
    document = await report(day_journal, studio, "day", order("Q7", 1, None, m07=1))
    text = to_text(document)
    assert "orders want tomorrow  M07" in text
    # by hand: 1.03 x 1.07 x 52 ml + 20 g = 77 g
    assert "that takes            77 g of R-07" in text
    assert "orders want" not in to_text(await report(day_journal, studio, "day"))


async def test_tomorrow_casts_the_days_scrap_once_for_an_order_and_says_so(day_journal: Path, studio: Bench) -> None:
    document = await report(day_journal, studio, "tomorrow", order("Q7", 2, None, m07=1))
    assert document.data["wanted"] == ["m07", "m07"]
    assert document.data["ordered"] == {"m07": 2}


async def test_more_than_a_molds_life_and_a_missing_mold_are_said(day_journal: Path, studio: Bench) -> None:
    document = await report(day_journal, studio, "orders", order("Q7", 8, 20459, m05=1, m99=1))
    (told,) = document.data["orders"]
    # M05: 40 of 45 casts before the day, one on it: 4 are left, of 7 still wanted
    assert "3 of M05 more than the mold's life gives: make another" in told["warnings"]
    assert "no mold M99 is on the shelf any more" in told["warnings"]
    assert told["cast_by"] is None


def test_a_broken_file_of_orders_is_named_and_stays(tmp_path: Path) -> None:
    write_orders(tmp_path, [order("Q7", 2, m01=1)])
    assert read_orders(tmp_path) == [order("Q7", 2, m01=1)]
    (tmp_path / "orders.json").write_text('{"orders": 0, "items": [{"code": "Q7"}]}', "utf-8")
    with pytest.raises(OrdersUnreadable, match=r"orders\.json: items\[1\] \(Q7\): parts is missing; mend that key"):
        read_orders(tmp_path)
    assert "Q7" in (tmp_path / "orders.json").read_text("utf-8")
