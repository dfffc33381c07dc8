"""Does a journal without its bench.toml show the bench's own time, through a year's clock changes?"""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from benchd.core.bench import Bench
from benchd.runtime.printing.bench_zone import BenchZone
from benchd.settings.place import utc_offsets

YEAR_T = 1_767_225_600.0  # 2026-01-01 00:00 UTC (date -d @1767225600)
HOUR_S = 3600.0


@pytest.mark.parametrize("name", ["Europe/Oslo", "America/St_Johns", "Australia/Lord_Howe", "UTC"])
def test_the_bench_shows_what_the_zone_data_show(name: str) -> None:
    """The IANA zone data, as Python's zoneinfo reads them; Lord Howe changes by half an hour."""
    zone = BenchZone(Bench(id="b", shop="s", name="n", utc_offsets=utc_offsets(name, YEAR_T)))
    for hour in range(0, 364 * 24):
        t = YEAR_T + hour * HOUR_S
        shown, known = (datetime.fromtimestamp(t, z) for z in (zone, ZoneInfo(name)))
        assert shown.replace(tzinfo=None) == known.replace(tzinfo=None), t


def test_a_local_time_is_found_again() -> None:
    """Noon of each day: no clock changes at noon."""
    zone = BenchZone(Bench(id="b", shop="s", name="n", utc_offsets=utc_offsets("Europe/Oslo", YEAR_T)))
    oslo = ZoneInfo("Europe/Oslo")
    for month in range(1, 13):
        for day in (1, 28, 29, 30) if month != 2 else (1, 28):
            assert (
                datetime(2026, month, day, 12, tzinfo=zone).timestamp()
                == datetime(2026, month, day, 12, tzinfo=oslo).timestamp()
            )


def test_its_name_is_its_offset() -> None:
    zone = BenchZone(Bench(id="b", shop="s", name="n", utc_offsets=((0.0, -12_600.0),)))
    assert datetime.fromtimestamp(YEAR_T, zone).strftime("%H:%M %Z") == "20:30 -03:30"
