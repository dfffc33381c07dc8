"""Does a pour survive what a workshop does to its lines?  The asked strengths of every ailment, on loads and decoys.

Asked: the kick within 10 % of the time to kick in 97 % and never lost, at-pressure within 3 s, no new alert of
priority 1 or 2 but the blind words, decoys decoys, no restart of the board that was none (judge.py says it exactly).
What does not hold yet stands by name in damage/chart.py.  The default run tries little, `pytest -m wide` sweeps.
"""

from __future__ import annotations

from typing import Any

import pytest
from damage.chart import CHART, EXAMPLES, OPEN, run
from damage.judge import judged
from damage.lines import Damaged
from damage.subjects import BUILDING, BUILDING_DECOYS, REPORTING, REPORTING_DECOYS, subject
from damage.table import Cell, failures, jobs
from damage.table import judged as swept
from some_of import some_of

LOADS, DECOYS = 5, 2
QUICK = ("load 3", "load 14", "load 8")  # half a second each
HELD = [
    pytest.param(ailment, entry.asked[-1], QUICK[at % len(QUICK)], 1, marks=[pytest.mark.wide] if at % 2 else [])
    for at, (ailment, entry) in enumerate(CHART.items())
    if ailment not in OPEN
]
UNHELD = [
    pytest.param(
        *example,
        marks=pytest.mark.xfail(
            strict=True, raises=AssertionError, reason="open: one that comes right leaves the list"
        ),
    )
    for example in EXAMPLES
]


def marked(ailment: str) -> Any:
    """The ailment as a parameter, expected to fail where it is open."""
    reason = OPEN.get(ailment)
    marks = [pytest.mark.xfail(strict=True, raises=AssertionError, reason=reason)] if reason else []
    return pytest.param(ailment, marks=marks)


def told(cell: Cell) -> str:
    """The cases that are not good, to be given to `python -m damage.table --one`."""
    return "\n".join(["", *failures(cell)])


@pytest.mark.parametrize("name", some_of([*QUICK, "decoy lifted 7", "decoy hot air 3", "load-2-crumb"], 2))
def test_nothing_is_lost_without_damage(name: str) -> None:
    assert judged(name, Damaged(subject(name).body.lines)).is_good


@pytest.mark.parametrize(("ailment", "strength", "name", "seed"), [*HELD, *UNHELD])
def test_one_case_of_each_ailment(ailment: str, strength: float, name: str, seed: int) -> None:
    got = run(name, ailment, strength, seed)
    assert got.is_good, got.story


# --------------------------------------------------------------------------------------------------------- the sweep


@pytest.mark.wide
@pytest.mark.timeout(120)
@pytest.mark.parametrize("name", [*BUILDING, *REPORTING, *BUILDING_DECOYS, *REPORTING_DECOYS])
def test_every_subject_is_good_without_damage(name: str) -> None:
    got = judged(name, Damaged(subject(name).body.lines))
    assert got.is_good, got.story


@pytest.mark.wide
@pytest.mark.timeout(400)
@pytest.mark.parametrize("ailment", [*map(marked, CHART)])
def test_an_ailment_up_to_the_strengths_asked(ailment: str) -> None:
    cases = [job for strength in CHART[ailment].asked for job in jobs(ailment, strength, LOADS, DECOYS, 5000)]
    cell = swept(cases)
    assert cell.holds, told(cell)


def test_what_is_open_is_an_ailment_of_the_chart() -> None:
    assert set(OPEN) <= set(CHART)
    assert {ailment for ailment, *_ in EXAMPLES} <= set(CHART)
