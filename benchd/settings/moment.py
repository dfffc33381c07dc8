"""Reads a time as a person says it: "09:40", "yesterday", "2 h ago", a date, in the bench's own zone."""

from __future__ import annotations

import argparse
import re
from datetime import UTC, datetime, time, timedelta, tzinfo

from benchd.core.units import QuantityError, parse_quantity

HOW = 'write "09:40", "yesterday", "monday 14:30", "2 h ago", 2026-01-05 or "2026-01-05 09:40"'
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
DAYS_AGO = {"today": 0, "yesterday": 1}
UNIX_FROM_S, UNIX_TO_S = 1e8, 1e11
"""A bare number between these is unix seconds (1973 to 5138); another is a slip for a span or a clock time."""
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?", re.ASCII)


class MomentError(ValueError):
    """The text is no time; it says what to write."""


def moment(written: str, zone: tzinfo, now_t: float) -> float:
    """Unix seconds of a written time; without a date it is the last such time up to now_t.  Raises MomentError.

    A date without a time of day is its midnight; a time with an offset of its own ("...+02:00", "...Z") keeps it.
    """
    text = " ".join(written.lower().split())
    now = datetime.fromtimestamp(now_t, zone)
    day, _, rest = text.partition(" ")
    try:
        if text == "now":
            return now_t
        if text.endswith(" ago"):
            return now_t - parse_quantity(text.removesuffix(" ago"), "time")
        if _CLOCK.fullmatch(text):
            return _last(now, _clock(text)).timestamp()
        if day in DAYS_AGO or day in WEEKDAYS:
            return _on(_midnight(now, _days_ago(day, now)), rest).timestamp()
        return _exact(written.strip(), zone)
    except QuantityError as error:
        raise MomentError(f'"{written}": {error}') from error
    except (ValueError, OverflowError) as error:
        raise MomentError(f'"{written}" is not a time; {HOW}') from error


def as_written(written: str) -> str:
    """The text itself once it is known to be a time; for argparse, which asks before the bench's zone is known."""
    try:
        moment(written, UTC, 0.0)
    except MomentError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
    return written


def is_relative(written: str) -> bool:
    """Whether a written time counts from now, so that it means another time tomorrow."""
    text = written.strip().lower()
    day = text.partition(" ")[0]
    return text.endswith(" ago") or bool(_CLOCK.fullmatch(text)) or day in (*DAYS_AGO, *WEEKDAYS, "now")


def _exact(text: str, zone: tzinfo) -> float:
    """Unix seconds, or an ISO 8601 date or time (RFC 3339 allows a space for the T)."""
    try:
        t = float(text)
    except ValueError:
        at = datetime.fromisoformat(text)
        return (at if at.tzinfo else at.replace(tzinfo=zone)).timestamp()
    if not UNIX_FROM_S <= t < UNIX_TO_S:
        raise ValueError(text)
    return t


def _clock(text: str) -> time:
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise ValueError(text)
    hour, minute, second = (int(part or 0) for part in match.groups())
    return time(hour, minute, second)


def _last(now: datetime, clock: time) -> datetime:
    """The last time the clock showed this."""
    at = datetime.combine(now.date(), clock, now.tzinfo)
    return at if at <= now else datetime.combine(now.date() - timedelta(days=1), clock, now.tzinfo)


def _days_ago(day: str, now: datetime) -> int:
    return DAYS_AGO[day] if day in DAYS_AGO else (now.weekday() - WEEKDAYS.index(day)) % 7


def _midnight(now: datetime, days_ago: int) -> datetime:
    return datetime.combine(now.date() - timedelta(days=days_ago), time(), now.tzinfo)


def _on(midnight: datetime, clock: str) -> datetime:
    return datetime.combine(midnight.date(), _clock(clock), midnight.tzinfo) if clock else midnight
