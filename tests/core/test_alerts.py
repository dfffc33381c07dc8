"""Can an alarm be put away for a while, and does it come back?  Are the alarms of each load counted?

Rules: ISA-18.2 / IEC 62682 (shelving is timed, ends by itself, and the alarm stays visible).
"""

from __future__ import annotations

import pytest
from core.bench_double import CUP_SUBJECT, POT, T0, alerts, mark, of, said, scripted
from frozen_copy import frozen_copy

from benchd.core.alarm.alerts import SHELVED_MOST_S
from benchd.core.engine import Engine
from benchd.core.findings import (
    Effect,
    Finding,
    LoadOpened,
    PotAtPressure,
    PotCreeping,
    PotFilling,
    PotOverLimit,
    PotVented,
    PressureLate,
)
from benchd.core.model import Alert, Card, MarkAnswer


def creeping(after_s: float, active: bool = True) -> PotCreeping:
    return PotCreeping(t=T0 + after_s, subject=POT, kpa=300.0, limit_kpa=290.0, kpa_per_min=1.4, active=active)


def over(after_s: float, active: bool = True) -> PotOverLimit:
    return PotOverLimit(t=T0 + after_s, subject=POT, kpa=380.0, limit_kpa=372.0, kpa_per_min=0.0, active=active)


def loaded(*more: Finding) -> Engine:
    """A pot at pressure ten seconds from the start, then these findings."""
    filling = PotFilling(t=T0 + 2.0, subject=POT, kpa=20.0, kpa_per_min=400.0)
    up = PotAtPressure(t=T0 + 10.0, subject=POT, kpa=289.0, since=T0 + 5.0, margin_s=None)
    return scripted(filling, up, *more)


def creeps(effects: list[Effect]) -> list[float]:
    return [t for t, words in said(effects) if words == "Pot creeping up. Shut the inlet."]


def shelve(engine: Engine, after_s: float, for_s: float, code: str = "pot-creeping") -> list[Effect]:
    return engine.step(mark("heard", after_s, code=code, shelve_s=for_s))


def test_a_shelved_alarm_is_visible_and_silent_and_said_anew_when_its_time_is_up() -> None:
    engine = loaded(creeping(30.0))
    before = engine.advance(T0 + 35.0)
    put_away = of(shelve(engine, 40.0, 600.0), Alert)
    after = engine.advance(T0 + 700.0)
    assert creeps(before) == [30.0]
    assert [(a.active, a.shelved_until) for a in put_away] == [(True, T0 + 640.0)]
    assert creeps(after) == [640.0, 700.0]
    assert [(a.active, a.heard, a.shelved_until) for a in of(after, Alert)] == [(True, False, None)]


def test_what_comes_and_goes_on_the_shelf_stays_silent() -> None:
    coming_and_going = [creeping(100.0 + 20.0 * n, active=bool(n % 2)) for n in range(20)]
    engine = loaded(creeping(30.0), *coming_and_going)
    engine.advance(T0 + 35.0)
    shelve(engine, 40.0, 900.0)
    effects = engine.advance(T0 + 600.0)
    assert creeps(effects) == []
    assert {a.shelved_until for a in of(effects, Alert) if a.alert == "pot-creeping"} == {T0 + 940.0}


def test_zero_seconds_take_it_off_the_shelf() -> None:
    engine = loaded(creeping(30.0))
    engine.advance(T0 + 35.0)
    shelve(engine, 40.0, 600.0)
    assert [(a.active, a.shelved_until) for a in of(shelve(engine, 60.0, 0.0), Alert)] == [(True, None)]
    assert creeps(engine.advance(T0 + 65.0)) == [61.0]


def test_a_shelf_does_not_outlive_its_load() -> None:
    vented = PotVented(t=T0 + 60.0, subject=POT, kpa=1.0, near_zero=True, vent_s=20.0)
    again = PotFilling(t=T0 + 120.0, subject=POT, kpa=20.0, kpa_per_min=400.0)
    engine = loaded(creeping(30.0), vented, again, creeping(150.0))
    engine.advance(T0 + 35.0)
    shelve(engine, 40.0, 3000.0)
    effects = engine.advance(T0 + 155.0)
    assert of(effects, LoadOpened)
    assert creeps(effects) == [150.0]


