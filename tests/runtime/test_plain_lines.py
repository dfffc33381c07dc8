"""Are the terminal's lines plain, short and true?"""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from benchd.core.findings import (
    DemoldReady,
    Finding,
    Kicked,
    KickForecast,
    LoadClosed,
    PotAtPressure,
    PotIsolated,
    PourEnded,
    PourStarted,
    SensorFault,
)
from benchd.core.model import Alert, Mark, MarkAnswer, Reading, Subject, Utterance
from benchd.runtime.printing.mark_words import mark_words
from benchd.runtime.printing.plain_lines import PlainLines, Style, mix_clock

MIX_T = 1_767_606_000.0  # 2026-01-05 09:40:00 UTC, a Monday (checked with date -d @1767606000)
UTC = ZoneInfo("UTC")
CUP = Subject(bench="north", cup="cup-1", pour="cup-1-7", pot="barrel")


def started(mix_t: float = MIX_T, subject: Subject = CUP, number: int = 1) -> PourStarted:
    return PourStarted(
        t=mix_t, subject=subject, mix_t=mix_t, lot="R-07", molds=("M02", "M03"), inferred=False, number=number
    )


def said(t: float, priority: int = 1, subject: Subject = CUP, say: str = "Pressure late.") -> Utterance:
    return Utterance(t=t, say=say, priority=priority, tone="alarm", say_until=t + 9, subject=subject)


def test_a_word_carries_time_of_day_and_mix_clock() -> None:
    """Bench time, time since the mix, how urgent, what is heard."""
    lines = PlainLines(Style(zone=UTC))
    assert lines.line(started()) == "09:40:00 +00:00 -  pour 1 started for M02, M03, lot R-07"
    assert lines.line(said(MIX_T + 187.9)) == '09:43:07 +03:07 !! "Pressure late."'
    assert lines.line(said(MIX_T + 190, 2)) == '09:43:10 +03:10 !  "Pressure late."'


def test_with_no_pour_there_is_no_mix_clock() -> None:
    """Before a mix and after a pour's end the place stays empty."""
    lines = PlainLines(Style(zone=UTC))
    assert lines.line(said(MIX_T, 3)) == '09:40:00           "Pressure late."'
    lines.line(started())
    assert lines.line(PourEnded(t=MIX_T + 60, subject=CUP, why="no_cure")) == "09:41:00 +01:00 -  pour ended: no cure"
    assert lines.line(said(MIX_T + 61, 3)) == '09:41:01           "Pressure late."'


def test_each_word_counts_from_its_own_pour() -> None:
    """Two cups: a word about one is timed from that one; one about the pot alone from the newer."""
    lines = PlainLines(Style(zone=UTC))
    other = Subject(bench="north", cup="cup-2", pour="cup-2-9", pot="barrel")
    lines.line(started())
    lines.line(started(MIX_T + 100, other, 2))
    clocks = [
        (lines.line(said(MIX_T + 160, subject=subject)) or "").split()[1]
        for subject in (CUP, other, Subject(bench="north", pot="barrel"), Subject(bench="north", cup="cup-1"))
    ]
    assert clocks == ["+02:40", "+01:00", "+01:00", "+02:40"]


@pytest.mark.parametrize(
    ("finding", "text"),
    [
        (Kicked(t=MIX_T + 183, subject=CUP, at=MIX_T + 183, early=0, late=0, temp_c=62.4, basis="curve"),
         "kicked at 62 C, +03:03, curve"),
        (PotAtPressure(t=MIX_T + 149, subject=CUP, kpa=289.58, since=MIX_T + 144, margin_s=39.0),
         "barrel at pressure: 42.0 psi, 39 s before the kick"),
        (PotIsolated(t=MIX_T, subject=CUP, since=MIX_T, by="mark"), "barrel isolated since +00:00, mark"),
        (LoadClosed(t=MIX_T, subject=CUP, pours=(), number=2), "load 2 closed"),
        (DemoldReady(t=MIX_T, subject=CUP, mold="M02", stage="green", limit="thin"), "M02 due: green"),
        (SensorFault(t=MIX_T, subject=Subject(bench="north", channel="cup-1-temperature"), why="open"),
         "cup-1-temperature faulty: open"),
    ],
)  # fmt: skip
def test_main_findings_in_the_trades_words(finding: Finding, text: str) -> None:
    """42 psi is 289.58 kPa (1 psi = 6.894757 kPa, NIST SP 811)."""
    lines = PlainLines(Style(zone=UTC))
    lines.line(started())
    assert (lines.line(finding) or "").endswith(f"-  {text}")


