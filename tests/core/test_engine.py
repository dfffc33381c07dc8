"""Does the engine turn inputs into the right findings, alerts and words, whatever the cut?"""

from __future__ import annotations

import msgspec
import pytest
from core.bench_double import (
    BENCH,
    CUP_SUBJECT,
    POT,
    T0,
    Script,
    alerts,
    context,
    line,
    mark,
    of,
    said,
    scripted,
)

from benchd.core.engine import Engine
from benchd.core.findings import (
    BenchNotice,
    Effect,
    Finding,
    HoldComplete,
    HoldForecast,
    Kicked,
    LoadClosed,
    LoadOpened,
    MoldPoured,
    PotAtPressure,
    PotBelowFloor,
    PotFilling,
    PotHold,
    PotVented,
    PotVenting,
    PourEnded,
    PourStarted,
    SensorBack,
    SensorSilent,
    WatcherFailed,
)
from benchd.core.model import Card, Gap, Line, MarkAnswer, News, Quality, Reading, Status, Tick
from benchd.core.model.day import DayBefore
from benchd.core.seat.watcher import Place, Reads, WatcherPlan
from benchd.core.state.errors import StateError


def filling(after_s: float) -> PotFilling:
    return PotFilling(t=T0 + after_s, subject=POT, kpa=20.0, kpa_per_min=400.0)


def up(after_s: float, margin_s: float | None = None) -> PotAtPressure:
    return PotAtPressure(t=T0 + after_s, subject=POT, kpa=289.0, since=T0 + after_s - 5.0, margin_s=margin_s)


def kicked(after_s: float) -> Kicked:
    at = T0 + after_s
    return Kicked(t=at, subject=CUP_SUBJECT, at=at, early=at - 4, late=at + 4, temp_c=70.0, basis="curve")


def whole_load() -> list[Finding]:
    return [
        filling(120.0),
        up(150.0),
        kicked(184.0),
        HoldComplete(t=T0 + 700.0, subject=POT, since=T0 + 184.0, min_kpa=280.0),
        PotVenting(t=T0 + 720.0, subject=POT, kpa=250.0, kpa_per_min=-400.0, before_hold_complete=False, active=True),
        PotVented(t=T0 + 760.0, subject=POT, kpa=1.0, near_zero=True, vent_s=40.0),
    ]


def test_a_whole_load_opens_and_closes_its_pour_and_load() -> None:
    engine = scripted(*whole_load())
    effects = engine.step(mark("mix", 1.0, lot="R-07", molds=("M02", "M05")))
    effects += engine.advance(T0 + 800.0)
    for seconds, mold in ((900.0, "m02"), (960.0, "M05")):
        effects += engine.step(mark("demolded", seconds, mold=mold, feel="hard"))

    kinds = [type(f) for f in of(effects, Finding)]
    assert kinds == [
        PourStarted, PotFilling, LoadClosed, PotAtPressure, Kicked, HoldComplete, PotVenting, PotVented, LoadOpened,
        PourEnded,
    ]  # fmt: skip
    closed, opened = of(effects, LoadClosed)[0], of(effects, LoadOpened)[0]
    assert closed.pours == opened.pours == (f"cup-1-{int(T0) + 1}",)
    kick = of(effects, Kicked)[0]
    assert kick.subject.to_dict() == {
        "bench": "north", "pot": "barrel", "load": f"barrel-{int(T0) + 120}", "cup": "cup-1",
        "pour": f"cup-1-{int(T0) + 1}",
    }  # fmt: skip
    assert of(effects, PourEnded)[0].why == "demolded"
    assert not engine.is_busy


def test_the_pots_card_says_why_a_hold_is_not_judged() -> None:
    hold = PotHold(
        t=T0 + 300.0, subject=POT, verdict="no-leak-seen", kpa=280.0, kpa_per_min=None, low=None, high=None,
        smallest_seen=None, why="is the inlet shut?",
    )  # fmt: skip
    engine = scripted(filling(120.0), up(150.0), hold)
    effects = engine.step(mark("mix", 1.0, molds=("M02",)))
    effects += engine.advance(T0 + 310.0)
    body = [card for card in of(effects, Card) if card.of == "pot"][-1].body
    assert (body["verdict"], body["why"]) == ("no-leak-seen", "is the inlet shut?")


