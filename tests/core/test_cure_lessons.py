"""Does learning make the next forecast better, keep lots apart, and refuse what would make it worse?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from accuracy.kick_score import kicking, label, lesson, taught
from of_kind import known
from rehearsed.pours import draw_resin

from benchd.core.bench import Bench, Lot
from benchd.core.learned.cure_belief import Expectation, expectation, learned_belief, learned_width, lot_speed
from benchd.core.learned.cure_lessons import LearnedCure, Lesson, _width, likely_start_c, spread_of
from benchd.physics.cup_cure import CupKind
from benchd.physics.cup_model import LF, LN_RISE

RESIN = draw_resin(9001, "mid", pot_life_s=240.0)
BENCH = Bench(id="north", shop="quiet-harbour", name="North bench")


@cache
def lessons() -> tuple[Lesson, ...]:
    """Three marked witness pours of a lot 20 % faster than the label, from the rehearsal's population."""
    rng = np.random.default_rng(1)
    return tuple(
        lesson(RESIN, kicking(RESIN, 9100 + i, "witness", 1.2, fault=""), "r-01", rng, i) for i in range(3)
    )  # fmt: skip


@cache
def learned() -> LearnedCure:
    return taught(RESIN, list(lessons()))


def expected(cure: Mapping[str, Any], lot: str, own_pot_life_s: float | None = None) -> Expectation:
    shown = label(RESIN, cure=cure)
    own = replace(shown, pot_life_s=own_pot_life_s) if own_pot_life_s else shown
    shelf = replace(BENCH, resins=(shown,), lots=(Lot(id=lot, code=lot.upper(), resin="drawn", label=own),))
    return expectation(shelf, lot, shelf.label_for(lot))


def test_what_was_learned_beats_the_label_on_pours_it_had_not_seen() -> None:
    found = learned()
    assert found.used == ("cup-1-0", "cup-1-1", "cup-1-2")
    assert found.judged == 2
    assert found.is_better
    assert known(found.new_error) < 0.08


def test_a_known_lot_is_doubted_least_then_a_new_one_then_the_label() -> None:
    table = learned().table
    sds = [
        float(expected(cure, lot).resin.covariances[0, LF, LF]) ** 0.5
        for cure, lot in ((table, "r-01"), (table, "r-02"), ({}, "r-02"))
    ]
    assert sds == sorted(sds)
    assert sds[0] < 0.12
    assert expected(table, "r-01").is_learned
    assert not expected({}, "r-01").is_learned
    speeds = [float(expected(table, lot).resin.means[0, LF]) for lot in ("r-01", "r-02")]
    assert abs(speeds[1]) < abs(speeds[0]), "a new lot lies nearer to the label"


def test_a_lot_with_a_pot_life_of_its_own_is_believed_when_nothing_is_known_of_it() -> None:
    typed = expected(learned().table, "r-03", 200.0)
    assert typed.pot_life_s == 200.0
    assert float(typed.resin.means[0, LF]) == 0.0
    assert float(typed.resin.covariances[0, LF, LF]) ** 0.5 == pytest.approx(0.09)


def test_a_corrected_label_leaves_the_lot_as_fast_as_it_was() -> None:
    shown = label(RESIN, cure=learned().table)
    mean, sd = known(lot_speed(shown, "r-01"))
    corrected, same = known(lot_speed(replace(shown, pot_life_s=1.3 * shown.pot_life_s), "r-01"))
    # The pot life a speed v makes of a label L is L exp(-v): 1.3 L exp(-(v + ln 1.3)) is the same.
    assert corrected == pytest.approx(mean + np.log(1.3))
    assert same == sd


def stirred(good: Lesson) -> Lesson:
    return replace(good, pour="cup-1-9", seconds=tuple((s, c + 25.0 * (int(s) // 15 % 2)) for s, c in good.seconds))


def test_one_pour_is_judged_by_itself_and_a_bad_one_found_by_its_curve_is_refused() -> None:
    good = lessons()[0]
    alone = taught(RESIN, [good])
    assert (alone.judged, alone.used) == (0, (good.pour,))
    found = taught(RESIN, [replace(stirred(good), is_marked=False)])
    assert (found.used, found.refused, found.table) == ((), ("cup-1-9",), {})
    assert not found.is_better


def test_a_marked_kick_is_never_thrown_away() -> None:
    """No law follows its curve, so it teaches the speed of its lot, and nothing of the resin's heat."""
    bad = stirred(lessons()[0])
    found = taught(RESIN, [bad])
    assert (found.used, found.refused, found.by_mark) == (("cup-1-9",), (), ("cup-1-9",))
    told = expected(found.table, "r-01").resin
    assert float(np.average(told.means[:, LF])) == pytest.approx(np.log(1.2), abs=0.15)  # the lot is 20 % faster
    before = expected({}, "r-01").resin
    assert told.covariances[0, LN_RISE, LN_RISE] >= before.covariances[0, LN_RISE, LN_RISE]


def test_a_probe_on_the_bench_teaches_by_its_mark_alone() -> None:
    first, second, third = lessons()
    cold = tuple((s, first.room_c) for s, _ in first.seconds)
    found = taught(RESIN, [first, replace(second, seconds=cold), third])
    assert found.by_mark == (second.pour,)
    assert found.used == (first.pour, second.pour, third.pour)
    assert found.refused == ()


def test_windows_widen_by_how_much_pours_not_learned_from_missed_them() -> None:
    """Two pours as believed, and two forecast 3 sds off, beside three counted as the model's own: calc."""
    assert _width([]) == 1.0
    assert _width([1.0, 1.0]) == 1.0
    assert _width([3.0, 3.0]) == pytest.approx(((3 + 18) / 5) ** 0.5, abs=1e-3)
    assert learned_width({"width": 1.5}) == 1.5
    assert [learned_width({"width": bad}) for bad in ("wide", 0.1, 90.0)] == [1.0] * 3


def test_a_table_nobody_can_read_is_as_good_as_none() -> None:
    assert learned_belief({"means": "x"}) is None
    assert spread_of({"means": "x"}) == {}
    assert not expected({"means": [[1.0]]}, "r-01").is_learned
    spoilt = {**learned().table, "lots": {"r-01": ["fast", 0.1, 2]}}
    assert lot_speed(label(RESIN, cure=spoilt), "r-01") is None
    assert expected(spoilt, "r-01").is_learned


@pytest.mark.parametrize(
    ("kind", "early_c", "start_c"),
    [("witness", [30.0] * 9, 21.0), ("mixing", [24.0] * 3, 21.0), ("mixing", [19.0] * 9, 19.0),
     ("mixing", [29.0] * 9, 24.0), ("mixing", [80.0] * 9, 21.0)],
)  # fmt: skip
def test_where_a_pour_is_taken_to_start_from(kind: CupKind, early_c: list[float], start_c: float) -> None:
    assert likely_start_c(kind, early_c, 21.0) == start_c
