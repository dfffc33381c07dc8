"""Does a pour say its recipe, is it forecast later and in more doubt, and is what it teaches kept apart?"""

from __future__ import annotations

from dataclasses import replace
from math import log
from statistics import median
from typing import Any

import numpy as np
import pytest
from accuracy.kick_score import kicking, label, lesson
from core.bench_double import BENCH, T0, context, mark, of, scripted
from of_kind import known
from rehearsed.pours import PourPlan, draw_resin, pour

from benchd.core.bench import Bench, Cup, Lot
from benchd.core.bench.context import bench_from_context
from benchd.core.bench.recipe import DOUBT_SD, Recipe
from benchd.core.findings import PourStarted
from benchd.core.learned.cure_belief import OLD_SD, expectation, learned_belief, lot_speed, opened_long
from benchd.core.learned.cure_lessons import learn
from benchd.core.learned.working_time import working_time
from benchd.core.model import MarkAnswer
from benchd.core.model.learned import Drift, Learned
from benchd.physics.cup_model import LF, LN_RISE

GREY = Recipe(id="grey", code="Grey", pigment_phr=3.0, pigment_g_ml=1.2, filler_phr=60.0, filler_g_ml=2.7)
MIXED = replace(BENCH, recipes=(GREY,))
DAY_S = 86_400.0


def test_a_mix_with_a_recipe_says_so_in_its_lot_and_the_next_one_is_bare_again() -> None:
    engine = scripted(bench=MIXED)
    effects = engine.step(mark("mix", 1.0, molds=("m02",), lot="R-07", recipe="GREY"))
    assert [found.lot for found in of(effects, PourStarted)] == ["r-07+grey"]
    engine.step(mark("end", 10.0))
    assert [found.lot for found in of(engine.step(mark("mix", 20.0)), PourStarted)] == ["r-07"]
    engine.step(mark("end", 30.0))
    assert [f.lot for f in of(engine.step(mark("mix", 40.0, lot="r-07+grey")), PourStarted)] == ["r-07+grey"]


@pytest.mark.parametrize(
    ("bench", "more", "why"),
    [
        (MIXED, {"lot": "r-07", "recipe": "gray"}, 'no recipe "gray"; did you mean "Grey"?'),
        (MIXED, {"lot": "r-99", "recipe": "grey"}, 'no lot "R-99"'),
        (MIXED, {"recipe": "grey"}, "recipe grey of which lot? name it, as mix lot=R-07 recipe=grey"),
        (BENCH, {"lot": "r-07", "recipe": "grey"}, 'no recipe "grey"; write a [[recipe]] table into shelf.toml'),
    ],
)
def test_an_unknown_recipe_is_refused_with_a_remedy(bench: Bench, more: dict[str, str], why: str) -> None:
    (answer,) = of(scripted(bench=bench).step(mark("mix", 1.0, molds=("m02",), **more)), MarkAnswer)
    assert not answer.ok
    assert answer.why.startswith(why)


def test_a_recipe_goes_through_a_context_and_one_without_any_has_no_trace_of_it() -> None:
    assert bench_from_context(context(MIXED)) == MIXED
    assert "recipes" not in context(BENCH).shelf
    assert MIXED.lot("r-07+none") is None
    mixed = MIXED.lot("R-07+GREY".lower())
    assert mixed is not None
    assert (mixed.id, mixed.code) == ("r-07+grey", "R-07+Grey")


def test_a_recipe_is_later_cooler_and_in_more_doubt_until_its_own_kicks_are_seen() -> None:
    bare, grey = (working_time(MIXED, lot, 23.0, T0) for lot in ("r-07", "r-07+grey"))
    assert bare is not None
    assert grey is not None
    lot = MIXED.lot("r-07+grey")
    assert lot is not None
    assert grey.working_s == pytest.approx(bare.working_s * lot.label.slowing, rel=0.05)
    assert grey.late_s / grey.early_s > bare.late_s / bare.early_s
    known = expectation(MIXED, "r-07+grey", lot.label).resin
    plain = expectation(MIXED, "r-07", BENCH.lots[0].label).resin
    assert known.means[0, LN_RISE] - plain.means[0, LN_RISE] == pytest.approx(log(lot.label.rise_share))
    assert known.covariances[0, LF, LF] - plain.covariances[0, LF, LF] == pytest.approx(DOUBT_SD**2)


def test_a_learned_speed_is_the_bare_lots_until_the_recipe_has_its_own() -> None:
    table = {"pot_life_s": 180.0, "lots": {"r-07": [0.2, 0.05, 3]}}
    label = replace(MIXED.lots[0].label, cure=table)
    bench = replace(MIXED, lots=(replace(MIXED.lots[0], label=label),), resins=(label,))
    lot = bench.lot("r-07+grey")
    assert lot is not None
    assert lot_speed(lot.label, "r-07+grey") == pytest.approx((0.2, 0.05))
    own = replace(lot.label, cure={**table, "lots": {**table["lots"], "r-07+grey": [-0.1, 0.04, 2]}})  # type: ignore[dict-item]  # lots is a mapping
    assert lot_speed(own, "r-07+grey") == pytest.approx((-0.1 + log(lot.label.slowing), 0.04))


