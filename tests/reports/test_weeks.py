"""Three weeks of orders at the invented studio, from the first mark to the last figure; every sum counted apart.

What is expected is worked out here from the molds' millilitres and the script of what comes out, without benchd.
"""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from reports.weeks import DAY_S, MONDAY_T, Outcome, Week, studio, with_room

from benchd.core.bench import Bench
from benchd.reports.index import make_report
from benchd.reports.writer import Document, to_text
from benchd.runtime.journal.journal import Journal
from benchd.shelf.orders import Order

pytestmark = [pytest.mark.wide, pytest.mark.timeout(600)]
MONDAY = 20_458  # days from 1970-01-01
ML = {"m03": 54 + 12, "m04": 142 + 18, "m05": 17 + 8, "m06": 36 + 8}  # trade's shelf: cavity, gate and reservoir
MORNING = -0.5  # eight on Monday
PRICE = 14.50  # a kilogram of R-07
GOOD: Outcome = ("good", None, "hard")


def mixed_g(*molds: str) -> int:
    """Grams of one cup: the shots of 1.07 g/ml, 3 % for the cup's film, a witness of 20 g, to the whole gram."""
    return math.floor(sum(ML[mold] for mold in molds) * 1.07 * 1.03 + 20.0 + 0.5)


async def report(journal: Journal, bench: Bench, kind: str, id: str, day: float, orders: list[Order]) -> Document:
    """As made at eight in the evening of a day, counted from Monday."""
    return await make_report(journal, bench, kind, id, MONDAY_T + (day + 20 / 24) * DAY_S, None, orders)


def part(document: Document, mold: str) -> dict[str, Any]:
    """One mold's line in a report of orders."""
    return next(p for order in document.data["orders"] for p in order["parts"] if p["mold"] == mold)


async def test_an_order_of_24_figures_is_cast_in_six_days_to_the_gram_and_the_cent(tmp_path: Path) -> None:
    loaded = studio(5000.0, m03={"casts_a_day": 5}, m06={"casts_a_day": 5})
    orders = [Order(code="Q7", parts={"m03": 1, "m06": 1}, figures=24, by=MONDAY + 5, price=60.0, taken_t=MONDAY_T)]

    def judge(mold: str, nth: int, _: int) -> Outcome:
        return ("scrap", "trap", "hard") if mold == "m03" and nth % 7 == 0 else GOOD

    async with Journal(tmp_path / "j.db") as journal:
        week = Week(loaded, journal, judge)
        first = await report(journal, week.bench, "orders", "all", MORNING, orders)
        assert first.data["orders"][0]["cast_by"] == "2026-01-09"  # five days of five, if nothing goes wrong
        casts = [await week.day(day, orders) for day in range(7)]
        # of M03 every seventh is scrap: 27 casts for 24 good; of M06 24.  Five of each a day, the last two on the sixth
        assert casts == [10, 10, 10, 10, 9, 2, 0]
        assert (week.refused, week.left_out) == ([], [])
        done = await report(journal, week.bench, "orders", "all", 5, orders)
        assert [part(done, mold)["good"] for mold in ("m03", "m06")] == [24, 24]
        assert done.data["orders"][0]["state"] == "cast"
        assert "Q7     M03 Keeper cloak     24" in to_text(done)
        # 24 cups of both, three of M03 alone
        grams = 24 * mixed_g("m03", "m06") + 3 * mixed_g("m03")
        cost = await report(journal, week.bench, "cost", "all", 5, orders)
        assert sum(cost.data["money"].values()) == pytest.approx(grams * PRICE / 1000.0, abs=0.001)
        pair = mixed_g("m03", "m06") / (ML["m03"] + ML["m06"])  # grams of a cup to each of its millilitres
        lone = 3 * mixed_g("m03")
        a_figure = (24 * pair * ML["m03"] + lone + 24 * pair * ML["m06"]) / 24 * PRICE / 1000.0
        (figure,) = cost.data["figures"]
        assert figure["floor"] == pytest.approx(a_figure, abs=0.001)
        assert figure["price"] == 2.5
        judged = (await report(journal, week.bench, "week", "2026-W02", 5, orders)).data
        told = Counter(verdict["what"] for verdict in judged["verdicts"])
        # 24 cups of both and three of M03 alone, each with a marked kick; every cast was felt as it came out
        assert (told["kick"], told["part"], told["part word"]) == (27, 51, 51)
        assert {v["known"] for v in judged["verdicts"] if v["what"] == "kick"} == {"seen"}
        assert [g["lacking"] for g in judged["gains"] if g["measure"] == "scale"] == [
            "in use: every pour of the week was weighed"
        ]
        lot = to_text(await report(journal, week.bench, "lot", "r-07", 5, orders))
        assert f"{5000 - grams} g" in lot