@pytest.mark.parametrize(
    ("code", "for_s", "why"),
    [
        ("pot-over-limit", 600.0, "pot-over-limit cannot be shelved: it is priority 1"),
        ("pot-creeping", SHELVED_MOST_S + 1.0, "shelve_s must be 0 to 3600"),
        ("pot-creeping", -1.0, "shelve_s must be 0 to 3600"),
        ("vent-early", 600.0, "vent-early is not on"),
        ("pot-crawling", 600.0, 'no alert "pot-crawling"; did you mean "pot-creeping"?'),
        ("at-pressure", 600.0, 'no alert "at-pressure"'),
        (None, 600.0, "say which alert"),
    ],
)
def test_what_cannot_be_shelved_says_why(code: str | None, for_s: float, why: str) -> None:
    engine = loaded(creeping(20.0), over(30.0))
    engine.advance(T0 + 35.0)
    answer = of(engine.step(mark("heard", 40.0, code=code, shelve_s=for_s)), MarkAnswer)[0]
    assert not answer.ok
    assert why in answer.why
    assert [t for t, words in said(engine.advance(T0 + 52.0)) if "over pressure" in words]  # and it goes on


def test_hearing_an_alert_there_is_not_is_refused() -> None:
    engine = loaded()
    answer = of(engine.step(mark("heard", 20.0, code="kettle")), MarkAnswer)[0]
    assert (answer.ok, answer.why) == (False, 'no alert "kettle"; `benchd why` lists them')


def test_alarms_are_counted_for_each_load() -> None:
    """Two alarms, one of which comes twice; a `heard` and its end are no alarms; the next load begins at none."""
    vented = PotVented(t=T0 + 200.0, subject=POT, kpa=1.0, near_zero=True, vent_s=20.0)
    again = PotFilling(t=T0 + 300.0, subject=POT, kpa=20.0, kpa_per_min=400.0)
    engine = loaded(creeping(30.0), creeping(60.0, False), creeping(90.0), over(100.0), over(120.0, False), vented,
                    again)  # fmt: skip
    effects = engine.advance(T0 + 101.0)
    effects += engine.step(mark("heard", 102.0)) + engine.advance(T0 + 400.0)
    counts = [c.body["alarms"] for c in of(effects, Card) if c.of == "pot" and "alarms" in c.body]
    assert max(counts) == 3
    assert counts[-1] == 0


def test_alarms_before_the_lid_count_for_the_load_that_takes_the_pour() -> None:
    late = PressureLate(
        t=T0 + 20.0, subject=CUP_SUBJECT, projected_at=T0 + 200.0, kick_early=T0 + 150.0, rising=False, active=True
    )
    filling = PotFilling(t=T0 + 60.0, subject=POT, kpa=20.0, kpa_per_min=400.0)
    engine = scripted(late, filling)
    engine.step(mark("mix", 1.0, molds=("M02",)))
    effects = engine.advance(T0 + 65.0)
    assert ("pressure-late", True, False) in alerts(effects)
    assert next(c.body["alarms"] for c in reversed(of(effects, Card)) if c.of == "pot") == 1


def test_an_alarm_that_chatters_is_shown_and_not_said_anew() -> None:
    """Off for 20 s: the same alarm; off for a minute: a new one.  Priority 1 is always said."""
    engine = loaded(creeping(30.0), creeping(35.0, False), creeping(55.0), creeping(60.0, False), creeping(125.0))
    effects = engine.advance(T0 + 130.0)
    assert creeps(effects) == [30.0, 125.0]
    assert [a.active for a in of(effects, Alert) if a.alert == "pot-creeping"] == [True, False, True, False, True]
    assert max(c.body["alarms"] for c in of(effects, Card) if "alarms" in c.body) == 2
    urgent = loaded(over(30.0), over(35.0, False), over(45.0)).advance(T0 + 46.0)
    assert [t for t, words in said(urgent) if "over pressure" in words] == [30.0, 45.0]


def test_a_shelf_is_part_of_the_checkpoint() -> None:
    engine = loaded(creeping(30.0))
    engine.advance(T0 + 35.0)
    shelve(engine, 40.0, 600.0)
    assert frozen_copy(engine.alerts).shelf == {("pot-creeping", "barrel"): T0 + 640.0}
