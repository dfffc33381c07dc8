"""Air pressure against the standard atmosphere's table, UTC offsets against the zone rules in law."""

from __future__ import annotations

import datetime

import pytest

from benchd.settings.place import (
    local_midnight,
    parse_quiet_hours,
    standard_pressure_kpa,
    system_timezone,
    utc_offsets,
)

# ISO 2533:1975 table of the standard atmosphere, equal to US Standard Atmosphere 1976, table I, by geopotential
# altitude [m]: pressure [kPa]; https://ntrs.nasa.gov/citations/19770009539.
ISO_2533 = [
    (-500, 107.478),
    (0, 101.325),
    (500, 95.461),
    (1000, 89.875),
    (2000, 79.495),
    (3000, 70.109),
    (5000, 54.020),
]


@pytest.mark.parametrize(("altitude_m", "kpa"), ISO_2533)
def test_air_pressure_is_the_standard_atmospheres(altitude_m: float, kpa: float) -> None:
    assert standard_pressure_kpa(altitude_m) == pytest.approx(kpa, abs=0.001)


def test_offsets_change_on_the_last_sundays_of_march_and_october_at_one_utc() -> None:
    # Directive 2000/84/EC, articles 2 and 3: summer time begins and ends at 01:00 UTC on those Sundays
    t = datetime.datetime(2026, 1, 5, tzinfo=datetime.UTC).timestamp()
    changes = [
        (2024, 1, 1, 0, 1), (2024, 3, 31, 1, 2), (2024, 10, 27, 1, 1), (2025, 3, 30, 1, 2), (2025, 10, 26, 1, 1),
        (2026, 3, 29, 1, 2), (2026, 10, 25, 1, 1), (2027, 3, 28, 1, 2), (2027, 10, 31, 1, 1),
        (2028, 3, 26, 1, 2), (2028, 10, 29, 1, 1),
    ]  # fmt: skip
    expected = [
        (datetime.datetime(y, m, d, h, tzinfo=datetime.UTC).timestamp(), 3600.0 * offset)
        for y, m, d, h, offset in changes
    ]
    assert list(utc_offsets("Europe/Oslo", t)) == expected


def test_a_zone_without_summer_time_and_with_half_hours_has_one_offset() -> None:
    t = datetime.datetime(2026, 7, 1, tzinfo=datetime.UTC).timestamp()
    since = datetime.datetime(2024, 1, 1, tzinfo=datetime.UTC).timestamp()
    assert utc_offsets("Asia/Kolkata", t) == ((since, 19800.0),)  # UTC+05:30 all year
    assert utc_offsets("UTC", t) == ((since, 0.0),)


def test_offsets_are_the_same_all_year_so_that_a_restart_changes_nothing() -> None:
    days = [datetime.datetime(2026, m, d, tzinfo=datetime.UTC).timestamp() for m, d in ((1, 1), (6, 3), (12, 31))]
    assert utc_offsets("America/New_York", days[0]) == utc_offsets("America/New_York", days[1])
    assert utc_offsets("America/New_York", days[0]) == utc_offsets("America/New_York", days[2])


def test_a_lots_day_begins_at_local_midnight() -> None:
    # 2025-12-30 00:00 in Oslo (UTC+1) is 2025-12-29 23:00 UTC
    expected = datetime.datetime(2025, 12, 29, 23, tzinfo=datetime.UTC).timestamp()
    assert local_midnight(datetime.date(2025, 12, 30), "Europe/Oslo") == expected


def test_quiet_hours_over_midnight() -> None:
    quiet = parse_quiet_hours("22:00-07:30")
    assert (quiet.start_min, quiet.end_min) == (1320, 450)
    assert parse_quiet_hours(None).start_min == parse_quiet_hours(None).end_min


@pytest.mark.parametrize("written", ["", "22-07", "25:00-07:00", "22:00-07:60", "22:00", "22:00-07:00x"])
def test_what_is_no_span_of_hours_is_refused(written: str) -> None:
    with pytest.raises(ValueError, match="span of hours"):
        parse_quiet_hours(written)


def test_the_systems_zone_is_the_environments_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", ":Asia/Kolkata")
    assert system_timezone() == "Asia/Kolkata"
    monkeypatch.setenv("TZ", "no/such")
    assert system_timezone() != "no/such"