def test_what_the_caster_hears_in_a_good_load() -> None:
    engine = scripted(*whole_load())
    effects = engine.step(mark("mix", 1.0, molds=("M02",)))
    effects += engine.advance(T0 + 800.0)
    assert said(effects) == [
        (150.0, "Past floor. Keep the air on."),
        (184.0, "Kick. Pressure was forty seconds ahead."),
        (700.0, "Load one hold done. Mask on, vent slowly."),
        (760.0, "Gauge near zero. Check dial, bleed and hiss."),
    ]


def test_kick_in_mid_pour_is_priority_one_and_ends_with_the_lid() -> None:
    engine = scripted(kicked(60.0), filling(90.0))
    effects = engine.step(mark("mix", 1.0, molds=("M02", "M05")))
    effects += engine.step(mark("poured", 30.0, mold="M02"))
    effects += engine.advance(T0 + 100.0)
    assert alerts(effects)[0] == ("cup-kicking", True, False)
    assert ("cup-kicking", False, False) in alerts(effects)
    heard_words = [words for _, words in said(effects)]
    assert heard_words[:3] == ["Cup is kicking. Set it down, step back."] * 3  # every ten seconds until over


def test_kick_without_pressure_after_pouring_is_said_as_such() -> None:
    engine = scripted(kicked(170.0))
    engine.step(mark("mix", 1.0, molds=("M02",)))
    effects = engine.step(mark("poured", 60.0)) + engine.advance(T0 + 180.0)
    assert said(effects) == [(170.0, "Cup kicked, no pressure. Thin molds may still take it.")]


def test_below_floor_alarms_before_gel_only() -> None:
    def below(after_s: float, active: bool) -> PotBelowFloor:
        return PotBelowFloor(t=T0 + after_s, subject=POT, kpa=234.4, limit_kpa=241.3, kpa_per_min=-2.0, active=active)

    gelled = HoldComplete(t=T0 + 400.0, subject=POT, since=T0 + 184.0, min_kpa=230.0)
    engine = scripted(filling(100.0), up(130.0), below(200.0, True), below(260.0, False), gelled, below(500.0, True))
    effects = engine.step(mark("mix", 1.0, molds=("M02",))) + engine.advance(T0 + 600.0)
    assert [a for a in alerts(effects) if a[0] == "pot-below-floor"] == [
        ("pot-below-floor", True, False),
        ("pot-below-floor", False, False),
    ]
    assert (200.0, "Pot low, thirty-four. Add air.") in said(effects)
    assert len(of(effects, PotBelowFloor)) == 3  # the finding is never suppressed


def test_heard_silences_for_a_minute_then_physics_decides() -> None:
    low = PotBelowFloor(t=T0 + 200.0, subject=POT, kpa=234.4, limit_kpa=241.3, kpa_per_min=-2.0, active=True)
    engine = scripted(filling(100.0), up(130.0), low)
    engine.step(mark("mix", 1.0, molds=("M02",)))
    effects = engine.advance(T0 + 205.0) + engine.step(mark("heard", 206.0)) + engine.advance(T0 + 290.0)
    times = [t for t, words in said(effects) if "Pot low" in words]
    assert times == [200.0, 266.0, 276.0, 286.0]
    assert ("pot-below-floor", True, True) in alerts(effects)


def test_blind_gauge_matters_once_a_pour_is_open() -> None:
    silent = SensorSilent(t=T0 + 5.0, subject=POT.filled(channel="barrel-pressure"), why="no reading for 6 s")
    back = SensorBack(t=T0 + 90.0, subject=POT.filled(channel="barrel-pressure"), why="good for 10 s")
    engine = scripted(silent, back)
    idle = engine.advance(T0 + 30.0)
    assert ("sensor-silent", True, False) in alerts(idle)
    assert said(idle) == []
    effects = engine.step(mark("mix", 40.0, molds=("M02",))) + engine.advance(T0 + 120.0)
    assert [t for t, words in said(effects) if words == "Pot gauge blind. Watch the dial."] == [41.0, 51.0, 61.0]
    assert ("pot-blind", False, False) in alerts(effects)


