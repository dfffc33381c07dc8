"""How long do molds of one silicone last?  Against scipy's product-limit estimate, and by hand."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from scipy.stats import CensoredData, ecdf
from shelf.plan_shelves import BARREL, FAST, R07, studio
from some_of import some_of

from benchd.core.bench import Bench
from benchd.core.format.learned_form import learned_body, learned_from_body
from benchd.core.model.learned import Learned, LearnedLife
from benchd.shelf.mold_life import MoldHistory, is_sign, lives, median_casts
from benchd.shelf.plan import plan
from benchd.shelf.plan.wish import Wish, ask_of
from benchd.shelf.remains import Spent


def history(casts: int, before: int | None = None, silicone: str = "tin", mold: str = "m") -> MoldHistory:
    return MoldHistory(mold=mold, silicone=silicone, casts=casts, before_sign=before)


def test_half_of_them_by_hand() -> None:
    assert median_casts([history(50, 30), history(50, 40), history(60, 52), history(60)]) == 40
    assert median_casts([history(50, 30), history(5), history(6), history(60)]) == 30  # two had not come so far
    assert median_casts([history(60), history(10, 8), history(60)]) is None
    assert median_casts([]) is None


@pytest.mark.parametrize("seed", some_of(range(20), 4))
def test_the_median_is_scipys(seed: int) -> None:
    rng = random.Random(seed)
    group = [history(c, c - 1 if rng.random() < 0.6 else None) for c in (rng.randint(5, 90) for _ in range(9))]
    seen = [h.before_sign for h in group if h.before_sign is not None]
    still = [h.casts for h in group if h.before_sign is None]
    curve = ecdf(CensoredData(uncensored=seen, right=still)).sf
    at = [int(q) for q, p in zip(curve.quantiles, curve.probabilities, strict=True) if p <= 0.5 + 1e-9 and q in seen]
    assert median_casts(group) == (min(at) if at else None)


def test_few_signs_and_unnamed_silicones_teach_nothing() -> None:
    assert lives([history(50, 40), history(50, 41)]) == {}
    assert lives([history(50, 40, "") for _ in range(9)]) == {}
    found = lives([history(50, 40), history(50, 41), history(50, 45), history(20)])
    assert found == {"tin": LearnedLife(41, 3, 4)}
    assert learned_from_body(learned_body(Learned(silicones=found))).silicones == found


@pytest.mark.parametrize(
    ("feel", "text", "after_s", "hard_s", "sign"),
    [
        ("stuck", None, 900.0, 800.0, True), ("hard", "cheek came out matt", None, None, True),
        ("stuck", None, 3000.0, 800.0, False),  # left in too long
        ("hard", "unstuck the vent", None, None, False), ("hard", None, None, None, False),
    ],
)  # fmt: skip
def test_a_sign_is_a_part_that_sticks_though_pulled_in_time(
    feel: str, text: str | None, after_s: float | None, hard_s: float | None, sign: bool
) -> None:
    assert is_sign(feel, text, after_s, hard_s) is sign


def test_the_plan_goes_by_the_learned_life_where_it_is_shorter() -> None:
    learned = Learned(silicones={"tin": LearnedLife(41, 3, 4)})
    molds = (replace(studio("M01"), silicone="tin"), replace(studio("M04"), silicone="tin"), studio("M06"))
    bench = Bench(id="b", shop="s", name="n", pots=(BARREL,), resins=(FAST,), lots=(R07,), molds=molds)
    # on the shelf: M01 18 casts, M04 31 of 60; here 10 and 5 more
    spent = Spent(casts={"m01": 23, "m04": 5})
    made = plan(ask_of(Wish(molds=("M01", "M04", "M06"), temp_c=21.5), bench, spent, learned))
    (out,) = made.left_out
    assert out.mold.code == "M01"
    assert out.why.startswith(
        "is worn: 41 casts, and molds of tin began to stick after 41 (3 of 4 did); take `silicone`"
    )
    assert "M04: 36 of 41 casts, as molds of tin gave, near its life's end" in made.notes
    longer = Learned(silicones={"tin": LearnedLife(400, 3, 4)})
    worn = plan(ask_of(Wish(molds=("M01",), temp_c=21.5), bench, Spent(casts={"m01": 42}), longer))
    assert worn.left_out[0].why.startswith("is worn out: 60 of 60")