def test_a_lot_open_for_long_is_doubted_and_one_whose_kicks_drift_is_believed_at_its_age() -> None:
    assert opened_long(30.0) == (0.0, 0.0)
    assert opened_long(75.0) == opened_long(400.0)
    assert opened_long(75.0) == pytest.approx((0.1, OLD_SD))
    bench = replace(BENCH, lots=(replace(BENCH.lots[0], opened=T0 - 60.0 * DAY_S),))
    label = bench.lots[0].label
    fresh, old = (expectation(bench, "r-07", label, t).resin for t in (T0 - 50.0 * DAY_S, T0))
    assert old.means[0, LF] == pytest.approx(fresh.means[0, LF] - 0.1)
    assert old.covariances[0, LF, LF] == pytest.approx(fresh.covariances[0, LF, LF] + OLD_SD**2)
    line = Drift(level=0.3, per_day=0.01, sd=0.001, noise=0.05, pours=9, mean_days=40, last_days=60, is_clear=True)
    seen = expectation(replace(bench, learned=Learned(lots={"r-07": line})), "r-07", label, T0).resin
    assert seen.means[0, LF] == pytest.approx(-line.ln_at(60.0)[0])


def test_what_a_recipe_teaches_stays_with_it_and_the_resin_keeps_its_own_heat() -> None:
    """A filled resin that its filler holds back to 0.7: learned of lot and recipe together, and of nothing else."""
    drawn, rng = draw_resin(9001, "mid", pot_life_s=240.0), np.random.default_rng(1)
    shown = label(drawn)
    lot = Lot(id="r-01", code="R-01", resin="drawn", label=shown)
    bench = replace(BENCH, resins=(shown,), recipes=(GREY,), lots=(lot,))
    grey = known(bench.lot("r-01+grey"))
    truth = replace(drawn.truth, rise_k=grey.label.rise_share * drawn.truth.rise_k)
    bare = [lesson(drawn, kicking(drawn, 9100 + i, "witness", 1.2, fault=""), "r-01", rng, i) for i in range(2)]
    filled = kicking(replace(drawn, truth=truth), 9200, "witness", 0.84, fault="")
    mixed = replace(lesson(replace(drawn, truth=truth), filled, "r-01+grey", rng, 10), label=grey.label)
    before, after = (learn(bench, shown, lessons).table for lessons in (bare, [*bare, mixed]))
    assert after["lots"]["r-01"] == before["lots"]["r-01"]
    assert list(after["lots"]) == ["r-01", "r-01+grey"]
    rises = [known(learned_belief(table)).means[:, LN_RISE].mean() for table in (before, after)]
    assert rises[1] == pytest.approx(rises[0], abs=0.1)  # in the resin's own terms: the recipe's is 0.26 lower

    def speed(table: dict[str, Any]) -> tuple[float, float]:
        own = replace(shown, cure=table)
        shelf = replace(bench, resins=(own,), lots=(replace(lot, label=own),))
        found = expectation(shelf, "r-01+grey", known(shelf.lot("r-01+grey")).label).resin
        return float(found.means[0, LF]), float(found.covariances[0, LF, LF]) ** 0.5

    assert speed(after)[0] < speed(before)[0] - 0.15  # ln 0.7 is -0.36; one pour, marked
    assert speed(after)[1] < 0.6 * speed(before)[1]


@pytest.mark.wide
def test_drawn_resins_with_filler_are_forecast_nearer_with_their_recipe_than_without() -> None:
    """Against the rehearsal's own cup, which shares no code with the mixture's sum; before any curve is seen.

    Seeds 9300 to 9311 were looked at before (10 % and 31 %); these were not.  A single resin may lie nearer without:
    where its label errs the other way.
    """
    with_it, without, held = [], [], []
    for seed in range(9312, 9332):
        drawn = draw_resin(seed)
        shown = label(drawn)
        lot = Lot(id="r-01", code="R-01", resin="drawn", label=shown)
        cup = Cup(id="c", name="C", kind="mixing", mass_g=100.0)
        bench = replace(BENCH, resins=(shown,), recipes=(GREY,), lots=(lot,), cups=(cup,))
        truth = replace(drawn.truth, rise_k=known(bench.lot("r-01+grey")).label.rise_share * drawn.truth.rise_k)
        plan = PourPlan(kind="mixing", mass_g=100.0, seed=seed)
        kick_s = known(pour(replace(drawn, truth=truth), plan).kick_s)
        bare, grey = (known(working_time(bench, id, 23.0, T0)) for id in ("r-01", "r-01+grey"))
        without.append(abs(log(bare.working_s / kick_s)))
        with_it.append(abs(log(grey.working_s / kick_s)))
        held.append(grey.early_s <= kick_s <= grey.late_s)
    print(f"median error {median(with_it):.3f} with, {median(without):.3f} without; in its window {sum(held)} of 20")
    assert median(with_it) < median(without)
    assert sum(held) >= 16  # a 90 % window: fewer of 20 come by chance 4 times in 100
