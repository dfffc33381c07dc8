"""Does an alarm about a pot end when the world contradicts it: a part is out, a fill starts, the pot is open?

Played by rehearsed pots (hand_words.py) through the whole engine.  That a part out of its mold means an open pot, and
that what rises is not being vented, needs no source.
"""

from __future__ import annotations

from functools import cache

import pytest
from hand_words import T0, Played, held, spec_of

from benchd.core.findings import LoadClosed, LoadOpened, PotLettingGo, PotLosing, PotVented, PotVenting
from benchd.core.model import Alert, Status, Utterance

POT_WORDS = ("pot-", "gauge-dropped", "floor-ahead", "vent-")


@cache
def at_pressure() -> Played:
    return held(spec_of(6, 5)[0], 0, fed=False, stage="begun")


def standing(play: Played) -> set[str]:
    """The codes of active alarms of priority 1 and 2."""
    play.catch_up()
    return {a.phrase.code for a in play.engine.alerts.alarms.values() if a.active and a.phrase.priority <= 2}


def of(play: Played, kind: type) -> list:  # type: ignore[type-arg]
    play.catch_up()
    return [e for e in play.effects if isinstance(e, kind)]


def dropped() -> Played:
    """The hose with the gauge comes off: it reads zero at once over a full pot."""
    play = at_pressure().fork()
    begun = len(play.air.psi)
    play.air.run(20.0)
    play.air.psi[begun + 10 :] = [0.0] * (len(play.air.psi) - begun - 10)
    assert standing(play) == {"gauge-dropped"}
    return play


def blind() -> Played:
    """The board's plug is pulled while the pot holds."""
    play = at_pressure().fork()
    play.catch_up()
    play.effects += play.engine.step(Status(T0 + play.air.t_s + 0.1, "board", up=False, why="unplugged"))
    play.air.t_s += 10.0
    play.effects += play.engine.advance(T0 + play.air.t_s)
    assert standing(play) == {"pot-blind"}
    return play


def take_out(play: Played) -> None:
    play.mark("demolded", mold="m02")
    play.air.t_s += 2.0
    play.effects += play.engine.advance(T0 + play.air.t_s)


@pytest.mark.parametrize("trouble", [dropped, blind])
def test_a_part_taken_out_ends_what_was_said_of_the_pots_pressure(trouble) -> None:  # type: ignore[no-untyped-def]
    play = trouble()
    take_out(play)
    assert standing(play) == set()
    assert len(of(play, LoadOpened)) == 1
    assert [f.near_zero for f in of(play, PotVented)] == [False]
    assert [u for u in of(play, Utterance) if u.code == "vented"] == []
    play.effects.clear()
    play.effects += play.engine.advance(T0 + play.air.t_s + 300.0)
    assert [u.say for u in of(play, Utterance) if u.code.startswith(POT_WORDS)] == []


def test_a_gauge_that_shows_pressure_now_is_believed_before_a_mark() -> None:
    """A part ticked off by mistake while the pot is up must not silence it: 30 psi, below its floor, and no vent."""
    play = at_pressure().fork()
    play.air.leak(20.0)
    play.air.run(40.0)
    play.air.leak(0.0)
    play.air.run(20.0)
    assert "pot-below-floor" in standing(play)
    play.mark("demolded", mold="m02")
    play.air.run(2.0)
    assert "pot-below-floor" in standing(play)
    assert of(play, PotVented) == []


def test_a_part_of_an_earlier_load_says_nothing_of_this_one() -> None:
    play = dropped()
    play.engine.books.pours.open[next(iter(play.engine.books.pours.open))].load = "barrel-1"
    take_out(play)
    assert "gauge-dropped" in standing(play)


def test_a_fill_that_starts_ends_a_vent_and_a_lid_that_lets_go() -> None:
    play = at_pressure().fork()
    play.air.air.bleed_mm = 3.0
    play.air.run(9.0)
    assert standing(play) & {"pot-letting-go", "pot-losing"}
    play.air.air.bleed_mm = 0.0
    play.air.feed(42.0)
    begun = play.air.t_s
    play.air.run(5.0)
    assert not standing(play) & {"pot-letting-go", "pot-losing", "vent-early", "vent-too-fast", "pot-below-floor"}
    ended = [f.t - T0 - begun for kind in (PotLettingGo, PotLosing, PotVenting) for f in of(play, kind) if not f.active]
    assert ended
    assert max(ended) <= 4.0


def test_air_on_is_not_said_while_the_air_comes_and_said_again_if_it_stops_short() -> None:
    play = at_pressure().fork()
    play.air.leak(20.0)
    play.air.run(60.0)
    play.air.leak(0.0)
    play.air.run(20.0)
    assert "pot-below-floor" in standing(play)
    play.catch_up()
    play.effects.clear()
    play.air.feed(play.air.true_psi + 4.0)
    play.air.run(30.0)
    assert play.air.true_psi < 35.0
    transitions = [a.active for a in of(play, Alert) if a.alert == "pot-below-floor"]
    assert transitions == [False, True]
    assert "pot-below-floor" in standing(play)


def test_a_repeat_of_below_floor_reads_the_gauge_again() -> None:
    """A fast leak's own sentence says so, too: they would take turns."""
    play = at_pressure().fork()
    play.air.leak(12.0)
    play.air.run(80.0)
    play.catch_up()
    said = [u for u in of(play, Utterance) if "Add air" in u.say]
    assert len(said) >= 3
    for word in said:
        k = max(i for i, t in enumerate(play.air.times) if t <= word.t - T0 + 0.01)
        assert any(spoken(round(play.air.psi[j])).lower() in word.say for j in range(k - 3, k + 1))


def spoken(number: int) -> str:
    tens, ones = divmod(number, 10)
    small = ("", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
    return ("", "Ten", "Twenty", "Thirty", "Forty")[tens] + (f"-{small[ones]}" if ones else "")


def test_a_gauge_that_was_lost_at_zero_and_climbs_as_a_pot_fills_is_believed() -> None:
    """It dropped; the pot was vented by the dial and filled anew: no alarm of the old load through the next fill."""
    play = dropped()
    play.air.vent(30.0, "turn")
    begun = len(play.air.psi)
    play.air.run(60.0)
    play.air.psi[-len(play.air.psi) + begun - 140 :] = [0.0] * (len(play.air.psi) - begun + 140)
    assert standing(play) == {"gauge-dropped"}
    play.air.air.bleed_mm = 0.0
    play.air.fill(42.0, 30.0)
    assert "gauge-dropped" not in standing(play)
    assert len(of(play, LoadOpened)) == 1
    assert len(of(play, LoadClosed)) >= 1
