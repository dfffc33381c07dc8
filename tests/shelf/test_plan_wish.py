"""Is what was typed understood, and is what cannot be planned refused with its remedy?  And is the sheet its plan?"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from shelf.plan_shelves import BARREL, FAST, R07, TABLE, studio

from benchd.core.bench import Bench, Cup, Lot
from benchd.core.format.learned_form import learned_from_body
from benchd.core.units import number_words
from benchd.shelf.plan import plan
from benchd.shelf.plan.sheet import sheet_of
from benchd.shelf.plan.wish import CannotPlan, Wish, ask_of
from benchd.shelf.remains import Spent

OLD = Lot(id="r-05", code="R-05", resin="fast", label=FAST, opened=1.0, suspect="foamed once")
MOLDS = tuple(replace(studio(code), name=f"Part {code}") for code in TABLE)
BENCH = Bench(
    id="north", shop="quiet", name="North", pots=(BARREL,), cups=(Cup(id="cup-1", name="Cup"),), molds=MOLDS,
    lots=(OLD, replace(R07, opened=2.0, bought_g=1000.0)), resins=(FAST,),
)  # fmt: skip


def test_codes_counts_and_case_are_understood() -> None:
    ask = ask_of(Wish(molds=("m02", "M01x2"), temp_c=21.5), BENCH, Spent(lot_g={"r-07": 100.0}, casts={"m01": 4}))
    assert [mold.code for mold in ask.casts] == ["M02", "M01", "M01"]
    assert ask.lot is not None
    assert (ask.lot.code, ask.left_g, ask.cup, ask.used["m01"]) == ("R-07", 900.0, "cup-1", 22)


def test_what_was_learned_of_hands_pots_and_molds_is_planned_with() -> None:
    learned = learned_from_body({
        "caster": {"pour_s": 11.0, "lid_s": 31.0}, "pots": {"barrel": {"fill_s": 44.0}},
        "molds": {"m01": {"fast": {"log_bias": math.log(1.25), "sd": 0.1, "pulls": 4}},
                  "m02": {"fast": {"log_bias": "late", "sd": 0.1, "pulls": 4}}},
    })  # fmt: skip
    wish = Wish(molds=("M01", "M02"), temp_c=21.5, pours_s={"M02": 15.0})
    (placed,) = plan(ask_of(wish, BENCH, learned=learned), FAST).loads
    assert placed.loading.at_pressure_s == 30.0 + 11.0 + 15.0 + 31.0 + 44.0
    (plainly,) = plan(ask_of(wish, BENCH), FAST).loads
    due_s, plain_s = ({part.mold.id: part.due_s for part in p.loading.parts} for p in (placed, plainly))
    assert due_s == pytest.approx({"m01": 1.25 * plain_s["m01"], "m02": plain_s["m02"]})


def without(**more: object) -> Bench:
    return replace(BENCH, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("wish", "bench", "field", "says"),
    [
        (Wish(molds=("M0Z",)), BENCH, "molds", 'no mold "M0Z"; did you mean "M0'),
        (Wish(molds=()), BENCH, "molds", "no mold is named"),
        (Wish(molds=("M01x99",)), BENCH, "molds", "ask for 1 to 24 casts"),
        (Wish(molds=("M 01",)), BENCH, "molds", "is no mold code"),
        (Wish(molds=("M01x24", "M02")), BENCH, "molds", "more than a day holds"),
        (Wish(molds=("M01",), lot="R-7"), BENCH, "lot", 'no lot "R-7"; did you mean "R-07"'),
        (Wish(molds=("M01",), temp_c=90.0), BENCH, "temp_c", "give 5 to 45 C"),
        (Wish(molds=("M01",), loads=0), BENCH, "loads", "give 1 or more"),
        (Wish(molds=("M01",), pours_s={"M01": 0.0}), BENCH, "pours", "give 1 to 120 s"),
        (Wish(molds=("M01",)), without(pots=()), "pot", "write a [pot.NAME] table"),
        (Wish(molds=("M01",)), without(pots=(replace(BARREL, volume_l=0.3),)), "molds", "use a deeper pot"),
        (Wish(molds=("M01",)), without(molds=(replace(MOLDS[0], cavity_ml=-3.0),)), "molds", "weigh its water"),
        (Wish(molds=("M01",)), without(lots=(OLD,)), "lot", "open another"),
    ],
)
def test_what_cannot_be_planned_is_refused_with_the_remedy(wish: Wish, bench: Bench, field: str, says: str) -> None:
    with pytest.raises(CannotPlan) as refused:
        ask_of(wish, bench)
    assert refused.value.field == field
    assert says in str(refused.value)


def test_an_empty_lot_is_refused_by_name_and_passed_over_otherwise() -> None:
    spent = Spent(lot_g={"r-07": 995.0})
    with pytest.raises(CannotPlan, match="lot R-07 is empty: open another"):
        ask_of(Wish(molds=("M01",), lot="R-07"), BENCH, spent)
    spare = replace(OLD, id="r-08", code="R-08", suspect="")
    assert ask_of(Wish(molds=("M01",)), without(lots=(*BENCH.lots, spare)), spent).lot == spare


def test_too_little_resin_leaves_out_what_was_asked_for_last() -> None:
    made = plan(ask_of(Wish(molds=("M04", "M01"), temp_c=21.0), BENCH, Spent(lot_g={"r-07": 750.0})), FAST)
    assert [part.mold.code for placed in made.loads for part in placed.loading.parts] == ["M04"]
    assert [(out.mold.code, out.why) for out in made.left_out] == [
        ("M01", "needs 318 g in all, 250 g of the lot are left: open another lot")
    ]  # by hand: 1.03 x 1.07 x (160 + 110) = 297.6, and 20.5 for the load


def test_worn_rested_and_overused_molds_say_why() -> None:
    spent = Spent(casts={"m05": 4}, today={"m01": 3})
    made = plan(ask_of(Wish(molds=("M05x2", "M01"), temp_c=21.0), BENCH, spent), FAST)
    assert [(out.mold.code, out.why.split(":")[0]) for out in made.left_out] == [
        ("M05", "is worn out"),
        ("M01", "has to rest"),
    ]


def test_the_sheet_says_what_the_plan_says() -> None:
    wish = Wish(molds=("M02", "M03", "M06", "M01", "M05", "M07"), temp_c=21.5, start_t=1000.0)
    made = plan(ask_of(wish, BENCH), FAST)
    sheet = sheet_of(made, 1000.0)
    assert [load.state for load in sheet.loads] == ["next", "waiting"]
    for load, placed in zip(sheet.loads, made.loads, strict=True):
        total_s = load.mix_s + load.pour_s + load.lid_s + load.fill_s
        assert total_s == pytest.approx(load.at_pressure_s, abs=0.21)
        assert load.kick_s - load.at_pressure_s == pytest.approx(load.margin_s, abs=0.11)
        assert load.a_g + load.b_g == pytest.approx(load.batch_g, abs=0.11)
        assert load.molds[-1].filled_s == pytest.approx(load.mix_s + load.pour_s, abs=0.11)
        assert load.mix_t == pytest.approx(placed.mix_t, abs=0.06)
    assert sheet.say.startswith("Two loads, six molds. First: Part ")
    assert sheet.say.endswith(" seconds to spare.")
    least_s = min(load.margin_s for load in sheet.loads)
    assert f"{number_words(round(least_s)).capitalize()} seconds to spare." in sheet.say
