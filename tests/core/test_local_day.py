"""The local day as the core counts it by offsets is the one the time zone database knows, clock changes included."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from benchd.core.bench.local_day import day_from_text, day_number, day_text, midnight_t, offset_s
from benchd.settings.place import midnight_before, utc_offsets


@pytest.mark.parametrize("timezone", ["Europe/Oslo", "America/St_Johns", "Australia/Lord_Howe", "UTC"])
def test_midnight_is_the_zones_own_every_three_hours_of_a_year(timezone: str) -> None:
    first_t = datetime(2026, 1, 2, tzinfo=UTC).timestamp()
    offsets = utc_offsets(timezone, first_t)
    times = [first_t + 3 * 3600.0 * n for n in range(365 * 8)]
    assert [midnight_t(offsets, t) for t in times] == [midnight_before(t, timezone) for t in times]


@pytest.mark.parametrize("timezone", ["Europe/Oslo", "America/St_Johns", "Australia/Lord_Howe"])
def test_last_years_days_are_the_zones_own_too(timezone: str) -> None:
    """In January the reports are about December: its days began at local midnight, not at UTC's."""
    offsets = utc_offsets(timezone, datetime(2027, 1, 3, tzinfo=UTC).timestamp())
    times = [datetime(2025, 12, 1, tzinfo=UTC).timestamp() + 7 * 3600.0 * n for n in range(396 * 24 // 7)]
    assert [midnight_t(offsets, t) for t in times] == [midnight_before(t, timezone) for t in times]


def test_before_the_first_change_known_the_first_offset_holds() -> None:
    """A context of 0.1.0 begins with its year: the December before had January's offset, not UTC's."""
    assert offset_s([(100.0, 3600.0), (200.0, 7200.0)], 99.0) == 3600.0
    assert offset_s([(100.0, 3600.0), (200.0, 7200.0)], 200.0) == 7200.0
    assert offset_s([], 99.0) == 0.0


def test_days_and_dates_are_those_of_the_standard_librarys_calendar() -> None:
    first = date(1970, 1, 1)
    for day in (*range(0, 60_000, 7), 20_458, 10_957, 11_016):
        written = (first + timedelta(days=day)).isoformat()
        assert day_text(day) == written
        assert day_from_text(written) == day
    for wrong in ("2026-02-29", "2026-13-01", "2026-1-5", "1969-12-31", "tomorrow", "2026-04-31"):
        assert day_from_text(wrong) is None


def test_a_day_begins_at_local_midnight() -> None:
    offsets = [(0.0, 3600.0)]
    assert [day_number(offsets, 86_400.0 - 3600.0 + s) for s in (-1.0, 0.0)] == [0, 1]
