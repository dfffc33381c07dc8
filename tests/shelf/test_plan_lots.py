"""Is a day of several lots the best there is, does none give more than it holds, and where does a surplus go?

The best day is worked out anew by trying every way to part the casts into loads and every lot for each load.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product

import pytest
from shelf.plan_shelves import BARREL, FAST, R07, random_ask, studio, studio_ask
from shelf.test_plan import plain
from some_of import some_of

from benchd.core.bench import Bench, Cup, Lot, Mold
from benchd.shelf.plan import Plan, plan
from benchd.shelf.plan.ask import Ask, InLot
from benchd.shelf.plan.fold import folded
from benchd.shelf.plan.kick import CupKick, cup_kick
from benchd.shelf.plan.load import Loading, best_loading
from benchd.shelf.plan.offer import offers_of, takes
from benchd.shelf.plan.search import Choice, Found, Room, _Branching, plan_key, search
from benchd.shelf.plan.wish import Wish, ask_of
from benchd.shelf.remains import Spent

SLOW = replace(FAST, id="slow", name="slow clear", pot_life_s=420.0)
R08 = replace(R07, id="r-08", code="R-08", label=replace(FAST, pot_life_s=180.0))
C01 = Lot(id="c-01", code="C-01", resin="slow", label=SLOW)


def two_lots(seed: int, most: int) -> Ask:
    """A random shelf whose first lot holds too little, with a second one, and now and then a mold of another resin."""
    rng = random.Random(seed)
    ask = plain(random_ask(seed, most))
    needed_g = sum(1.1 * (m.cavity_ml + m.gate_ml + m.reservoir_ml) + 20.0 for m in ask.casts)
    casts = tuple(replace(m, resin=rng.choice((None, None, "slow"))) for m in ask.casts)
    more = [InLot(lot=R08, label=R08.label, left_g=rng.choice((None, rng.uniform(0.1, 0.8) * needed_g)))]
    more += [InLot(lot=C01, label=SLOW, left_g=rng.choice((None, 150.0)))] if rng.random() < 0.5 else []
    return replace(ask, casts=casts, left_g=rng.uniform(0.1, 0.8) * needed_g, more_lots=tuple(more))


def parted(items: Sequence[int], most: int) -> Iterator[list[tuple[int, ...]]]:
    """Every way to part these into groups of at most so many."""
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for pick in range(1 << len(rest)):
        group = (first, *(x for i, x in enumerate(rest) if pick >> i & 1))
        if len(group) <= most:
            for others in parted([x for x in rest if x not in group], most):
                yield [group, *others]


def brute(ask: Ask) -> tuple[int, float, int, float]:
    """(casts left out, loads, which, minus the least margin) over every parting and every choice of lots."""
    asks = [ask, *(ask.in_lot(other) for other in ask.more_lots)]
    kicks = [cup_kick(each.label, each.lot, each.temp_c) for each in asks]
    casts, n, best = ask.casts, len(ask.casts), None
    for pick in range(1 << n):
        here = [i for i in range(n) if pick >> i & 1]
        for groups in parted(here, ask.limits.most_molds):
            if ask.limits.most_loads is not None and len(groups) > ask.limits.most_loads:
                continue
            for lots in product(range(len(asks)), repeat=len(groups)):
                margins = _margins(casts, groups, lots, asks, kicks, ask.resin)
                if margins is not None:
                    left = sum(1 << (n - 1 - i) for i in range(n) if i not in here)
                    key = (n - len(here), len(groups) + sum(lots) / 1000, left, -min(margins, default=math.inf))
                    best = key if best is None or key < best else best
    assert best is not None
    return best


def _margins(
    casts: Sequence[Mold],
    groups: Sequence[Sequence[int]],
    lots: Sequence[int],
    asks: Sequence[Ask],
    kicks: Sequence[CupKick],
    main: str | None,
) -> list[float] | None:
    """The margins of such a day; None where a load or a lot's grams forbid it."""
    out: list[float] = []
    grams = [0.0] * len(asks)
    for group, lot in zip(groups, lots, strict=True):
        molds = [casts[i] for i in group]
        if any((m.resin or main) != asks[lot].resin for m in molds):
            return None
        load = best_loading(molds, asks[lot], kicks[lot])
        if not isinstance(load, Loading):
            return None
        out.append(load.margin_s)
        grams[lot] += 20.5 + sum(1.03 * 1.07 * (m.cavity_ml + m.gate_ml + m.reservoir_ml) for m in molds)
    too_much = any(a.left_g is not None and g > a.left_g + 1e-9 for a, g in zip(asks, grams, strict=True))
    return None if too_much else out


