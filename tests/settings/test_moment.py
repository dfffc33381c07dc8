"""Is a time read as a person means it, in the bench's own zone?

Unix seconds are those of `date -d "TZ=\"Europe/Oslo\" ..." +%s` (GNU coreutils, IANA zone data).
"""

from __future__ import annotations

import argparse
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from benchd.settings.moment import MomentError, as_written, is_relative, moment

OSLO = ZoneInfo("Europe/Oslo")
NOW_T = 1_767_618_000.0  # Monday 2026-01-05 14:00 in Oslo


@pytest.mark.parametrize(
    ("written", "unix_s"),
    [
        ("09:40", 1_767_602_400.0), ("9:40", 1_767_602_400.0), ("9:40:30", 1_767_602_430.0),
        ("14:30", 1_767_533_400.0),  # not yet today: yesterday's
        ("today", 1_767_567_600.0), ("yesterday", 1_767_481_200.0), ("Yesterday 23:15", 1_767_564_900.0),
        ("monday", 1_767_567_600.0), ("sunday 10:00", 1_767_517_200.0),
        ("2 h ago", 1_767_610_800.0), ("90 min ago", 1_767_612_600.0), ("now", NOW_T),
        ("2026-01-05", 1_767_567_600.0), ("2026-01-05 09:40", 1_767_602_400.0),
        ("2026-01-05T09:40", 1_767_602_400.0), ("2026-01-05T08:40Z", 1_767_602_400.0), ("1767602400", 1_767_602_400.0),
    ],
)  # fmt: skip
def test_a_written_time_is_that_of_the_bench(written: str, unix_s: float) -> None:
    assert moment(written, OSLO, NOW_T) == unix_s


def test_on_the_day_the_clock_changes_yesterday_begins_at_its_own_midnight() -> None:
    """2026-03-29 had 23 hours in Oslo: its midnight is 47 hours before that of the 31st."""
    noon_t = datetime(2026, 3, 30, 12, tzinfo=OSLO).timestamp()
    assert moment("today", OSLO, noon_t) - moment("yesterday", OSLO, noon_t) == 23 * 3600.0


@pytest.mark.parametrize(
    "written", ["soon", "25:00", "9.40", "5", "2 ago", "2 psi ago", "yesterday noon", "2026-13-01", "", "inf", "nan"]
)
def test_what_is_no_time_is_refused_with_examples(written: str) -> None:
    with pytest.raises(MomentError) as caught:
        moment(written, OSLO, NOW_T)
    assert "write" in str(caught.value)
    with pytest.raises(argparse.ArgumentTypeError):
        as_written(written)


def test_what_counts_from_now_is_known() -> None:
    assert [is_relative(w) for w in ("09:40", "2 h ago", "yesterday", "now", "2026-01-05", "1767602400")] == [
        True, True, True, True, False, False,
    ]  # fmt: skip