def test_pots_and_cups_are_shown_by_the_names_their_owner_gave_them() -> None:
    """In findings, alerts and marks; one that the bench does not have any more keeps its id."""
    names = {("pot", "barrel"): "Barrel", ("cup", "cup-1"): "Witness cup"}
    lines = PlainLines(Style(zone=UTC, every=True, names=names))
    for pot, shown in (("barrel", "Barrel"), ("old-pot", "old-pot")):
        about = Subject(bench="north", pot=pot)
        up = PotAtPressure(t=MIX_T, subject=about, kpa=289.58, since=MIX_T, margin_s=None)
        assert (lines.line(up) or "").endswith(f"-  {shown} at pressure: 42.0 psi")
        low = Alert(t=MIX_T, alert="pot-below-floor", active=True, heard=False, priority=1, subject=about, text="Low.")
        assert (lines.line(low) or "").endswith(f"*  pot-below-floor {shown} on: Low.")
    hot = Alert(t=MIX_T, alert="cup-hot", active=True, heard=False, priority=3, subject=CUP, text="")
    assert (lines.line(hot) or "").endswith("*  cup-hot Witness cup on")
    assert mark_words(Mark(t=MIX_T, verb="mix", id="m", cup="cup-1", pot="barrel"), names) == "mix Witness cup, Barrel"


def test_forecasts_come_at_most_every_fifteen_seconds() -> None:
    """The window in mix clock; a moving forecast does not flood the terminal."""
    lines = PlainLines(Style(zone=UTC))
    lines.line(started())
    out = [
        lines.line(
            KickForecast(
                t=MIX_T + second, subject=CUP, at=MIX_T + 183, early=MIX_T + 170, late=MIX_T + 200,
                confidence="good", basis="curve",
            )
        )
        for second in range(60, 90)
    ]  # fmt: skip
    shown = [line for line in out if line]
    assert len(shown) == 2
    assert shown[0].endswith("kick about +03:03 (+02:50 to +03:20), curve, confidence good")


def test_alerts_and_answers() -> None:
    """On, over and heard; taken and refused with why; readings print nothing."""
    lines = PlainLines(Style(zone=UTC))
    alert = Alert(t=MIX_T, alert="pot-leaking", active=False, heard=True, priority=2,
                  subject=Subject(bench="north", pot="barrel"), text="Top up.")  # fmt: skip
    assert lines.line(alert) == "09:40:00        *  pot-leaking barrel over, heard"
    answer = MarkAnswer(t=MIX_T, id="m1", verb="mix", ok=False, why="two cups are open")
    assert lines.line(answer) == "09:40:00        >  mix refused: two cups are open"
    assert lines.line(Reading(MIX_T, "c", "scale", "", 1.0, 1.0)) is None


def test_colour_only_when_asked_and_foreign_text_cannot_paint() -> None:
    """ESC and line feeds in a name come out as spaces; colour is the style's alone."""
    evil = said(MIX_T, say="a\x1b[2Jb\nc\x9bd")
    assert PlainLines(Style(zone=UTC)).line(evil) == '09:40:00        !! "a [2Jb c d"'
    colored = PlainLines(Style(zone=UTC, colored=True)).line(evil) or ""
    assert colored.count("\x1b") == 2
    assert colored.endswith("\x1b[0m")


def test_mix_clock_counts_like_a_stopwatch() -> None:
    """Whole seconds, truncated; minutes go past the hour."""
    assert [mix_clock(s) for s in (0, 59.99, 60, 3723, -5)] == ["+00:00", "+00:59", "+01:00", "+62:03", "-00:05"]
