"""Is what was tried at a mold judged by the casts that followed, with the doubt that few casts leave?"""

from __future__ import annotations

import pytest
from scipy.stats import beta, binom

from benchd.core.format.learned_form import learned_body, learned_from_body
from benchd.core.learned.remedies import (
    Came,
    Tried,
    chance_better,
    on_trial,
    remedies_of,
    remedy_words,
    tried_words,
    wilson,
)
from benchd.core.model.learned import Learned, Remedy

VENT = "vent at the strap loops"


def came(*outcomes: str, mold: str = "m07", from_t: float = 0.0) -> list[Came]:
    """Parts a minute apart: "good", "scrap:short", "second:", "" where nothing was said."""
    parts = [outcome.partition(":") for outcome in outcomes]
    return [Came(mold=mold, out_t=from_t + 60.0 * n, grade=grade or None, cause=cause or None)
            for n, (grade, _, cause) in enumerate(parts, 1)]  # fmt: skip


@pytest.mark.parametrize(
    # R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Stat Med 17 (1998) 857, table I,
    # method 3: 95 %
    ("worked", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_interval_is_the_published_one(worked: int, of: int, low: float, high: float) -> None:
    assert wilson(worked, of) == pytest.approx((low, high), abs=6e-5)


def test_the_interval_of_few_casts_holds_the_truth_as_often_as_it_says() -> None:
    shares = [i / 40 for i in range(2, 39)]
    held = [
        sum(binom.pmf(k, 4, share) for k in range(5) if wilson(k, 4)[0] <= share <= wilson(k, 4)[1]) for share in shares
    ]  # fmt: skip
    assert sum(held) / len(held) > 0.93  # on average nominal (Brown, Cai, DasGupta, Stat Sci 16 (2001) 101)


@pytest.mark.parametrize("counts", [(3, 4, 1, 5), (0, 3, 5, 5), (9, 10, 2, 3), (4, 4, 0, 3)])
def test_the_chance_of_being_better_is_the_integral(counts: tuple[int, int, int, int]) -> None:
    worked, of, old_worked, old_of = counts
    first, second = beta(worked + 1, of - worked + 1), beta(old_worked + 1, old_of - old_worked + 1)
    steps = [(i + 0.5) / 4000 for i in range(4000)]
    exact = sum(first.pdf(p) * second.cdf(p) for p in steps) / 4000
    assert chance_better(*counts) == pytest.approx(exact, abs=1e-4)


def test_a_remedy_counts_for_the_casts_that_come_out_after_it() -> None:
    casts = came("good", "scrap:trap", "scrap:trap", "scrap:trap", "scrap:trap") + came(
        "good", "good", "scrap:trap", "good", "scrap:colour", from_t=1000.0
    )
    (remedy,) = remedies_of([Tried(t=900.0, mold="m07", text=VENT)], casts)["m07"]
    assert (remedy.cause, remedy.worked, remedy.of, remedy.old_worked, remedy.old_of) == ("trap", 3, 4, 1, 5)
    assert remedy_words(remedy) == "Vent at the strap loops: worked 3 of 4 (30 to 95 %); without it 1 of 5."
    assert tried_words(VENT, {"m07": (remedy,)}, "m07") == "vent at the strap loops, worked 3 of 4"


def test_little_is_said_of_few_casts_and_no_better_is_said_so() -> None:
    few = remedies_of([Tried(t=5.0, mold="m07", text=VENT)], came("good", "scrap:short"))["m07"][0]
    assert remedy_words(few) == "Vent at the strap loops: 1 of 2, too few to say."
    assert tried_words(VENT, {"m07": (few,)}, "m07") == VENT
    fresh = remedies_of([Tried(t=5.0, mold="m07", text=VENT)], [])["m07"][0]
    assert remedy_words(fresh) == "Vent at the strap loops: not cast yet."
    same = Remedy(text="more talc", worked=3, of=4, old_worked=6, old_of=8)
    assert remedy_words(same).endswith("without it 6 of 8, so perhaps no better.")
    worse = Remedy(text="more talc", worked=0, of=4, old_worked=8, old_of=8)
    assert remedy_words(worse) == "More talc: did not work, 0 of 4 (0 to 49 %); without it 8 of 8, so rather worse."


def test_another_remedy_takes_over_the_same_words_go_on_and_nothing_ends_it() -> None:
    tried = [Tried(t=90.0, mold="m07", text=VENT, cause="trap"), Tried(t=150.0, mold="m07", text="tilt 15 degrees"),
             Tried(t=210.0, mold="m07", text="Vent at the strap loops"),
             Tried(t=330.0, mold="m07", text="nothing")]  # fmt: skip
    casts = came("scrap:trap", "good", "scrap:trap", "good", "good", "good")
    tilt, vent = remedies_of(tried, casts)["m07"]
    assert (tilt.text, tilt.worked, tilt.of, tilt.is_on) == ("tilt 15 degrees", 0, 1, False)
    assert (vent.text, vent.worked, vent.of, vent.is_on) == (VENT, 3, 3, False)
    assert on_trial({"m07": (tilt, vent)}, "m07") is None
    assert remedies_of([], casts) == {}


def test_what_was_tried_is_kept_in_a_context_and_a_spoilt_entry_costs_itself_alone() -> None:
    remedy = Remedy(text=VENT, cause="trap", worked=3, of=4, old_worked=1, old_of=5)
    learned = Learned(remedies={"m07": (remedy,)})
    body = learned_body(learned)
    assert learned_from_body(body) == learned
    body["remedies"]["m07"].append({"text": VENT, "worked": 5, "of": 4})
    body["remedies"]["m08"] = "spoilt"
    assert learned_from_body(body).remedies == {"m07": (remedy,), "m08": ()}
