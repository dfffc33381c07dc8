"""What is learned of molds from pulls, when is it kept as it was, and what is the caster told?  Invented pulls."""

from __future__ import annotations

import pytest

from benchd.core.findings import PartPulled
from benchd.core.format.printed import to_json_object
from benchd.core.model import Subject
from benchd.physics.mold_factor import MoldFactor, Pull
from benchd.shelf.feel import advice, learn_from, pull_of


def pull(feel: str, after_s: float, mold: str = "m02", resin: str = "fast") -> Pull:
    return Pull(mold=mold, resin=resin, after_s=after_s, feel=feel, green_s=400.0, hard_s=600.0)


SLOW = [pull("green", 640.0), pull("green", 700.0), pull("hard", 820.0), pull("green", 690.0), pull("hard", 760.0)]


def test_each_mold_learns_with_each_resin_alone() -> None:
    found = learn_from([*SLOW, pull("hard", 450.0, "m03"), pull("hard", 450.0, "m03", "slow")])
    assert found["m02"]["fast"].log_bias == pytest.approx(0.2, abs=0.1)
    assert found["m02"]["fast"].sd < 0.15
    assert found["m02"]["fast"].pulls == 5
    assert sorted(found["m03"]) == ["fast", "slow"]
    assert found["m03"]["fast"].log_bias < 0.0


def test_a_value_that_foretells_worse_does_not_replace_the_old_one() -> None:
    good = {"m02": {"fast": MoldFactor(log_bias=0.2, sd=0.08, pulls=9)}}
    kept = learn_from(SLOW[:2], good)["m02"]["fast"]
    assert (kept.log_bias, kept.pulls, kept.kept) == (0.2, 9, 2)
    wrong = {"m02": {"fast": MoldFactor(log_bias=-0.5, sd=0.05, pulls=9)}}
    assert learn_from(SLOW, wrong)["m02"]["fast"].log_bias > 0.0


def test_what_is_known_of_other_molds_stays() -> None:
    old = {"m08": {"fast": MoldFactor(log_bias=0.1, sd=0.1, pulls=4)}}
    assert learn_from(SLOW, old)["m08"] == old["m08"]
    assert learn_from([], old) == old


def test_one_wild_pull_moves_a_mold_less_than_the_others_hold_it() -> None:
    steady = [*SLOW, *SLOW]
    before = learn_from(steady)["m02"]["fast"].log_bias
    after = learn_from([*steady, pull("rubbery", 2000.0)])["m02"]["fast"].log_bias
    assert abs(after - before) < 0.1


def test_pulls_that_are_always_late_and_hard_are_told_to_test_earlier() -> None:
    late = [pull("hard", 1200.0)] * 4
    assert "earlier" in advice(late)
    assert learn_from(late)["m02"]["fast"].note == advice(late)
    assert advice(late[:2]) == ""
    assert advice([*late, pull("green", 500.0)]) == ""


def test_a_pull_is_read_from_a_finding_and_from_its_printed_form() -> None:
    found = PartPulled(
        t=1_767_607_200.0, subject=Subject(bench="north"), mold="m02", resin="fast", after_s=700.0, feel="green",
        green_s=400.0, hard_s=600.0, log_bias=0.1, sd=0.2,
    )  # fmt: skip
    assert pull_of(found) == pull("green", 700.0)
    assert pull_of(to_json_object(found)) == pull("green", 700.0)


@pytest.mark.parametrize(
    "spoilt",
    [{}, {"feel": "lovely"}, {"hard_s": 300.0}, {"after_s": -5.0}, {"green_s": "x"}, {"after_s": None}],
)
def test_a_spoilt_pull_teaches_nothing(spoilt: dict[str, float | str | None]) -> None:
    whole = {"mold": "m02", "resin": "fast", "feel": "hard", "after_s": 700.0, "green_s": 400.0, "hard_s": 600.0}
    assert pull_of(whole) is not None
    assert pull_of({**whole, **spoilt} if spoilt else {}) is None
