"""Is there one voice, that repeats, waits, merges and forgets as the rules say?"""

from __future__ import annotations

from collections.abc import Sequence

from benchd.core.alarm.alerts import AlertBook
from benchd.core.alarm.phrases import Phrase, phrases_for
from benchd.core.alarm.situation import Situation
from benchd.core.alarm.speech import Hush, Voice
from benchd.core.findings import AirWet, DemoldReady, Finding, PotCreeping, PotOverLimit, RoomDamp
from benchd.core.model import Mark, Subject, Utterance

POT = Subject(bench="north", pot="barrel")
OPEN = Hush(mid_pour=False, quiet_hours=False, attended=True)


def words(phrase: Phrase, findings: Sequence[Finding]) -> str:
    return f"{phrase.code} x{len(findings)}"


def creeping(t: float, active: bool = True) -> PotCreeping:
    return PotCreeping(t=t, subject=POT, kpa=300.0, limit_kpa=290.0, kpa_per_min=1.4, active=active)


def over(t: float, active: bool = True) -> PotOverLimit:
    return PotOverLimit(t=t, subject=POT, kpa=380.0, limit_kpa=372.0, kpa_per_min=0.0, active=active)


def run(voice: Voice, book: AlertBook, until_s: int, hush: Hush = OPEN, start_s: int = 0) -> list[tuple[float, str]]:
    out: list[Utterance] = []
    for second in range(start_s, until_s + 1):
        out += voice.speak(float(second), book, hush, words)
    return [(u.t, u.say) for u in out]


def see(book: AlertBook, voice: Voice, *findings: Finding) -> None:
    for finding in findings:
        _, calls = book.see(finding, lambda _: Situation(), words)
        for phrase in calls:
            voice.expect(phrase, finding, finding.t)


def test_priority_two_repeats_after_a_minute_and_then_every_three() -> None:
    book, voice = AlertBook(), Voice()
    see(book, voice, creeping(0.0))
    assert [t for t, _ in run(voice, book, 500)] == [0.0, 60.0, 240.0, 420.0]


def test_priority_one_repeats_every_ten_seconds_until_heard() -> None:
    book, voice = AlertBook(), Voice()
    see(book, voice, over(0.0))
    assert [t for t, _ in run(voice, book, 35)] == [0.0, 10.0, 20.0, 30.0]
    book.hear(36.0, None, words)
    assert run(voice, book, 90, start_s=36) == []


def test_priority_one_cuts_in_and_others_keep_eight_seconds() -> None:
    book, voice = AlertBook(), Voice()
    see(book, voice, creeping(0.0))
    assert run(voice, book, 2) == [(0.0, "pot-creeping x1")]
    see(book, voice, over(3.0))
    damp = RoomDamp(
        t=3.0, subject=POT, rh_pct=56.0, dew_point_c=14.0, pot_dew_point_c=None, pot_rh_pct=None, basis="measured",
        active=True, level="warn",
    )  # fmt: skip
    see(book, voice, damp)
    spoken = run(voice, book, 12, start_s=3)
    assert spoken[0] == (3.0, "pot-over-limit x1")
    assert (11.0, "room-damp x1") in spoken


def test_heard_silences_only_what_was_spoken() -> None:
    book, voice = AlertBook(), Voice()
    see(book, voice, creeping(0.0))
    assert book.hear(0.0, None, words) == []
    run(voice, book, 0)
    assert [(a.alert, a.heard) for a in book.hear(1.0, None, words)] == [("pot-creeping", True)]


def test_an_alarm_that_returned_unheard_stays_visible_until_heard() -> None:
    book, voice = AlertBook(), Voice()
    see(book, voice, over(0.0))
    run(voice, book, 0)
    see(book, voice, over(5.0, active=False))
    alarm = book.alarms[("pot-over-limit", "barrel")]
    assert (alarm.active, alarm.heard) == (False, False)
    assert [(a.active, a.heard) for a in book.hear(6.0, None, words)] == [(False, True)]
    assert book.review(124.0, lambda _: Situation(), words) == []
    assert list(book.alarms) == [("pot-over-limit", "barrel")]  # it may still come back as the same one
    book.review(125.0, lambda _: Situation(), words)
    assert book.alarms == {}