def test_a_cup_probe_lost_before_the_mix_is_told_with_it() -> None:
    """The fault names its cup, not the pour, which was not there yet."""
    lost = SensorSilent(t=T0 + 5.0, subject=CUP_SUBJECT.filled(channel="cup-1-temperature"), why="no reading for 6 s")
    engine = scripted(lost)
    assert said(engine.advance(T0 + 30.0)) == []
    effects = engine.step(mark("mix", 40.0, molds=("M02",))) + engine.advance(T0 + 55.0)
    assert [t for t, words in said(effects) if words == "Cup probe lost. Use the timer."] == [41.0, 51.0]
    assert ("cup-blind", True, False) in alerts(effects)


def test_mid_pour_says_nothing_but_deadlines() -> None:
    notice = HoldForecast(t=T0 + 20.0, subject=POT, at=T0 + 900.0, basis="label")
    engine = scripted(notice)
    engine.step(mark("mix", 1.0, molds=("M02",)))
    effects = engine.step(News(T0 + 30.0, "journal", True, "disk full")) + engine.advance(T0 + 60.0)
    assert ("journal-failing", True, False) in alerts(effects)
    assert said(effects) == []


def test_vent_too_early_names_the_minutes_left() -> None:
    due = HoldForecast(t=T0 + 200.0, subject=POT, at=T0 + 560.0, basis="label")
    early = PotVenting(t=T0 + 300.0, subject=POT, kpa=270.0, kpa_per_min=-300.0, before_hold_complete=True, active=True)
    engine = scripted(filling(100.0), up(130.0), due, early)
    engine.step(mark("mix", 1.0, molds=("M02",)))
    assert (300.0, "Close the bleed. Four more minutes.") in said(engine.advance(T0 + 305.0))


def test_a_watcher_that_raises_is_fenced_and_told_and_comes_back_with_the_next_pour() -> None:
    class Fragile:
        def __init__(self) -> None:
            self.ticks = 0

        def see(self, event: object) -> list[Finding]:
            self.ticks += 1
            if isinstance(event, Tick) and self.ticks == 3:
                raise ZeroDivisionError("planted")
            return []

    place = Place(BENCH, POT, pot=BENCH.pots[0])
    plan = WatcherPlan("fragile", 0, "pot", Reads(ticks=True), place, None, Fragile)
    engine = Engine(lambda _: [plan])
    engine.step(context())
    effects = engine.advance(T0 + 10.0)
    failed = of(effects, WatcherFailed)
    assert [(f.watcher, f.why, f.t) for f in failed] == [("fragile", "ZeroDivisionError: planted", T0 + 3.0)]
    assert ("pot-watch-failed", True, False) in alerts(effects)
    engine.step(mark("mix", 20.0, molds=("M02",)))
    assert of(engine.advance(T0 + 30.0), WatcherFailed)  # seated again, and fails again after three ticks


def test_lines_become_readings_and_bad_ones_are_counted() -> None:
    engine = scripted()
    good = line(1, cup=(23.5, "Cel"), pot=(0.0, "Pa"), rh=(45.0, "%RH"), stray=(1.0, None))
    readings = of(engine.step(Line(T0 + 1.0, "board", good)), Reading)
    assert [(r.channel, r.value, r.quality) for r in readings] == [
        ("cup-1-temperature", 23.5, Quality.GOOD),
        ("barrel-pressure", 0.0, Quality.GOOD),
        ("room-humidity", 45.0, Quality.GOOD),
    ]
    told = of(engine.step(Line(T0 + 2.0, "board", good[:-1] + "!")), BenchNotice)
    assert [(n.what, n.count) for n in told] == [("lines", 1)]
    unheard = engine.step(Line(T0 + 3.0, "board", "garbage"))
    assert of(unheard, Reading) == of(unheard, BenchNotice) == []  # counted, told later
    later = of(engine.advance(T0 + 70.0), BenchNotice)
    assert [(n.what, n.count) for n in later] == [("lines", 1)]


def test_a_lost_line_and_a_repeated_one_are_counted_as_such() -> None:
    engine = scripted()
    for seq in (1, 2, 5):
        effects = engine.step(Line(T0 + seq, "board", line(seq, cup=(23.0, "Cel"))))
    assert [(n.what, n.why, n.count) for n in of(effects, BenchNotice)] == [("lines", "board: 2 lost", 2)]
    again = engine.step(Line(T0 + 6.0, "board", line(5, cup=(90.0, "Cel"))))
    assert of(again, Reading) == []