def got(made: Plan, ask: Ask) -> tuple[int, float, int, float]:
    ids = [part.mold.id for placed in made.loads for part in placed.loading.parts]
    missing = [i for i, m in enumerate(ask.casts) if m.id not in ids]
    left = sum(1 << (len(ask.casts) - 1 - i) for i in missing)
    margins = [placed.loading.margin_s for placed in made.loads]
    lots = [ask.lot, *(other.lot for other in ask.more_lots)]
    later = sum(lots.index(placed.loading.ask.lot) for placed in made.loads)
    return len(missing), len(made.loads) + later / 1000, left, -min(margins, default=math.inf)


def used_g(made: Plan) -> dict[str, float]:
    grams: dict[str, float] = {}
    for placed in made.loads:
        lot = placed.loading.ask.lot
        assert lot is not None
        grams[lot.id] = grams.get(lot.id, 0.0) + placed.loading.batch.batch_g
    return grams


@pytest.mark.parametrize("seed", some_of(range(40), 4))
def test_small_shelves_of_several_lots_get_the_day_brute_force_finds(seed: int) -> None:
    ask = two_lots(40_000 + seed, 5)
    made, best = plan(ask), brute(ask)
    alone = plan(replace(ask, more_lots=()))
    if best[0] < len(alone.left_out):
        assert got(made, ask) == pytest.approx(best)
    else:  # no more casts by a further lot: it stays shut
        assert got(made, ask) == got(alone, ask)
        assert set(used_g(made)) <= {"r-07"}


def test_three_hundred_random_days_take_no_more_of_a_lot_than_it_holds() -> None:
    several = 0
    for seed in range(300):
        ask = two_lots(50_000 + seed, 7)
        made = plan(ask)
        held = {"r-07": ask.left_g} | {x.lot.id: x.left_g for x in ask.more_lots}
        for lot, grams in used_g(made).items():
            limit_g = held[lot]
            assert limit_g is None or grams <= limit_g, seed
        for placed in made.loads:
            assert all(takes(part.mold, placed.loading.ask, ask.resin) for part in placed.loading.parts), seed
            assert placed.loading.margin_s >= 20.0
        names = [p.mold.id for x in made.loads for p in x.loading.parts] + [out.mold.id for out in made.left_out]
        assert sorted(names) == sorted(m.id for m in ask.casts), seed
        assert all(out.why for out in made.left_out)
        several += len(used_g(made)) > 1
    assert several > 60  # the second lot is really poured


@pytest.mark.parametrize("seed", some_of(range(15), 3))
def test_branch_and_bound_parts_lots_as_the_tables_do(seed: int) -> None:
    ask = two_lots(60_000 + seed, 7)
    offers = offers_of(ask.casts, ask)
    choices = [choice for lot, offer in enumerate(offers) for choice in offer.choices(lot)]
    first, *more = (offer.room for offer in offers)
    n = len(ask.casts)
    exact = search(n, choices, first, lambda mask: 0, more=tuple(more))
    other: Found = _Branching(n, choices, first, lambda mask: 0, lambda branches: True, tuple(more)).run()
    assert other.is_proved
    assert plan_key(other.chosen, n) == pytest.approx(plan_key(exact.chosen, n))


def test_the_loads_of_a_lot_are_its_own() -> None:
    """By hand: 100 g in each lot hold two casts of 35 g and a load's 20; the third goes to the other lot."""
    choices = [Choice(1 << i, 40.0, 600.0, lot) for i in range(3) for lot in range(2)]
    choices += [Choice(0b011, 30.0, 600.0, lot) for lot in range(2)]
    room = Room((35.0, 35.0, 35.0), 20.0, 100.0)
    found = search(3, choices, room, lambda mask: 0, more=(room,))
    assert sorted(choice.mask for choice in found.chosen) == [0b011, 0b100]
    assert {choice.lot for choice in found.chosen} == {0, 1}
    day = folded([([0, 1, 9, 9], [math.inf, 5.0, -1.0, -1.0]), ([0, 9, 1, 2], [math.inf, 7.0, 4.0, 8.0])], 0b11)
    assert (day.costs[3], day.ratings[3], day.shares(3)) == (2, 8.0, [0, 3])  # two loads either way: 8 s beat 4


