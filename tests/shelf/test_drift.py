"""Is a lot's ageing seen where it is, and not where it is not?  Against scipy's line and Student's t."""

from __future__ import annotations

import math
import random
from dataclasses import asdict, replace

import pytest
from nearly import nearly
from scipy.stats import linregress, t
from shelf.plan_shelves import FAST, R07
from shelf.test_plan_wish import BENCH

from benchd.core.bench import Resin
from benchd.core.format.learned_form import learned_body, learned_from_body
from benchd.core.learned.lot_drift import (
    KickSeen,
    at_label_temp_s,
    drift_of,
    student_99,
    words,
)
from benchd.core.learned.working_time import working_time
from benchd.core.model.learned import Drift, Learned
from benchd.physics.cure_prior import label_belief
from benchd.shelf.plan import plan
from benchd.shelf.plan.kick import cup_kick
from benchd.shelf.plan.wish import Wish, ask_of

DAY = 86_400.0


def kick(age_days: float, kick_s: float, temp_c: float = 23.0) -> KickSeen:
    return KickSeen(pour=f"p{age_days}", mix_t=age_days * DAY, age_days=age_days, kick_s=kick_s, temp_c=temp_c)


def drawn(rng: random.Random, n: int, per_day: float, sd: float, days: float = 40.0) -> list[KickSeen]:
    ages = sorted(rng.uniform(0.0, days) for _ in range(n))
    return [kick(a, 170.0 * math.exp(per_day * a + rng.gauss(0.0, sd))) for a in ages]


def test_ten_degrees_colder_is_twice_as_slow() -> None:
    assert at_label_temp_s(330.0, 13.0, FAST) == pytest.approx(165.0)
    assert at_label_temp_s(82.5, 33.0, FAST) == pytest.approx(165.0)


def test_a_learned_resins_own_energy_is_taken() -> None:
    belief = label_belief(0.2)
    e_j_mol = 1e4 * float((belief.means[:, 4] * [math.exp(w) for w in belief.ln_weights]).sum()
                          / sum(math.exp(w) for w in belief.ln_weights))  # fmt: skip
    resin = replace(FAST, cure=belief.to_plain())
    # Arrhenius' law: ln of the ratio of times is E/R (1/T - 1/T0)
    expected = 300.0 / math.exp(e_j_mol / 8.314462618 * (1 / 286.15 - 1 / 296.15))
    assert at_label_temp_s(300.0, 13.0, resin) == pytest.approx(expected, rel=1e-4)
    assert at_label_temp_s(300.0, 13.0, resin) != pytest.approx(150.0, rel=0.01)


@pytest.mark.parametrize("freedom", [3, 4, 5, 6, 8, 12, 20, 60])
def test_students_t_by_the_series_is_within_four_per_cent(freedom: int) -> None:
    assert student_99(freedom) == pytest.approx(t.ppf(0.995, freedom), rel=0.04)


@pytest.mark.parametrize("seed", range(8))
def test_the_line_is_scipys(seed: int) -> None:
    kicks = drawn(random.Random(seed), 12, 0.01, 0.12)
    found = drift_of(kicks, FAST)
    assert found is not None
    fit = linregress([k.age_days for k in kicks], [math.log(k.kick_s / 180.0) for k in kicks])
    assert found.per_day == pytest.approx(fit.slope)
    assert found.sd == pytest.approx(fit.stderr)
    ln, _ = found.ln_at(30.0)
    assert ln == pytest.approx(fit.intercept + 30.0 * fit.slope)


def test_lots_that_do_not_age_are_seldom_called_so_and_those_that_do_are() -> None:
    rng = random.Random(7)
    drawn_lots = [drift_of(drawn(rng, rng.randint(6, 15), 0.0, rng.uniform(0.03, 0.15)), FAST) for _ in range(2000)]
    false = sum(found is not None and found.is_clear for found in drawn_lots)
    assert false / 2000 <= 0.015  # the 99 % interval, and the series short by up to 4 %
    aged = [drift_of(drawn(rng, 10, 0.015, 0.07), FAST) for _ in range(300)]
    assert sum(found is not None and found.is_clear for found in aged) >= 285


def test_few_kicks_or_one_day_say_nothing() -> None:
    assert drift_of([kick(1, 170), kick(2, 180)], FAST) is None
    assert drift_of([kick(3, 170), kick(3, 180), kick(3, 175)], FAST) is None
    steep = [kick(a, 170 * 1.1**a) for a in range(5)]
    found = drift_of(steep, FAST)
    assert found is not None
    assert not found.is_clear  # five, within four days
    assert "cannot be told from 2 kicks" in words(None, 2)
    assert words(found, 5).startswith("cannot be told yet: 5 kicks")
    flat = drift_of([kick(a, 170.0) for a in range(0, 40, 5)], FAST)
    assert words(flat, 8).startswith("none that is clear: +0.0 % a day (+-0.2, n = 8)")


AGED = Drift(
    level=0.1, per_day=0.01, sd=0.002, noise=0.05, pours=9, mean_days=20.0, last_days=40.0, is_clear=True
)  # fmt: skip


def test_what_was_learned_comes_back_and_what_cannot_be_read_is_none() -> None:
    assert learned_from_body(learned_body(Learned(lots={"r-07": AGED}))).drift("r-07") == AGED
    assert "kicks later each day: +1.0 % a day (+-0.2, n = 9)" in words(AGED, 9)
    for plain in ({"is_clear": True}, None, asdict(AGED) | {"level": 9.0}, asdict(AGED) | {"pours": 5}):
        assert learned_from_body({"lots": {"r-07": plain, "r-08": asdict(AGED)}}).lots == {"r-08": AGED}
    assert Learned(lots={"r-07": replace(AGED, is_clear=False)}).drift("r-07") is None
    assert (Learned().drift("r-07"), Learned().drift(None)) == (None, None)
    assert AGED.ln_at(1000.0)[0] == pytest.approx(0.1 + 0.01 * 50.0)  # carried a month past its last pour


def test_the_plan_and_the_working_time_take_a_lot_as_old_as_it_is() -> None:
    learned = Learned(lots={"r-07": AGED})
    bench = replace(BENCH, lots=(replace(R07, opened=0.0),))
    wish = Wish(molds=("M01",), temp_c=23.0, start_t=30.0 * DAY)
    made, label = plan(ask_of(wish, bench, learned=learned)), plan(ask_of(wish, bench))
    (aged,), (fresh,) = made.loads, label.loads
    # by hand: ln = 0.1 + 0.01 x 10 days = 0.2 over the label's 165 s
    assert aged.loading.kick.likely_s == pytest.approx(165.0 * math.exp(0.2))
    assert (aged.loading.kick.basis, fresh.loading.kick.basis) == ("drift", "typed")
    room = working_time(replace(bench, learned=learned), "r-07", None, 30.0 * DAY)
    assert room is not None
    assert (room.working_s, room.basis) == (nearly(165.0 * math.exp(0.2), rel=0.01), "drift")
    plainly = working_time(bench, "r-07", None, 30.0 * DAY)
    assert plainly is not None
    assert (plainly.working_s, plainly.basis) == (nearly(165.0, rel=0.01), "typed")
    assert cup_kick(Resin(id="x", name="x", pot_life_s=100, demold_s=600), None, 23.0, aged=(0.0, 0.02)).slow == 1.0