def test_a_source_that_goes_blinds_its_channels_at_once() -> None:
    engine = scripted()
    readings = of(engine.step(Status(T0 + 1.0, "board", False, "unplugged")), Reading)
    assert [(r.channel, r.quality) for r in readings] == [(c.id, Quality.FAULT) for c in BENCH.channels]
    assert len(of(engine.advance(T0 + 3.0), Reading)) == 2 * len(BENCH.channels)  # and stays blind
    engine.step(Status(T0 + 3.5, "board", True))
    assert of(engine.advance(T0 + 9.0), Reading) == []


def test_switch_presses_mix_pour_and_hear() -> None:
    engine = scripted()

    def presses(seq: int, **counts: int) -> list[Effect]:
        from benchd.core.intake.wire import encode

        text = encode([], board="b1-", seq=seq, presses=counts).decode().rstrip("\n")
        return list(engine.step(Line(T0 + seq, "board", text)))

    assert of(presses(1, long=4, short=1), MarkAnswer) == []  # the first counts after boot are the base
    started = of(presses(2, long=5), PourStarted)
    assert [(p.subject.cup, p.subject.pot, p.molds) for p in started] == [("cup-1", "barrel", ())]
    assert started[0].assumed == "Cup one, Barrel"
    engine.step(mark("mix", 2.5, molds=("M02", "M05")))
    for seq, mold, left in ((3, "m02", 1), (4, "m05", 0)):
        poured = of(presses(seq, long=seq + 3), MoldPoured)
        assert [(p.subject.mold, p.left) for p in poured] == [(mold, left)]
    assert [(a.verb, a.ok) for a in of(presses(5, short=2), MarkAnswer)] == [("heard", True)]


@pytest.mark.parametrize(
    ("verb", "more", "why"),
    [
        ("mix", {"cup": "cup-9"}, 'no cup "cup-9"; did you mean "cup-1"?'),
        ("mix", {"molds": ("M02", "M99")}, 'no mold "M99"; known: M01, M02, M05'),
        ("mix", {"lot": "R-99"}, 'no lot "R-99"; known: R-07'),
        ("mix", {"a_g": -3.0}, "a_g must be above zero"),
        ("poured", {}, "no pour is open; mark its mix first"),
        ("demolded", {}, "say which mold; mark it as demolded M02"),
        ("demolded", {"mold": "m02", "feel": "soft"}, 'no feel "soft"; known: green'),
        ("undo", {}, "nothing to take back"),
        ("frobnicate", {}, 'no verb "frobnicate"; known: back'),
    ],
)
def test_marks_that_cannot_be_taken_say_why(verb: str, more: dict[str, object], why: str) -> None:
    effects = scripted().step(mark(verb, 1.0, id="m-1", **more))
    answer = of(effects, MarkAnswer)[0]
    assert not answer.ok
    assert why in answer.why


def test_a_mark_that_comes_late_has_happened_when_it_says() -> None:
    """A phone's mix of second 3 comes at second 20; its pour began at second 3, and its answer is of now."""
    engine = scripted()
    engine.advance(T0 + 20.0)
    for item in (mark("mix", 3.0, cup="cup-1"), mark("note", 25.0, text="x", at=T0 + 24.0)):
        effects = engine.step(item)
        assert [a.ok for a in of(effects, MarkAnswer)] == [True]
        for started in of(effects, PourStarted):
            assert started.mix_t == T0 + 3.0
            assert started.t == T0 + 20.0
    assert [p.mix_t for p in engine.books.pours] == [T0 + 3.0]


def test_a_mark_that_came_late_can_be_undone() -> None:
    engine = scripted()
    engine.step(mark("mix", 0.0, cup="cup-1", molds=("M02", "M05")))
    engine.advance(T0 + 60.0)
    engine.step(mark("poured", 40.0))
    (pour,) = engine.books.pours
    assert pour.poured == {"m02": T0 + 40.0, "m05": T0 + 40.0}
    assert [a.ok for a in of(engine.step(mark("undo", 68.0)), MarkAnswer)] == [True]
    assert pour.poured == {}