def test_a_mold_of_another_resin_is_poured_from_a_lot_of_it() -> None:
    bench = Bench(
        id="b", shop="s", name="n", pots=(BARREL,), cups=(Cup(id="c", name="C"),), resins=(FAST, SLOW), lots=(R07, C01),
        molds=(studio("M01"), replace(studio("M04"), resin="slow"), replace(studio("M06"), resin="gone")),
    )  # fmt: skip
    made = plan(ask_of(Wish(molds=("M01", "M04", "M06"), temp_c=21.5), bench))
    lots = {placed.loading.ask.lot.code: placed.loading for placed in made.loads if placed.loading.ask.lot}
    assert {code: load.mold_ids for code, load in lots.items()} == {"R-07": ("m01",), "C-01": ("m04",)}
    assert lots["C-01"].kick.likely_s == pytest.approx(420.0 * 2**0.15)  # its own clock
    assert [out.why.split(":")[0] for out in made.left_out] == ["is cast in gone, and no lot of it is open"]
    named = plan(ask_of(Wish(molds=("M01", "M04"), lot="R-07", temp_c=21.5), bench))
    assert [placed.loading.ask.lot for placed in named.loads] == [R07]


# ------------------------------------------------------------------------------------------------ surplus and the past


def with_reserve(**more: object) -> Ask:
    plinth = replace(studio("M08"), reserve=True)
    small = replace(studio("M06"), reserve=True)
    return replace(studio_ask("M05", 21.5), reserve=(plinth, small), **more)  # type: ignore[arg-type]


def test_a_batch_too_small_takes_the_smallest_reserve_mold_that_mends_it_and_pours_it_last() -> None:
    alone = plan(studio_ask("M05", 21.5))
    assert alone.loads[0].loading.batch.is_small
    load = plan(with_reserve()).loads[0].loading
    # by hand: 1.03 x (26.75 + 47.08) + 20 = 96 g, over 85 g; the plinth would make 184 g
    assert (load.mold_ids, load.batch.batch_g) == (("m05", "m06"), 96.0)
    assert load.parts[-1].mold.reserve
    assert "M05: alone the batch is below 85 g: M06 takes the surplus, last" in plan(with_reserve()).notes


@pytest.mark.parametrize(
    "more",
    [{"left_g": 60.0}, {"today": {"m06": 3, "m08": 3}}, {"used": {"m06": 60, "m08": 80}}],
)
def test_a_reserve_mold_breaks_no_limit(more: dict[str, object]) -> None:
    assert plan(with_reserve(**more)).loads[0].loading.mold_ids == ("m05",)


def test_a_batch_large_enough_needs_no_reserve() -> None:
    ask = replace(studio_ask("M04", 21.5), reserve=(replace(studio("M06"), reserve=True),))
    assert plan(ask).loads[0].loading.mold_ids == ("m04",)


def test_a_mold_past_its_last_day_or_retired_says_why_it_is_left_out() -> None:
    day = 86_400.0
    bench = Bench(
        id="b", shop="s", name="n", pots=(BARREL,), resins=(FAST,), lots=(replace(R07, shelf_end=9.0),),
        molds=(replace(studio("M01"), shelf_end=day), replace(studio("M02"), retired=True), studio("M04")),
    )  # fmt: skip
    made = plan(ask_of(Wish(molds=("M01", "M02", "M04"), temp_c=21.5, start_t=3.5 * day), bench, Spent()))
    whys = {out.mold.code: out.why for out in made.left_out}
    assert whys["M01"].startswith("is past its shelf life: its last day was 3 days ago; move `shelf_end`")
    assert whys["M02"].startswith("is retired")
    assert "R-07 is past its shelf end: a witness pour before the first load" in made.notes
    assert plan(ask_of(Wish(molds=("M01",), start_t=day - 1.0), bench)).left_out == ()


def test_the_first_lot_is_used_up_before_the_next_though_that_one_leaves_more_time() -> None:
    slower = InLot(lot=R08, label=replace(FAST, pot_life_s=264.0), left_g=None)
    ask = replace(studio_ask("M01 M02 M03 M04 M05 M06", 21.5), left_g=350.0, more_lots=(slower,))
    made = plan(ask)
    assert len(made.loads) == 2
    assert set(used_g(made)) == {"r-07", "r-08"}
    assert made.left_out == ()
