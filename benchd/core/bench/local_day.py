"""Local time from the list of clock changes in a context: the offset from UTC, the start of the local day, its date."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

DAY_S = 86400.0
DATE = re.compile(r"(\d{4})-(\d\d)-(\d\d)", re.ASCII)
UtcOffsets = Iterable[tuple[float, float]]
"""(since [unix s], local minus UTC [s]), oldest first."""


def offset_s(offsets: UtcOffsets, t: float) -> float:
    """Local time minus UTC at t [s]; before the first change known the first's; without any, zero."""
    known = tuple(offsets)
    found = known[0][1] if known else 0.0
    for since, seconds in known:
        found = seconds if since <= t else found
    return found


def midnight_t(offsets: UtcOffsets, t: float) -> float:
    """When the local day of t began [unix s], also on days with a clock change.

    >>> midnight_t([(0.0, 3600.0), (1_774_746_000.0, 7200.0)], 1_774_778_400.0)  # 2026-03-29 12:00 in Oslo
    1774738800.0
    """
    known = tuple(offsets)
    begins = math.floor((t + offset_s(known, t)) / DAY_S) * DAY_S
    return begins - offset_s(known, begins - offset_s(known, t))


def day_number(offsets: UtcOffsets, t: float) -> int:
    """The local day of t [unix s], counted from 1970-01-01."""
    return math.floor((t + offset_s(offsets, t)) / DAY_S)


def day_text(day: int) -> str:
    """A day counted from 1970-01-01 as ISO 8601 writes it.

    >>> day_text(20458)
    '2026-01-05'
    """
    year = 1970 + day // 366 - 1
    while _before(year + 1) <= day:
        year += 1
    left, months = day - _before(year), _months(year)
    month = 0
    while left >= months[month]:
        left -= months[month]
        month += 1
    return f"{year:04d}-{month + 1:02d}-{left + 1:02d}"


def day_from_text(written: str) -> int | None:
    """The day, counted from 1970-01-01, of a date as "2026-01-05"; None if there is no such day.

    >>> day_from_text("2026-01-05"), day_from_text("2026-02-29")
    (20458, None)
    """
    found = DATE.fullmatch(written)
    if found is None:
        return None
    year, month, day = (int(part) for part in found.groups())
    if not (1970 <= year <= 2999 and 1 <= month <= 12 and 1 <= day <= _months(year)[month - 1]):
        return None
    return _before(year) + sum(_months(year)[: month - 1]) + day - 1


def _before(year: int) -> int:
    """Days from 1970-01-01 to a year's first day."""
    last = year - 1
    return (year - 1970) * 365 + (last // 4 - last // 100 + last // 400) - 477  # 477 leap days before 1970


def _months(year: int) -> tuple[int, ...]:
    is_leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    return (31, 29 if is_leap else 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