def test_stale_calls_are_dropped() -> None:
    book, voice = AlertBook(), Voice()
    phrase = phrases_for("batch_weighed")[0]
    voice.expect(phrase, over(0.0), 0.0)
    mid_pour = Hush(mid_pour=True, quiet_hours=False, attended=False)
    assert run(voice, book, 29, mid_pour) == []
    assert run(voice, book, 60, OPEN, start_s=30) == []


def test_part_calls_within_thirty_seconds_become_one() -> None:
    book, voice = AlertBook(), Voice()
    for t, mold in ((0.0, "m02"), (12.0, "m05")):
        subject = Subject(bench="north", mold=mold)
        see(book, voice, DemoldReady(t=t, subject=subject, mold=mold, stage="hard", limit="thin"))
    assert run(voice, book, 100) == [(30.0, "part-due x2")]


def test_a_part_that_is_out_is_not_called_any_more() -> None:
    """The demo's day said "going hard" of a part that had been out for half a minute."""
    book, voice = AlertBook(), Voice()
    for mold in ("m02", "m05"):
        subject = Subject(bench="north", mold=mold)
        see(book, voice, DemoldReady(t=0.0, subject=subject, mold=mold, stage="going-hard", limit="thin"))
    voice.forget(Mark(t=7.0, verb="demolded", mold="m02"))
    assert run(voice, book, 100) == [(30.0, "part-going-hard x1")]


def test_quiet_hours_leave_priority_one_and_two_while_loaded() -> None:
    night_idle = Hush(mid_pour=False, quiet_hours=True, attended=False)
    night_loaded = Hush(mid_pour=False, quiet_hours=True, attended=True)
    for hush, expected in ((night_idle, []), (night_loaded, [(0.0, "pot-creeping x1")])):
        book, voice = AlertBook(), Voice()
        see(book, voice, creeping(0.0))
        assert run(voice, book, 5, hush) == expected
    book, voice = AlertBook(), Voice()
    see(book, voice, over(0.0))
    assert run(voice, book, 5, night_idle) == [(0.0, "pot-over-limit x1")]


def test_a_double_press_says_the_last_words_again() -> None:
    book, voice = AlertBook(), Voice()
    assert voice.again(0.0) == []
    see(book, voice, creeping(0.0))
    run(voice, book, 0)
    again = voice.again(5.0)
    assert [(u.t, u.say, u.say_until) for u in again] == [(5.0, "pot-creeping x1", 35.0)]


def test_a_blind_alarm_is_said_three_times_and_then_every_three_minutes() -> None:
    from benchd.core.findings import SensorSilent

    book, voice = AlertBook(), Voice()
    needed = Situation(role="pot_pressure", load_phase="isolated")
    silent = SensorSilent(t=0.0, subject=POT.filled(channel="barrel-pressure"), why="6 s")
    book.see(silent, lambda _: needed, words)
    assert [t for t, _ in run(voice, book, 400)] == [0.0, 10.0, 20.0, 200.0, 380.0]


def test_a_call_about_the_next_load_is_never_over_a_due_call() -> None:
    """A part falls due 2 s after the air was found wet: it is merged for 30 s, and the air waits behind it."""
    air = AirWet(t=0.0, subject=POT, rh_pct=64.0, dew_point_c=16.0, pot_dew_point_c=30.0, pot_rh_pct=140.0,
                 basis="measured", active=True)  # fmt: skip
    book, voice = AlertBook(), Voice()
    subject = Subject(bench="north", mold="m02")
    see(book, voice, air, DemoldReady(t=0.0, subject=subject, mold="m02", stage="hard", limit="thin"))
    assert run(voice, book, 100) == [(30.0, "part-due x1"), (38.0, "air-wet x1")]