def test_a_mark_counts_once() -> None:
    engine = scripted()
    engine.step(mark("mix", 1.0, id="m-1"))
    answer = of(engine.step(mark("mix", 2.0, id="m-1")), MarkAnswer)[0]
    assert (answer.ok, answer.why) == (False, "this mark was taken already")


def test_undo_takes_back_the_last_mix_once_and_later_too_while_nothing_followed() -> None:
    engine = scripted()
    engine.step(mark("mix", 1.0))
    ended = of(engine.step(mark("undo", 9.0)), PourEnded)
    assert [p.why for p in ended] == ["undone"]
    engine.step(mark("mix", 20.0))
    assert [a.ok for a in of(engine.step(mark("undo", 31.0)), MarkAnswer)] == [True]
    refused = of(engine.step(mark("undo", 32.0)), MarkAnswer)[0]
    assert (refused.ok, refused.why) == (False, "nothing to take back")


def test_a_gap_is_stepped_without_ticks() -> None:
    engine = scripted(filling(100.0))
    effects = engine.step(Gap(T0 + 500_000.0, T0 + 1.0, "restart"))
    assert [n.what for n in of(effects, BenchNotice)] == ["gap"]
    assert of(effects, PotFilling) == []
    assert engine.now == T0 + 500_000.0


def test_what_was_ticked_before_a_gap_is_ticked_in_a_replay_too() -> None:
    """Live, the clock ticked to the gap's begin without an input; a recording holds the gap alone."""
    live, replayed = scripted(filling(100.0)), scripted(filling(100.0))
    gap = Gap(T0 + 500.0, T0 + 110.0, "restart")
    told = live.advance(T0 + 110.0) + live.step(gap)
    assert of(told, PotFilling)
    assert of(told, Finding) == of(replayed.step(gap), Finding)
    assert (live.told, live.now) == (replayed.told, replayed.now)


def test_a_pour_nobody_ends_is_over_after_twelve_hours() -> None:
    engine = scripted()
    engine.step(mark("mix", 0.0))
    ended = of(engine.advance(T0 + 12 * 3600.0 + 1.0), PourEnded)
    assert [(p.why, p.t) for p in ended] == [("timeout", T0 + 12 * 3600.0)]


def test_numbers_of_the_day_begin_again_and_can_be_carried_into_an_extract() -> None:
    engine = scripted()
    first = of(engine.step(mark("mix", 1.0)), PourStarted)[0]
    engine.step(mark("end", 2.0))
    second = of(engine.step(mark("mix", 3.0)), PourStarted)[0]
    assert (first.number, second.number) == (1, 2)
    extract = Engine(lambda _: [])
    extract.step(context(day=DayBefore(pours=4, loads=1)))
    assert of(extract.step(mark("mix", 1.0)), PourStarted)[0].number == 5


def test_checkpoint_and_tail_equal_the_full_run_at_every_cut() -> None:
    inputs = [
        mark("mix", 1.0, molds=("M02",)),
        mark("poured", 40.0),
        mark("heard", 201.0),
        mark("note", 750.0, text="x"),
    ]
    script = [*whole_load()]

    def plans(_: object) -> list[WatcherPlan]:
        from benchd.core.model import Subject

        place = Place(BENCH, Subject(bench="north"))
        return [WatcherPlan("script", 0, "bench", Reads(ticks=True), place, None, lambda: Script(script))]

    def run(cut: int | None) -> list[object]:
        engine = Engine(plans)
        out: list[object] = list(engine.step(context()))
        for index, item in enumerate(inputs):
            if index == cut:
                engine = Engine.thaw(engine.freeze(), plans, [context()])
            out += engine.step(item)
        if cut == len(inputs):
            engine = Engine.thaw(engine.freeze(), plans, [context()])
        return [*out, *engine.advance(T0 + 800.0), engine.told]

    whole = run(None)
    assert len(whole) > 20
    for cut in range(len(inputs) + 1):
        assert whole == run(cut)


def test_a_checkpoint_that_is_no_state_is_refused() -> None:
    for blob in (b"", b"nothing of ours", msgspec.msgpack.encode([1, 2, 3])):
        with pytest.raises(StateError, match="not a state"):
            Engine.thaw(blob, lambda _: [])