async def test_a_wet_weeks_foam_is_cast_again_and_held_against_the_damp(tmp_path: Path) -> None:
    loaded = with_room(studio(5000.0))
    orders = [Order(code="R2", parts={"m04": 1}, figures=6, by=MONDAY + 1, taken_t=MONDAY_T)]

    def judge(_: str, nth: int, day: int) -> Outcome:
        return ("scrap", "foam", "hard") if day < 2 and nth % 3 == 1 else GOOD

    async with Journal(tmp_path / "j.db") as journal:
        week = Week(loaded, journal, judge, rh_of=lambda day: 66.0 if day < 2 else 44.0)
        casts = [await week.day(day, orders) for day in range(2)]
        evening = await report(journal, week.bench, "day", "2026-01-06", 1, orders)
        text = to_text(evening)
        assert evening.data["grades"] == {"good": 2, "second": 0, "scrap": 1}
        assert "room damp, up to 66 % RH" in text
        assert "orders want tomorrow  M04x2" in text
        assert f"{2 * mixed_g('m04')} g of R-07" in text
        assert "R2: its day" not in text
        casts += [await week.day(day, orders) for day in (2, 3)]
        assert casts == [3, 3, 2, 0]  # three a day; one of each wet day's foams: two more on the third
        assert week.refused == []
        scrap = await report(journal, week.bench, "scrap", "all", 3, orders)
        assert scrap.data["causes"] == {"foam": 2}
        blamed = to_text(await report(journal, week.bench, "part", "last", 3, orders))
        assert "damp air" in blamed.split("points to")[0]
        assert "room damp, up to 66 % RH, measured" in blamed
        last = await report(journal, week.bench, "orders", "all", 3, orders)
        assert (part(last, "m04")["good"], last.data["orders"][0]["state"]) == (6, "cast")


async def test_a_worn_mold_ends_an_order_that_says_so_from_the_first_day(tmp_path: Path) -> None:
    loaded = studio(5000.0)  # M05: 40 of 45 casts are used
    orders = [Order(code="T3", parts={"m05": 1, "m06": 1}, figures=8, by=MONDAY + 6, price=40.0, taken_t=MONDAY_T)]

    def judge(mold: str, nth: int, _: int) -> Outcome:
        return ("scrap", "tear", "stuck") if mold == "m05" and nth > 3 else GOOD

    async with Journal(tmp_path / "j.db") as journal:
        week = Week(loaded, journal, judge)
        first = await report(journal, week.bench, "orders", "all", MORNING, orders)
        assert "3 of M05 more than the mold's life gives: make another" in first.data["orders"][0]["warnings"]
        casts = [await week.day(day, orders) for day in range(4)]
        assert casts == [6, 5, 2, 0]  # M05: 3 and 2, then its 45 are used; M06: 3, 3, 2
        last = await report(journal, week.bench, "orders", "all", 3, orders)
        assert [part(last, mold)["good"] for mold in ("m05", "m06")] == [3, 8]
        assert "5 of M05 more than the mold's life gives: make another" in last.data["orders"][0]["warnings"]
        tomorrow = await report(journal, week.bench, "tomorrow", "next", 3, orders)
        assert tomorrow.data["ordered"] == {}
        assert "M05 Heron legs  45 of 45 casts used" in to_text(tomorrow)
        cost = await report(journal, week.bench, "cost", "all", 3, orders)
        pairs, lone = mixed_g("m05", "m06") / (ML["m05"] + ML["m06"]), mixed_g("m06") / ML["m06"]
        assert sum(cost.data["money"].values()) == pytest.approx(
            (5 * pairs * (ML["m05"] + ML["m06"]) + 3 * lone * ML["m06"]) * PRICE / 1000.0, abs=0.001
        )
        # two of five M05 are torn, and the three good ones bear their resin
        (m05,) = [m for m in cost.data["molds"] if m["mold"] == "m05"]
        assert m05["each"] == pytest.approx(5 * pairs * ML["m05"] / 3 * PRICE / 1000.0, abs=0.001)
