"""Works out a bench's place and hours: altitude to air pressure, time zone to UTC offsets, quiet hours."""

from __future__ import annotations

import datetime
import os
import re
from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

from benchd.core.bench import STANDARD_ATMOSPHERE_KPA, Quiet

YEARS_BACK = 2  # reports look back 400 days: a January's are about last year's days
YEARS_AHEAD = 3  # offsets reach to two full years on


def standard_pressure_kpa(altitude_m: float) -> float:
    """Air pressure [kPa absolute] at an altitude: p = p0 (1 - 0.0065 H/288.15)^(g/(R 0.0065)).

    altitude_m: H [m], -500 to 6000, taken as geopotential (0.1 % apart at 6 km); g 9.80665 m/s2, R 287.05287 J/(kg K).
    Source: ISO 2533:1975, below 11 km.
    """
    exponent = 9.80665 / (287.05287 * 0.0065)
    return float(STANDARD_ATMOSPHERE_KPA * (1.0 - 0.0065 * altitude_m / 288.15) ** exponent)


def system_timezone() -> str | None:
    """The system's zone name, or None if it doesn't give one."""
    named = os.environ.get("TZ", "").lstrip(":")
    link = os.path.realpath("/etc/localtime")
    for name in (named, link.partition("zoneinfo/")[2]):
        if name in available_timezones():
            return name
    return None


def utc_offsets(timezone: str, t: float) -> tuple[tuple[float, float], ...]:
    """((since [unix s], local minus UTC [s]), ...) from two years before t's year until two full years after it.

    The same for every t of one year, so that a restart changes nothing.  Raises zoneinfo.ZoneInfoNotFoundError.
    """
    return _offsets_about(timezone, datetime.datetime.fromtimestamp(t, datetime.UTC).year)


@lru_cache(maxsize=8)
def _offsets_about(timezone: str, year: int) -> tuple[tuple[float, float], ...]:
    zone = ZoneInfo(timezone)
    since = int(datetime.datetime(year - YEARS_BACK, 1, 1, tzinfo=datetime.UTC).timestamp())
    until = int(datetime.datetime(year + YEARS_AHEAD, 1, 1, tzinfo=datetime.UTC).timestamp())
    pairs = [(float(since), _offset_s(zone, since))]
    for day in range(since + 86400, until + 1, 86400):
        if _offset_s(zone, day) != pairs[-1][1]:
            step = _step_between(zone, day - 86400, day)
            pairs.append((float(step), _offset_s(zone, step)))
    return tuple(pairs)


def _offset_s(zone: ZoneInfo, t: int) -> float:
    offset = datetime.datetime.fromtimestamp(t, zone).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0


def _step_between(zone: ZoneInfo, low: int, high: int) -> int:
    """The first second in (low, high] that has high's offset."""
    after = _offset_s(zone, high)
    while high - low > 1:
        middle = (low + high) // 2
        if _offset_s(zone, middle) == after:
            high = middle
        else:
            low = middle
    return high


def local_midnight(day: datetime.date, timezone: str) -> float:
    """Unix seconds of a date's local midnight."""
    return datetime.datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(timezone)).timestamp()


def midnight_before(t: float, timezone: str) -> float:
    """When the local day of t began [unix s]."""
    return local_midnight(datetime.datetime.fromtimestamp(t, ZoneInfo(timezone)).date(), timezone)


def day_ended(day: datetime.date, timezone: str) -> float:
    """Unix seconds of the local midnight that ends a date."""
    return local_midnight(day + datetime.timedelta(days=1), timezone)


def parse_quiet_hours(written: str | None) -> Quiet:
    """Quiet hours from "22:00-07:00"; none when left out.  Raises ValueError."""
    if written is None:
        return Quiet()
    match = re.fullmatch(r"\s*(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})\s*", written, re.ASCII)
    parts = [int(part) for part in match.groups()] if match else [24, 0, 24, 0]
    if parts[0] > 23 or parts[2] > 23 or parts[1] > 59 or parts[3] > 59:
        raise ValueError("is not a span of hours")
    return Quiet(start_min=parts[0] * 60 + parts[1], end_min=parts[2] * 60 + parts[3])
