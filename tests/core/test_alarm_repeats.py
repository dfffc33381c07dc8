"""Do the repeats of an unheard alarm thin out and say how long it has lasted, and is one that comes back the same one?

The times are common practice, no source; that alarms must not chatter is ISA-18.2's (deadband, off-delay).
"""

from __future__ import annotations

import itertools

import pytest
from core.bench_double import POT, T0, alerts, mark, of, said, scripted

from benchd.core.alarm.speech import lasting_words
from benchd.core.engine import Engine
from benchd.core.findings import Effect, PotAtPressure, PotFilling, PotOverLimit, PressureLate
from benchd.core.model import Alert, Card

WORDS = "Pot over pressure. Shut the air off."


def over(after_s: float, active: bool = True) -> PotOverLimit:
    return PotOverLimit(t=T0 + after_s, subject=POT, kpa=380.0, limit_kpa=372.0, kpa_per_min=0.0, active=active)


def loaded(*more: PotOverLimit) -> Engine:
    filling = PotFilling(t=T0 + 2.0, subject=POT, kpa=20.0, kpa_per_min=400.0)
    up = PotAtPressure(t=T0 + 10.0, subject=POT, kpa=289.0, since=T0 + 5.0, margin_s=None)
    return scripted(filling, up, *more)


def begun(effects: list[Effect]) -> list[float]:
    return [t - 30.0 for t, words in said(effects) if words.startswith(WORDS)]


def test_an_unheard_alarm_is_said_each_ten_seconds_then_thirty_then_two_minutes() -> None:
    times = begun(loaded(over(30.0)).advance(T0 + 1300.0))
    assert times[:13] == [10.0 * n for n in range(13)]
    assert times[13:29] == [150.0 + 30.0 * n for n in range(16)]
    assert [b - a for a, b in itertools.pairwise(times[28:])] == [120.0] * (len(times) - 29)
    assert times[-1] > 1000.0


def test_from_two_minutes_on_a_repeat_says_how_long_it_has_lasted() -> None:
    told = {t - 30.0: words for t, words in said(loaded(over(30.0)).advance(T0 + 1300.0))}
    assert {told[10.0 * n] for n in range(12)} == {WORDS}
    assert told[120.0] == f"{WORDS} For two minutes."
    assert told[300.0] == f"{WORDS} For five minutes."
    assert told[840.0] == f"{WORDS} For ten minutes."


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(120.0, "two minutes"), (599.0, "nine minutes"), (600.0, "ten minutes"), (1199.0, "ten minutes"),
     (1200.0, "twenty minutes"), (3599.0, "fifty minutes"), (3600.0, "over an hour"), (90_000.0, "over an hour")],
)  # fmt: skip
def test_how_long_is_rounded_down_and_coarser_as_it_grows(seconds: float, words: str) -> None:
    assert lasting_words(seconds) == words


def test_a_deadline_does_not_say_how_long_it_has_been_late() -> None:
    late = PressureLate(
        t=T0 + 30.0, subject=POT, projected_at=T0 + 200.0, kick_early=T0 + 150.0, rising=False, active=True
    )
    told = [words for _, words in said(scripted(late).advance(T0 + 400.0))]
    assert len(told) == 4, "three times, then after three minutes: who hurries has heard it"
    assert set(told) == {"Late. Lid and air now."}


def test_after_heard_the_repeats_begin_again_at_ten_seconds() -> None:
    engine = loaded(over(30.0))
    engine.advance(T0 + 331.0)
    engine.step(mark("heard", 331.0))
    effects = engine.advance(T0 + 425.0)
    assert begun(effects) == [361.0, 371.0, 381.0, 391.0]
    assert said(effects)[0][1] == f"{WORDS} For six minutes."


def test_an_alarm_that_is_back_within_two_minutes_is_the_same_one_said_as_its_repeats() -> None:
    """Off for 40 s and for 110 s: said at once when it is back, counted once, with its time since the beginning."""
    engine = loaded(over(30.0), over(33.0, False), over(73.0), over(75.0, False), over(185.0))
    effects = engine.advance(T0 + 190.0)
    assert said(effects)[1:] == [(30.0, WORDS), (73.0, WORDS), (185.0, f"{WORDS} For two minutes.")]
    assert max(c.body["alarms"] for c in of(effects, Card) if "alarms" in c.body) == 1


def test_off_for_longer_it_is_a_new_one() -> None:
    effects = loaded(over(30.0), over(33.0, False), over(154.0)).advance(T0 + 160.0)
    assert max(c.body["alarms"] for c in of(effects, Card) if "alarms" in c.body) == 2


def test_what_was_heard_stays_heard_when_it_flickers() -> None:
    """A minute of silence after `heard` is a minute, whatever the gauge does meanwhile."""
    flicker = [over(50.0 + 5.0 * n, active=bool(n % 2)) for n in range(8)]
    engine = loaded(over(30.0), *flicker)
    engine.advance(T0 + 45.0)
    engine.step(mark("heard", 45.0))
    effects = engine.advance(T0 + 104.0)
    assert begun(effects) == []
    assert {a.heard for a in of(effects, Alert) if a.alert == "pot-over-limit"} == {True}
    assert begun(engine.advance(T0 + 110.0)) == [75.0]


def test_one_that_is_back_is_not_left_unsaid_though_its_repeats_are_rare() -> None:
    engine = loaded(over(30.0), over(760.0, False), over(800.0))
    told = begun(engine.advance(T0 + 900.0))
    assert 770.0 in told


def test_an_alarm_that_is_over_and_heard_is_forgotten_once_it_can_no_longer_be_the_same() -> None:
    engine = loaded(over(30.0), over(40.0, False))
    engine.advance(T0 + 45.0)
    effects = engine.step(mark("heard", 45.0))
    assert alerts(effects) == [("pot-over-limit", False, True)]
    assert list(engine.alerts.alarms) == [("pot-over-limit", "barrel")]
    engine.advance(T0 + 161.0)
    assert engine.alerts.alarms == {}
